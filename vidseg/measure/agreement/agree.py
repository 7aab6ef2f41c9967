"""Two or more annotations of one case compared.

Agreement says that annotators mark alike, not that they mark right. The first annotator is the
reference where a measure needs one (F1); differences are second minus first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vidseg.measure.agreement.kappa import (
    cohen_kappa,
    confusion,
    fleiss_kappa,
    krippendorff_alpha,
    ratings,
)
from vidseg.measure.agreement.segmental import Boundaries, Hits, boundaries, edit_score, hits
from vidseg.measure.agreement.timeline import NO_STEP, Timeline, joint, step_spans, timeline
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clock import NS
from vidseg.model.procedure import Kind
from vidseg.model.span import Spans

OVERLAPS = (10, 25, 50)
"""Overlaps, in percent, at which F1 is given (the customary three)."""
TOLERANCES_NS = (NS, 2 * NS, 5 * NS, 10 * NS)
"""Tolerances at which boundaries are compared by default (our choice)."""
NAN = float("nan")


@dataclass(frozen=True, slots=True)
class StepAgreement:
    """One step of one case; differences in ns, second minus first.

    ``start_ns`` and ``end_ns`` compare the first start and the last end; None where one annotator
    lacks the step, or says that the recording does not show that edge. ``active_ns`` is None
    where one lacks the step.
    """

    step: str
    first_ns: int
    second_ns: int
    shared_ns: int
    start_ns: int | None
    end_ns: int | None
    active_ns: int | None

    @property
    def dice(self) -> float:
        """Twice the shared time over the sum of both times; NaN where both are zero."""
        total = self.first_ns + self.second_ns
        return 2 * self.shared_ns / total if total else NAN


def labelled(table: NDArray[np.int64], labels: Sequence[str]) -> NDArray[np.int64]:
    """Keep of a table (labels, labels) the time in which both name a step."""
    keep = np.flatnonzero([label != NO_STEP for label in labels])
    return np.asarray(table[np.ix_(keep, keep)], dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two annotations of one case at one level. ``table`` (labels, labels) in ns: rows by first."""

    case: str
    level: Kind
    first: str
    second: str
    observed_ns: int
    labels: tuple[str, ...]
    table: NDArray[np.int64]
    edit: float
    hits: tuple[tuple[int, Hits], ...]
    boundaries: tuple[Boundaries, ...]
    steps: tuple[StepAgreement, ...]

    @property
    def accuracy(self) -> float:
        """Part (0 to 1) of the observed time in which both say the same, "no step" included."""
        return float(np.trace(self.table) / self.table.sum()) if self.table.sum() else NAN

    @property
    def kappa(self) -> float:
        """Cohen's kappa over all observed time, "no step" being a label like the others."""
        return cohen_kappa(self.table)

    @property
    def kappa_labelled(self) -> float:
        """Cohen's kappa over the time in which both name a step."""
        return cohen_kappa(labelled(self.table, self.labels))


def agree(
    first: Annotation,
    second: Annotation,
    observed: Spans,
    level: Kind = Kind.STEP,
    tolerances_ns: Sequence[int] = TOLERANCES_NS,
) -> Agreement:
    """Compare two annotations of one case over the observed time of both.

    ``observed`` is the recorded time; what either annotator excludes is taken off here.
    """
    window = observed - first.excluded_spans - second.excluded_spans
    spans = [step_spans(annotation, level, window) for annotation in (first, second)]
    a, b = (timeline(own, window.length) for own in spans)
    lengths, places, labels = joint([a, b])
    codes = list(dict.fromkeys([*spans[0], *spans[1]]))
    return Agreement(
        case=first.case,
        level=level,
        first=first.annotator,
        second=second.annotator,
        observed_ns=window.length,
        labels=labels,
        table=confusion(lengths, places[0], places[1], len(labels)),
        edit=edit_score([run[0] for run in a.runs()], [run[0] for run in b.runs()]),
        hits=tuple((percent, hits(a, b, percent)) for percent in OVERLAPS),
        boundaries=tuple(boundaries(a, b, tolerance) for tolerance in tolerances_ns),
        steps=tuple(
            _step(code, spans[0].get(code, Spans()), spans[1].get(code, Spans()), first, second)
            for code in codes
        ),
    )


def _step(code: str, a: Spans, b: Spans, first: Annotation, second: Annotation) -> StepAgreement:
    both = len(a) > 0 and len(b) > 0
    own = [_visits(annotation, code) for annotation in (first, second)]
    starts_seen = both and not any(visits[0].open_start for visits in own)
    ends_seen = both and not any(
        max(visits, key=lambda visit: visit.span.end).open_end for visits in own
    )
    return StepAgreement(
        step=code,
        first_ns=a.length,
        second_ns=b.length,
        shared_ns=(a & b).length,
        start_ns=b.items[0].start - a.items[0].start if starts_seen else None,
        end_ns=b.items[-1].end - a.items[-1].end if ends_seen else None,
        active_ns=b.length - a.length if both else None,
    )


def _visits(annotation: Annotation, code: str) -> list[Segment]:
    visits = [segment for segment in annotation.segments if segment.step.code == code]
    return sorted(visits, key=lambda visit: visit.span)


@dataclass(frozen=True, slots=True)
class Reliability:
    """Two or more annotators of one case, or of several laid end to end, weighted by time."""

    annotators: int
    observed_ns: int
    fleiss: float
    alpha: float


def agree_all(
    annotations: Sequence[Annotation], observed: Spans, level: Kind = Kind.STEP
) -> Reliability:
    """Give Fleiss' kappa and Krippendorff's alpha of all annotations of one case.

    Raises ValueError for fewer than two.
    """
    if len(annotations) < 2:
        raise ValueError("agreement needs two annotations")
    window = observed
    for annotation in annotations:
        window = window - annotation.excluded_spans
    lines: list[Timeline] = [
        timeline(step_spans(annotation, level, window), window.length) for annotation in annotations
    ]
    lengths, places, labels = joint(lines)
    counts = ratings(places, len(labels))
    return Reliability(
        annotators=len(annotations),
        observed_ns=window.length,
        fleiss=fleiss_kappa(counts, lengths),
        alpha=krippendorff_alpha(counts, lengths),
    )
