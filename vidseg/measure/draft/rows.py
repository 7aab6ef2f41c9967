"""Visits of the best path made into rows: what speaks for each, and how sure it is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidseg.measure.draft.evidence import Clue
from vidseg.measure.draft.order import Visit
from vidseg.measure.draft.reader import Array, Learned, confidence
from vidseg.measure.draft.understanding import Understood
from vidseg.measure.draft.utterances import Utterance
from vidseg.model.clock import NS
from vidseg.model.procedure import Step
from vidseg.model.span import Span

NEAR_S = 40.0
"""How far from a row words may lie that speak for it (our choice; dubbing lags that much)."""
WEIGHTY = 0.3
"""Weight from which a clue speaks for a row."""
UNSPOKEN = "not spoken of; usual here"
UNSPOKEN_AT_MOST = 0.5
"""Confidence that a row of which nothing is said can have at most (our choice)."""


LATE, LATE_MOST_S = 0.08, 4.0
"""Share of a row, and most seconds, by which starts were early on cases held aside."""
NEAR_CERTAIN = 0.3
"""Confidence from which an unspoken row is offered: to reject costs less than to add."""
HOLE = 6
"""Most unspoken steps in a row between two spoken ones that are offered (our choice)."""
MOSTLY = 0.35
"""Share of the usual steps spoken of from which the course may be trusted (our choice)."""


@dataclass(frozen=True, slots=True)
class DraftRow:
    """One visit to a step as drafted. ``confidence`` 0 to 1 that there is such a visit about here.

    ``cues`` are numbers (from 0) of the captions that speak for it, none where the row rests on
    the usual course alone; ``notes`` say that, and what moved. ``marks`` are those of
    ``marks_of``, from which the confidence comes.
    """

    step: Step
    span: Span
    confidence: float
    cues: tuple[int, ...]
    notes: tuple[str, ...] = ()
    marks: tuple[float, ...] = ()


def rows_of(
    visits: Sequence[Visit],
    told: Understood,
    spoken: Sequence[Utterance],
    steps: Sequence[Step],
    course: Sequence[str],
    nats: Array,
    cell_s: float,
    weights: Learned,
) -> tuple[DraftRow, ...]:
    """Make the rows; ``cues`` of these are numbers of utterances."""
    own = speaking_for(visits, told.clues, spoken, steps, cell_s)
    marks = marks_of(visits, own, told, spoken, steps, course, nats, cell_s)
    sure = confidence(marks, weights)
    rows = []
    for visit, clues, share, mark in zip(visits, own, sure, marks, strict=True):
        left, right = visit.first * cell_s, visit.last * cell_s
        # Talk of a step comes before its instrument does.
        left += min(LATE_MOST_S, LATE * (right - left))
        start, stop = round(left * NS), round(right * NS)
        if not clues:
            share = min(share, UNSPOKEN_AT_MOST)
        rows.append(
            DraftRow(
                steps[visit.row],
                Span(start, stop),
                round(float(np.clip(share, 0.01, 0.99)), 2),
                tuple(sorted({clue.cue for clue in clues})),
                () if clues else (UNSPOKEN,),
                tuple(mark.tolist()),
            )
        )
    return tuple(_offered(rows, course))


def _offered(rows: Sequence[DraftRow], course: Sequence[str]) -> Iterator[DraftRow]:
    """Leave out unspoken rows where the course around them is not near certain.

    Such a row stays where most of the usual steps are spoken of and it fills a short hole between
    two of them. Where few are, the other rows are less sure too.
    """
    told = {row.step.code for row in rows if row.cues}
    share = min(1.0, len(told & set(course)) / (MOSTLY * len(set(course))))
    spoken_of = [number for number, row in enumerate(rows) if row.cues]
    for number, row in enumerate(rows):
        if row.cues:
            yield replace(row, confidence=round(max(0.01, row.confidence * share), 2))
            continue
        before = max((n for n in spoken_of if n < number), default=None)
        after = min((n for n in spoken_of if n > number), default=None)
        if before is None or after is None or share < 1:
            continue
        if after - before <= HOLE + 1 and row.confidence >= NEAR_CERTAIN:
            yield row


def speaking_for(
    visits: Sequence[Visit],
    clues: Sequence[Clue],
    spoken: Sequence[Utterance],
    steps: Sequence[Step],
    cell_s: float,
) -> list[list[Clue]]:
    """Give each visit the clues of its step that lie nearer to it than to another visit."""
    found: list[list[Clue]] = [[] for _ in visits]
    for clue in clues:
        if clue.weight < WEIGHTY:
            continue
        at = spoken[clue.cue].middle_s
        apart = [
            (max(0.0, visit.first * cell_s - at, at - visit.last * cell_s), number)
            for number, visit in enumerate(visits)
            if steps[visit.row].code == clue.step
        ]
        if apart and min(apart)[0] <= NEAR_S:
            found[min(apart)[1]].append(clue)
    return found


def marks_of(
    visits: Sequence[Visit],
    own: Sequence[Sequence[Clue]],
    told: Understood,
    spoken: Sequence[Utterance],
    steps: Sequence[Step],
    course: Sequence[str],
    nats: Array,
    cell_s: float,
) -> Array:
    """Give the marks by which a row's confidence is reckoned: (visits, 6).

    How far its step leads over the next best, the evidence inside, the plainest sentence near,
    the weight of its clues, whether any, and whether it is the course's first visit.
    """
    out = np.zeros((len(visits), 6))
    seen: set[int] = set()
    middles = np.array([one.middle_s for one in spoken])
    for number, visit in enumerate(visits):
        inside = told.running[visit.first : visit.last]
        others = np.delete(inside, visit.row, axis=1).max(axis=1)
        lead = float(np.clip(inside[:, visit.row] - others, -5, 5).mean())
        mass = float(np.clip(nats[visit.row, visit.first : visit.last].sum(), -5, 10))
        near = (middles >= visit.first * cell_s - NEAR_S) & (
            middles <= visit.last * cell_s + NEAR_S
        )
        plainest = float(told.likely[near, visit.row].max(initial=0.0))
        weight = min(4.0, sum(clue.weight for clue in own[number]))
        first = steps[visit.row].code in course and visit.row not in seen
        seen.add(visit.row)
        out[number] = lead, mass / 5, plainest, weight / 4, bool(own[number]), first
    return out
