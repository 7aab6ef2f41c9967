"""A draft annotation from a narration: rows with evidence and confidence, never a verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidseg.measure.draft.events import DraftEvent, find_events
from vidseg.measure.draft.evidence import Clue, Telling
from vidseg.measure.draft.learn import PRIOR_VISITS
from vidseg.measure.draft.order import best_path
from vidseg.measure.draft.places import (
    course_of,
    drafted_steps,
    slots_and_asides,
    stretched,
    usual_length_s,
)
from vidseg.measure.draft.reader import Learned, learned, over_gap
from vidseg.measure.draft.refusal import refuse, warnings
from vidseg.measure.draft.rows import DraftRow, rows_of
from vidseg.measure.draft.settings import DraftWeights
from vidseg.measure.draft.understanding import Understood, understand
from vidseg.measure.draft.utterances import Utterance, merged, utterances
from vidseg.model.annotation import Cue
from vidseg.model.clock import NS
from vidseg.model.procedure import Procedure, Step
from vidseg.model.span import Span

MOST_CELLS = 1500
"""Longer recordings are reckoned in cells of more than ``CELL_S``."""
CELL_S = 2.0


@dataclass(frozen=True, slots=True)
class Draft:
    """What a narration gives. ``refusal`` says why there are no rows, where there are none.

    ``missing`` are steps of the usual course that have no row. ``warnings`` hold for the draft as
    a whole. ``suggested`` are events that the words hardly bear. ``cues`` are in order of time;
    numbers in rows, clues and events count in them.
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
    warnings: tuple[str, ...] = ()
    suggested: tuple[DraftEvent, ...] = ()


def draft(
    cues: Sequence[Cue],
    procedure: Procedure,
    length_ns: int | None = None,
    usual_s: Mapping[str, float] | None = None,
    settings: DraftWeights | None = None,
    usual_only: bool = False,
    spoken_only: bool = False,
    weights: Learned | None = None,
) -> Draft:
    """Draft the steps of an operation from its timed captions.

    ``length_ns`` is the recording's length (else the captions' end); ``usual_s`` gives lengths of
    visits learned from own cases, by code, in place of the vocabulary's; ``usual_only`` leaves
    out steps beside the vocabulary's usual course (draping, cautery …), ``spoken_only`` rows
    that rest on the usual course alone. Rows come in order of time and do not overlap.
    """
    settings = settings or DraftWeights()
    weights = weights or learned()
    ordered = tuple(sorted(cues, key=lambda cue: (cue.span.start, cue.span.end)))
    end = max([length_ns or 0, *(cue.span.end for cue in ordered if length_ns is None)])
    if length_ns is not None:
        ordered = tuple(cue for cue in ordered if cue.span.start < length_ns)
    spoken = utterances(merged(ordered))
    if not spoken or end <= 0:
        return _nothing(procedure, ordered, end, "nothing recognised: the captions hold no speech")
    told, course, rows = rows_drafted(spoken, procedure, end, usual_s or {}, settings, weights)
    refusal = refuse(told.clues, spoken, procedure.code)
    if refusal:
        return _nothing(procedure, ordered, end, refusal)
    if usual_only:
        rows = tuple(row for row in rows if row.step.code in course)
    if spoken_only:
        rows = tuple(row for row in rows if row.cues)
    found = [row.step.code for row in rows]
    sure, suggested = find_events(spoken, procedure, told.telling)
    return Draft(
        procedure.code,
        ordered,
        tuple(replace(row, cues=_captions(row.cues, spoken)) for row in rows),
        tuple(replace(event, cue=spoken[event.cue].cue) for event in sure),
        tuple(procedure.step(code) for code in dict.fromkeys(course) if code not in found),
        tuple(replace(clue, cue=spoken[clue.cue].cue) for clue in told.clues),
        told.telling,
        end,
        warnings=warnings(
            told.clues, spoken, procedure, course, [(r.step.code, bool(r.cues)) for r in rows]
        ),
        suggested=tuple(replace(event, cue=spoken[event.cue].cue) for event in suggested),
    )


def rows_drafted(
    spoken: Sequence[Utterance],
    procedure: Procedure,
    end: int,
    usual_s: Mapping[str, float],
    settings: DraftWeights,
    weights: Learned,
) -> tuple[Understood, tuple[str, ...], tuple[DraftRow, ...]]:
    """Understand what was said and draft rows; their ``cues`` are numbers of utterances."""
    steps, course = drafted_steps(procedure), course_of(procedure)
    usual = usual_lengths(steps, weights, usual_s)
    # A film in quick motion, or cut to a tenth, is reckoned as slowly as an operation goes.
    slower = _slower(spoken, usual, course, settings)
    said = [one.slowed(slower) for one in spoken]
    end_s = end / NS * slower
    cell_s = max(CELL_S, float(np.ceil(end_s / MOST_CELLS)))
    told = understand(said, steps, course, usual, end_s, cell_s, settings, weights)
    lengths = stretched(procedure, usual, _work_s(told, said, end_s), settings)
    words = over_gap(told.running, told.share, settings.share, settings.most)
    usually = np.array([step.code in course for step in steps])[:, None]
    # Steps beside the course are rare: few speakers taught them, so that the vocabulary's own
    # terms count fully, and what was learned never speaks against them.
    words = np.where(usually, words, np.maximum(words, 0.0))
    weigh = np.where(usually, settings.clues, settings.beside_clues)
    nats = settings.learned * cell_s * words
    nats += weigh * told.spread_out(said, lengths, cell_s, settings)
    slots, asides = slots_and_asides(procedure, steps, nats, lengths, settings)
    visits = best_path(nats, slots, asides, cell_s, settings)
    rows = rows_of(visits, told, said, steps, course, nats, cell_s, weights)
    real = [replace(row, span=_faster(row.span, slower, end)) for row in rows]
    return told, course, tuple(row for row in real if row.span.length > 0)


def _slower(
    spoken: Sequence[Utterance],
    usual: Mapping[str, float],
    course: Sequence[str],
    settings: DraftWeights,
) -> float:
    """Give how many times slower than shown the operation must have gone, 1 where it may fit."""
    shown = spoken[-1].end_s - spoken[0].start_s
    expected = sum(usual[code] + settings.pause for code in course)
    return max(1.0, settings.quickest * expected / max(1.0, shown))


def _faster(span: Span, slower: float, end: int) -> Span:
    start = min(end, round(span.start / slower))
    return Span(start, max(start, min(end, round(span.end / slower))))


def usual_lengths(
    steps: Sequence[Step], weights: Learned, own: Mapping[str, float]
) -> dict[str, float]:
    """Give the usual seconds of a visit by code: from own cases, else counted and usual ones."""
    found: dict[str, float] = {}
    for step in steps:
        prior = usual_length_s(step, own)
        counted, visits = weights.lengths.get(step.code, (prior, 0))
        if step.code in own or not visits:
            found[step.code] = prior
        else:
            logs = visits * math.log(counted) + PRIOR_VISITS * math.log(prior)
            found[step.code] = math.exp(logs / (visits + PRIOR_VISITS))
    return found


def _nothing(procedure: Procedure, cues: tuple[Cue, ...], length_ns: int, refusal: str) -> Draft:
    return Draft(procedure.code, cues, (), (), (), (), Telling.LIVE, length_ns, refusal)


def _captions(numbers: Sequence[int], spoken: Sequence[Utterance]) -> tuple[int, ...]:
    return tuple(sorted({spoken[number].cue for number in numbers}))


def _work_s(told: Understood, spoken: Sequence[Utterance], end_s: float) -> float:
    """Give the seconds between the first and the last clue heard."""
    said = [spoken[clue.cue] for clue in told.clues if clue.heard and clue.weight >= 0.5]
    if not said:
        return end_s
    return max(one.end_s for one in said) - min(one.start_s for one in said)
