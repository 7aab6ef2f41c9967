"""Edges of a draft moved to where the picture changes, a few seconds away at most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from vidseg.measure.draft.draft import Draft
from vidseg.measure.draft.rows import DraftRow
from vidseg.model.clock import NS
from vidseg.model.recording import Recording
from vidseg.model.span import Span
from vidseg.model.survey import Survey

REACH_NS = 3 * NS
"""How far an edge may move (our choice)."""

WINDOW_S = 1.0
PLAIN = 2.5
"""A change counts where the liveliness before and after differ by so many usual differences."""


def visual_changes(survey: Survey, recording: Recording) -> tuple[tuple[int, float], ...]:
    """Find when the picture becomes livelier or calmer, as (ns, case time; strength).

    Liveliness is the change from frame to frame in the tenth of the picture where it is largest,
    as when an instrument comes or goes; the strength is the difference of its means over the
    second before and the second after, in units of the recording's median difference.
    """
    found: list[tuple[int, float]] = []
    for part, seen in zip(recording.parts, survey.parts, strict=True):
        lively = np.nan_to_num(seen.local[:, 0].astype(np.float64))
        width = max(1, round(float(part.rate) * WINDOW_S))
        if len(lively) < 4 * width:
            continue
        total = np.concatenate([[0.0], np.cumsum(lively)])
        places = np.arange(width, len(lively) - width)
        before = (total[places] - total[places - width]) / width
        after = (total[places + width] - total[places]) / width
        step = np.abs(after - before)
        strength = step / max(1e-9, float(np.median(step)))
        found.extend(
            (part.start + int(part.frame_ns[seen.frame[places[i]]]), float(strength[i]))
            for i in _peaks(strength, width)
        )
    return tuple(found)


def _peaks(strength: npt.NDArray[np.float64], width: int) -> list[int]:
    """Give the places that are the largest within ``width`` on each side, and plain enough."""
    return [
        i
        for i in np.flatnonzero(strength >= PLAIN).tolist()
        if strength[i] == strength[max(0, i - width) : i + width + 1].max()
    ]


def moved_to_changes(draft: Draft, changes: Sequence[tuple[int, float]]) -> Draft:
    """Move each row's edges to the plainest change within reach, and note it on the row.

    An edge never passes the middle of its row nor the edge of its neighbour.
    """
    rows: list[DraftRow] = []
    for number, row in enumerate(draft.rows):
        floor = rows[-1].span.end if rows else 0
        after = draft.rows[number + 1 :]
        ceiling = after[0].span.start if after else draft.length_ns
        middle = (row.span.start + row.span.end) // 2
        start = _nearest(row.span.start, changes, floor, middle - 1)
        end = _nearest(row.span.end, changes, middle + 1, max(ceiling, row.span.end))
        notes = [
            f"{name} moved by {(new - old) / NS:+.1f} s to a visual change"
            for name, old, new in (("start", row.span.start, start), ("end", row.span.end, end))
            if new != old
        ]
        rows.append(replace(row, span=Span(start, end), notes=(*row.notes, *notes)))
    return replace(draft, rows=tuple(rows))


def _nearest(at: int, changes: Sequence[tuple[int, float]], low: int, high: int) -> int:
    """Give the plainest change within reach of ``at`` and within bounds, else ``at``."""
    near = [
        (strength / (1 + abs(when - at) / NS), when)
        for when, strength in changes
        if abs(when - at) <= REACH_NS and low <= when <= high
    ]
    return max(near)[1] if near else at
