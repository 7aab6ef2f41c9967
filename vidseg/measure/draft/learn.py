"""Usual lengths of visits learned from one's own annotated cases."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from vidseg.measure.draft.places import usual_length_s
from vidseg.model.clock import NS
from vidseg.model.procedure import Procedure
from vidseg.model.timing import StepTiming

PRIOR_VISITS = 3.0
"""How many visits the vocabulary's own length counts as, against those learned."""


def learned_lengths(
    cases: Iterable[Sequence[StepTiming]], procedure: Procedure
) -> dict[str, float]:
    """Give the usual seconds of one visit by code, for ``draft(usual_s=...)``.

    The geometric mean of the visits whose edges are both seen, drawn towards the vocabulary's
    length where visits are few. Codes that the vocabulary lacks are left out.
    """
    known = {step.code for step in procedure.steps}
    logs: dict[str, list[float]] = {}
    for timings in cases:
        for timing in timings:
            if timing.step.code not in known:
                continue
            for segment in timing.segments:
                if not (segment.open_start or segment.open_end):
                    logs.setdefault(timing.step.code, []).append(math.log(segment.span.length / NS))
    out: dict[str, float] = {}
    for code, found in logs.items():
        prior = math.log(usual_length_s(procedure.step(code), {}))
        out[code] = math.exp((sum(found) + PRIOR_VISITS * prior) / (len(found) + PRIOR_VISITS))
    return out
