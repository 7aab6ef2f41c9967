"""A draft annotation from a narration: rows with evidence and confidence, never a verdict."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from vidseg.measure.draft.events import DraftEvent, find_events
from vidseg.measure.draft.evidence import Clue, Telling, clue_reach, gather, spread
from vidseg.measure.draft.order import Visit, best_path
from vidseg.measure.draft.places import course_of, drafted_steps, slots_and_asides, stretched
from vidseg.measure.draft.refusal import refuse, refuse_order, refuse_rows
from vidseg.measure.draft.sayings import sayings_of
from vidseg.measure.draft.settings import DraftWeights
from vidseg.model.annotation import Cue
from vidseg.model.clock import NS
from vidseg.model.procedure import Procedure, Step
from vidseg.model.span import Span

MOST_CELLS = 1500
"""Longer recordings are reckoned in cells of more than a second."""


@dataclass(frozen=True, slots=True)
class DraftRow:
    """One visit to a step as drafted. ``confidence`` 0 to 1 that there is such a visit about here.

    ``cues`` are numbers (from 0) of the captions that speak for it; ``notes`` say what moved.
    """

    step: Step
    span: Span
    confidence: float
    cues: tuple[int, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Draft:
    """What a narration gives. ``refusal`` says why there are no rows, where there are none.

    ``missing`` are steps of the usual course of which nothing was heard: likely done, not
    drafted. ``cues`` are in order of time; numbers in rows, clues and events count in them.
    """

    procedure: str
    cues: tuple[Cue, ...]
    rows: tuple[DraftRow, ...]
    events: tuple[DraftEvent, ...]
    missing: tuple[Step, ...]
    clues: tuple[Clue, ...]
    telling: Telling
    length_ns: int
    refusal: str = ""


def draft(
    cues: Sequence[Cue],
    procedure: Procedure,
    length_ns: int | None = None,
    usual_s: Mapping[str, float] | None = None,
    settings: DraftWeights | None = None,
    usual_only: bool = False,
) -> Draft:
    """Draft the steps of an operation from its timed captions.

    ``length_ns`` is the recording's length (else the captions' end); ``usual_s`` gives lengths of
    visits learned from own cases, by code, in place of the vocabulary's; ``usual_only`` leaves
    out steps beside the vocabulary's usual course (draping, cautery …). Rows come in order of
    time and do not overlap.
    """
    settings = settings or DraftWeights()
    ordered = tuple(sorted(cues, key=lambda cue: (cue.span.start, cue.span.end)))
    end = max([length_ns or 0, *(cue.span.end for cue in ordered if length_ns is None)])
    if length_ns is not None:
        ordered = tuple(cue for cue in ordered if cue.span.start < length_ns)
    steps = drafted_steps(procedure)
    if not ordered or end <= 0:
        return _nothing(procedure, ordered, end, "nothing recognised: the captions hold no speech")
    clues, telling = gather(ordered, steps, settings, sayings_of(steps))
    refusal = refuse(clues, course_of(procedure), ordered, procedure.code)
    if refusal:
        return _nothing(procedure, ordered, end, refusal, clues)
    cell_s = max(1.0, float(np.ceil(end / NS / MOST_CELLS)))
    cells = max(1, int(np.ceil(end / NS / cell_s)))
    lengths = stretched(procedure, steps, _work_s(clues, ordered, end), usual_s or {}, settings)
    nats = spread(clues, telling, ordered, lengths, cells, cell_s, settings)
    slots, asides = slots_and_asides(procedure, steps, nats, lengths, settings)
    visits = best_path(nats, slots, asides, cell_s, settings)
    rows = _rows(visits, clues, telling, ordered, steps, lengths, nats, cell_s, end, settings)
    found = {row.step.code for row in rows}
    supported = {(cue, row.step.code) for row in rows for cue in row.cues}
    course = course_of(procedure)
    refusal = refuse_rows(found, course, procedure.code) or refuse_order(
        clues, course, ordered, supported, len(rows), procedure.code
    )
    if refusal:
        return _nothing(procedure, ordered, end, refusal, clues)
    if usual_only:
        rows = tuple(row for row in rows if row.step.code in course)
    missing = dict.fromkeys(code for code in course if code not in found)
    events = find_events(ordered, procedure, telling)
    return Draft(
        procedure.code,
        ordered,
        rows,
        events,
        tuple(procedure.step(code) for code in missing),
        clues,
        telling,
        end,
    )


def _nothing(
    procedure: Procedure,
    cues: tuple[Cue, ...],
    length_ns: int,
    refusal: str,
    clues: tuple[Clue, ...] = (),
) -> Draft:
    return Draft(procedure.code, cues, (), (), (), clues, Telling.LIVE, length_ns, refusal)


def _work_s(clues: Sequence[Clue], cues: Sequence[Cue], end: int) -> float:
    """Give the seconds between the first and the last clue heard."""
    told = [cues[clue.cue].span for clue in clues if clue.heard and clue.weight >= 0.5]
    if not told:
        return end / NS
    return (max(span.end for span in told) - min(span.start for span in told)) / NS


def _rows(
    visits: Sequence[Visit],
    clues: Sequence[Clue],
    telling: Telling,
    cues: Sequence[Cue],
    steps: Sequence[Step],
    lengths: Mapping[str, float],
    nats: np.typing.NDArray[np.float64],
    cell_s: float,
    end: int,
    settings: DraftWeights,
) -> tuple[DraftRow, ...]:
    rows: list[DraftRow] = []
    for visit in visits:
        mass = float(nats[visit.row, visit.first : visit.last].sum())
        if mass < settings.enough:
            continue
        left, right = visit.first * cell_s, visit.last * cell_s
        step = steps[visit.row]
        usual = lengths[step.code]
        own = [
            clue
            for clue in clues
            if clue.step == step.code
            and _inside(clue_reach(clue, telling, cues, usual, settings), left, right)
        ]
        if not own:
            continue
        reaches = [clue_reach(clue, telling, cues, usual, settings) for clue in own]
        left, right = _trimmed(left, right, reaches, usual, telling, settings)
        start, stop = round(left * NS), min(end, round(right * NS))
        if rows:
            start = max(start, rows[-1].span.end)
        if stop - start < NS:
            continue
        other = np.delete(nats[:, visit.first : visit.last], visit.row, axis=0).max(axis=0).sum()
        confidence = mass / (mass + 0.6) * (mass / (mass + 0.35 * float(other)))
        rows.append(
            DraftRow(
                step,
                Span(start, stop),
                round(min(0.99, confidence), 2),
                tuple(sorted({clue.cue for clue in own})),
            )
        )
    return tuple(rows)


def _inside(reach: tuple[float, float], left: float, right: float) -> bool:
    shared = min(reach[1], right) - max(reach[0], left)
    return shared >= 0.4 * min(reach[1] - reach[0], right - left)


def _trimmed(
    left: float,
    right: float,
    reaches: Sequence[tuple[float, float]],
    usual: float,
    telling: Telling,
    settings: DraftWeights,
) -> tuple[float, float]:
    """Move a start that precedes all talk of the step closer to it, and an end likewise."""
    first, last = min(a for a, _ in reaches), max(b for _, b in reaches)
    if telling is Telling.LAGGING:
        return left, right
    moved = max(left, min(first - settings.before_first, right - 2))
    ended = min(right, max(last + settings.after_last, moved + settings.at_least * usual))
    return moved, ended
