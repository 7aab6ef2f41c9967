"""Usual lengths of visits learned from one's own annotated cases."""

from __future__ import annotations

import math
from collections.abc import Iterable

from vidseg.measure.draft.places import usual_length_s
from vidseg.model.procedure import Procedure

PRIOR_VISITS = 3.0
"""How many visits the vocabulary's own length counts as, against those learned."""


def learned_lengths(visits: Iterable[tuple[str, float]], procedure: Procedure) -> dict[str, float]:
    """Give the usual seconds of one visit by code, for ``draft(usual_s=...)``.

    ``visits`` are (code, seconds) of visits whose edges are both seen. The geometric mean, drawn
    towards the vocabulary's length where visits are few. Codes that the vocabulary lacks are
    left out.
    """
    known = {step.code for step in procedure.steps}
    logs: dict[str, list[float]] = {}
    for code, length_s in visits:
        if code in known and length_s > 0:
            logs.setdefault(code, []).append(math.log(length_s))
    out: dict[str, float] = {}
    for code, found in logs.items():
        prior = math.log(usual_length_s(procedure.step(code), {}))
        out[code] = math.exp((sum(found) + PRIOR_VISITS * prior) / (len(found) + PRIOR_VISITS))
    return out
