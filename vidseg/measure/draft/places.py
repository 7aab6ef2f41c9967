"""The vocabulary's usual course made into places of the sequence model."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from vidseg.measure.draft.order import Aside, Matrix, Slot
from vidseg.measure.draft.settings import DraftWeights
from vidseg.model.clock import NS
from vidseg.model.procedure import Kind, Procedure, Step

USUAL_S = 40.0
"""Length of a visit where neither the vocabulary nor own cases tell (common practice)."""


def drafted_steps(procedure: Procedure) -> tuple[Step, ...]:
    """Give the labels that a draft uses: those of the course's level, else of the main one.

    The main level is the one with most required labels, steps where that does not tell.
    """
    if procedure.course:
        kinds = {procedure.step(code).kind for code in procedure.course}
    else:
        counts = {
            kind: sum(step.required for step in procedure.steps if step.kind is kind)
            for kind in (Kind.STEP, Kind.PHASE)
            if any(step.kind is kind for step in procedure.steps)
        }
        kinds = {max(counts, key=lambda kind: counts[kind])} if counts else set()
    return tuple(step for step in procedure.steps if step.kind in kinds)


def course_of(procedure: Procedure) -> tuple[str, ...]:
    """Give the usual course as codes; without one in the vocabulary, its steps in their order."""
    return procedure.course or tuple(step.code for step in drafted_steps(procedure))


def usual_length_s(step: Step, learned: Mapping[str, float]) -> float:
    """Give the usual seconds of a visit: learned, else the vocabulary's, else from its bounds."""
    if step.code in learned:
        return max(1.0, learned[step.code])
    if step.usual_ns is not None:
        return max(1.0, step.usual_ns / NS)
    if step.shortest_ns and step.longest_ns:
        return max(1.0, math.sqrt(step.shortest_ns * step.longest_ns) / NS)
    return USUAL_S if step.longest_ns is None else min(USUAL_S, step.longest_ns / NS / 4)


def stretched(
    procedure: Procedure, usual_s: Mapping[str, float], work_s: float, settings: DraftWeights
) -> dict[str, float]:
    """Stretch the usual seconds of a visit, by code, towards ``work_s``, the whole work."""
    expected = sum(usual_s[code] + settings.pause for code in course_of(procedure))
    stretch = float(np.clip(work_s / expected, 0.2, 1.8)) ** settings.stretch
    return {code: length * stretch for code, length in usual_s.items()}


def slots_and_asides(
    procedure: Procedure,
    steps: Sequence[Step],
    nats: Matrix,
    lengths: Mapping[str, float],
    settings: DraftWeights,
) -> tuple[list[Slot], list[Aside]]:
    """Build the places of the course and the visits beside it; ``lengths`` are usual seconds."""
    course = course_of(procedure)
    row = {step.code: number for number, step in enumerate(steps)}
    by_code = {step.code: step for step in steps}
    slots = []
    for code in course:
        step, usual = by_code[code], lengths[code]
        cost = settings.skip if step.required else settings.skip_optional
        slots.append(Slot(row[code], usual, _longest(step, usual), cost, settings.spread))
    asides = []
    for step in steps:
        # Nothing said of a step: no visit to it beside the course.
        if np.maximum(nats[row[step.code]], 0.0).sum() < settings.enough:
            continue
        usual = lengths[step.code] * (settings.again_length if step.code in course else 1.0)
        costs = tuple(
            _aside_cost(step, place, course, by_code, settings) for place in range(len(course) + 1)
        )
        asides.append(
            Aside(row[step.code], usual, _longest(step, usual), costs, settings.spread * 1.3)
        )
    return slots, asides


def _longest(step: Step, usual: float) -> float:
    bound = 4.5 * usual
    return min(bound, step.longest_ns / NS) if step.longest_ns else bound


def _aside_cost(
    step: Step,
    place: int,
    course: Sequence[str],
    by_code: Mapping[str, Step],
    settings: DraftWeights,
) -> float:
    """Give the cost of a visit beside the course when ``place`` places have been passed."""
    passed = set(course[:place])
    cost = settings.again if step.code in course else settings.beside
    if step.code in course and step.code not in passed:
        cost = settings.early
    elif step.code in passed and not step.repeats:
        cost += 2.0
    unmet = [code for code in step.after if code in course and code not in passed]
    return cost + 2.0 * len(unmet)
