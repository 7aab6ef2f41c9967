"""The usual course of an operation, learned from annotated cases: what comes when, and how often.

The case that is most like all others is taken as the thread. The visits of every other case are
laid beside it in order (an alignment of sequences that pairs visits to the same step only,
Needleman and Wunsch, J Mol Biol 48, 1970), and each place of the thread then has as many times as
there are cases that come by it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vidseg.measure.draft.places import course_of, usual_length_s
from vidseg.model.clock import NS
from vidseg.model.procedure import Procedure
from vidseg.model.span import Span

USUAL_SHARE = 0.5
"""A place that fewer of the cases come by is not of the usual course."""
REQUIRED_SHARE = 0.9
MOST_CASES, MOST_THREADS = 500, 40
"""So many cases, evenly picked, are learned from, and so many tried as the thread."""
ALIKE, FLOOR = 0.25, 1e-3
"""How near in length (standard deviation of the logarithm) a case must be to count fully, and what
any case counts for."""


@dataclass(frozen=True, slots=True)
class Visits:
    """One annotated case: (code, span in ns) of each visit by start, and its observed end (ns)."""

    rows: tuple[tuple[str, Span], ...]
    end: int

    @property
    def codes(self) -> tuple[str, ...]:
        """The steps in order."""
        return tuple(code for code, _ in self.rows)


@dataclass(frozen=True, slots=True)
class UsualVisit:
    """One visit of the usual course: ``share`` of the cases have it.

    ``times``, shape (cases that have it, 3): length of the case in s, and start and end of the
    visit as parts of it, 0 to 1.
    """

    code: str
    share: float
    times: NDArray[np.float64] = field(repr=False)

    @property
    def length_s(self) -> float:
        """The median length of the visit in s."""
        lengths, starts, ends = self.times.T
        return float(np.median((ends - starts) * lengths))

    def parts(self, end_s: float) -> tuple[float, float]:
        """Give start and end as parts of a case of ``end_s``: medians, of cases as long foremost.

        In a long case it is some steps that take long, not all.
        """
        lengths, starts, ends = self.times.T
        weights = np.exp(-0.5 * (np.log(lengths / end_s) / ALIKE) ** 2) + FLOOR
        return _weighted_median(starts, weights), _weighted_median(ends, weights)


@dataclass(frozen=True, slots=True)
class Course:
    """The usual course of ``cases`` cases (0: the vocabulary's own), in order of time."""

    places: tuple[UsualVisit, ...]
    cases: int

    def timetable(self, end: int) -> tuple[tuple[str, Span, float], ...]:
        """Give (code, span, share) of each visit that is likely in a case of length ``end`` (ns).

        The shares of time are the usual ones; nothing of this very case is in them.
        """
        found = sorted((*place.parts(end / NS), place.code, place.share) for place in self.places)
        starts = [*(start for start, *_ in found[1:]), 1.0][: len(found)]
        return tuple(
            (code, Span(round(start * end), round(until * end)), share)
            for (start, stop, code, share), following in zip(found, starts, strict=True)
            for until in [min(stop, following) if following > start else stop]
            if round(until * end) > round(start * end)
        )

    def taught(self, procedure: Procedure) -> Procedure:
        """Give the vocabulary with this course and its lengths in place of its own."""
        lengths: dict[str, list[float]] = {}
        shares: dict[str, float] = {}
        for place in self.places:
            lengths.setdefault(place.code, []).append(place.length_s)
            shares[place.code] = max(place.share, shares.get(place.code, 0.0))
        steps = tuple(
            replace(
                step,
                usual_ns=round(float(np.median(lengths[step.code])) * NS),
                required=shares[step.code] >= REQUIRED_SHARE,
            )
            if step.code in lengths
            else step
            for step in procedure.steps
        )
        return replace(procedure, steps=steps, course=tuple(place.code for place in self.places))


PAUSE_S, BEFORE_S = 9.0, 30.0
"""Pause between visits, and time before the first one, of a vocabulary's timetable (our choice)."""


def course_from(procedure: Procedure) -> Course:
    """Give the vocabulary's own usual course at its usual lengths, for want of cases."""
    visits: list[tuple[str, float, float]] = []
    at = BEFORE_S
    for code in course_of(procedure):
        length = usual_length_s(procedure.step(code), {})
        visits.append((code, at, at + length))
        at += length + PAUSE_S
    places = (
        UsualVisit(code, 1.0, np.array([(at, start / at, end / at)])) for code, start, end in visits
    )
    return Course(tuple(places), 0)


def learn_course(cases: Sequence[Visits]) -> Course:
    """Learn from complete cases with at least one visit each. Raises ValueError for none."""
    cases = [case for case in cases if case.rows and case.end > 0]
    if not cases:
        raise ValueError("there is no case to learn from")
    if len(cases) > MOST_CASES:
        picked = np.linspace(0, len(cases) - 1, MOST_CASES).astype(int)
        cases = [cases[int(place)] for place in picked]
    thread = _thread(cases)
    times: list[list[tuple[float, float, float]]] = [[] for _ in thread.rows]
    for case in cases:
        for own, other in _paired(thread.codes, case.codes):
            span = case.rows[other][1]
            times[own].append((case.end / NS, span.start / case.end, span.end / case.end))
    places = tuple(
        UsualVisit(code, len(met) / len(cases), np.array(met))
        for code, met in zip(thread.codes, times, strict=True)
        if len(met) / len(cases) >= USUAL_SHARE
    )
    return Course(places, len(cases))


def _weighted_median(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    """Give the value at which half of the weight is reached."""
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(reached, reached[-1] / 2)])


def _thread(cases: Sequence[Visits]) -> Visits:
    """Give the case whose sequence differs least from all others."""
    counts = Counter(case.codes for case in cases)
    places = np.unique(np.linspace(0, len(cases) - 1, MOST_THREADS).astype(int))
    tried = [cases[int(place)] for place in places]
    distances = [_distance(case.codes, counts) for case in tried]
    return tried[distances.index(min(distances))]


def _distance(codes: tuple[str, ...], counts: Counter[tuple[str, ...]]) -> int:
    return sum(
        count * (len(codes) + len(other) - 2 * len(_paired(codes, other)))
        for other, count in counts.items()
    )


def _paired(one: Sequence[str], other: Sequence[str]) -> list[tuple[int, int]]:
    """Pair as many like codes as can be in order: a longest common subsequence."""
    best = np.zeros((len(one) + 1, len(other) + 1), np.int32)
    for i in range(len(one) - 1, -1, -1):
        for j in range(len(other) - 1, -1, -1):
            best[i, j] = (
                best[i + 1, j + 1] + 1
                if one[i] == other[j]
                else max(best[i + 1, j], best[i, j + 1])
            )
    pairs, i, j = [], 0, 0
    while i < len(one) and j < len(other):
        if one[i] == other[j]:
            pairs.append((i, j))
            i, j = i + 1, j + 1
        elif best[i + 1, j] >= best[i, j + 1]:
            i += 1
        else:
            j += 1
    return pairs
