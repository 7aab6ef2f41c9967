"""What an annotator says of every observed instant of one level, exact on intervals.

The observed clock counts observed time only: holes and excluded spans are closed up, so that
two annotations of one case compare over the same time whatever was left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise

import numpy as np
from numpy.typing import NDArray

from vidseg.model.annotation import Annotation
from vidseg.model.procedure import Kind
from vidseg.model.span import Span, Spans

NO_STEP = ""
"""The label of time in which no step of the level runs."""


@dataclass(frozen=True, slots=True)
class Timeline:
    """Piecewise constant labels; neighbouring runs differ, so each run is as long as it can be.

    ``edges`` int64 ``(n + 1,)``, ns on the observed clock, from 0; ``labels`` ``(n,)``. Time in
    two steps at once bears both codes, sorted and joined by ``+``.
    """

    edges: NDArray[np.int64]
    labels: tuple[str, ...]

    @classmethod
    def of(cls, pieces: Iterable[tuple[str, int]]) -> Timeline:
        """Make one from labels with lengths (ns, or any whole unit) in order of time."""
        labels: list[str] = []
        lengths: list[int] = []
        for label, length in pieces:
            if length < 0:
                raise ValueError(f"a length below zero: {length}")
            if length and labels and labels[-1] == label:
                lengths[-1] += length
            elif length:
                labels.append(label)
                lengths.append(length)
        return cls(np.array([0, *accumulate(lengths)], dtype=np.int64), tuple(labels))

    @property
    def length(self) -> int:
        """Length of the observed time in ns."""
        return int(self.edges[-1])

    def runs(self, leave_out: Sequence[str] = (NO_STEP,)) -> list[tuple[str, int, int]]:
        """Give (label, start, end) of each run, those labelled as in ``leave_out`` dropped."""
        ends = [int(edge) for edge in self.edges]
        return [
            (label, start, end)
            for label, (start, end) in zip(self.labels, pairwise(ends), strict=True)
            if label not in leave_out
        ]


def step_spans(annotation: Annotation, level: Kind, observed: Spans) -> dict[str, Spans]:
    """Give the observed time of each step of a level, by code, on the observed clock."""
    found: dict[str, list[Span]] = {}
    for segment in annotation.segments:
        if segment.step.kind is level:
            found.setdefault(segment.step.code, []).append(segment.span)
    return {code: _closed_up(Spans(spans), observed) for code, spans in found.items()}


def _closed_up(spans: Spans, observed: Spans) -> Spans:
    moved: list[Span] = []
    before = 0
    for window in observed:
        offset = before - window.start
        moved += [Span(span.start + offset, span.end + offset) for span in spans & Spans([window])]
        before += window.length
    return Spans(moved)


def timeline(spans: Mapping[str, Spans], length: int) -> Timeline:
    """Lay steps (by code, as from ``step_spans``) out over ``[0, length)`` ns.

    Raises ValueError where a span reaches outside.
    """
    opened: dict[int, list[str]] = {}
    closed: dict[int, list[str]] = {}
    for code, own in spans.items():
        for span in own:
            if span.start < 0 or span.end > length:
                raise ValueError(f"{code}: [{span.start}, {span.end}) lies outside [0, {length})")
            opened.setdefault(span.start, []).append(code)
            closed.setdefault(span.end, []).append(code)
    running: set[str] = set()
    pieces: list[tuple[str, int]] = []
    moments = sorted({0, length, *opened, *closed})
    for start, end in pairwise(moments):
        running.difference_update(closed.get(start, ()))
        running.update(opened.get(start, ()))
        pieces.append(("+".join(sorted(running)) or NO_STEP, end - start))
    return Timeline.of(pieces)


def joint(
    lines: Sequence[Timeline],
) -> tuple[NDArray[np.int64], NDArray[np.int64], tuple[str, ...]]:
    """Cut several timelines of one case at all their edges.

    Gives ``lengths`` (pieces,) in ns, ``places`` (timelines, pieces) and ``labels``:
    ``labels[places[i, j]]`` is what timeline ``i`` says of piece ``j``. Raises ValueError where
    the timelines differ in length.
    """
    if len({line.length for line in lines}) != 1:
        raise ValueError("timelines of one case must have the same length")
    labels = tuple(sorted({label for line in lines for label in line.labels}))
    index = {label: place for place, label in enumerate(labels)}
    edges = np.unique(np.concatenate([line.edges for line in lines]))
    places = np.array(
        [
            np.array([index[label] for label in line.labels], dtype=np.int64)[
                np.searchsorted(line.edges, edges[:-1], side="right") - 1
            ]
            for line in lines
        ],
        dtype=np.int64,
    ).reshape(len(lines), len(edges) - 1)
    return np.diff(edges), places, labels
