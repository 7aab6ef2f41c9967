"""When captions are no narration of this operation: said plainly, and no timeline made up."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from itertools import combinations

from vidseg.measure.draft.evidence import Clue
from vidseg.model.annotation import Cue

HEARD = 0.9
"""Nats from which a step counts as spoken of."""
SHARE = 0.3
"""Share of the usual course that must be spoken of, four steps at least."""
IN_ORDER = 0.6
"""Share of pairs of clues that must stand in the course's order; by chance it is a half."""
IN_ORDER_AND_PLACED = 1.28
"""That share plus the share of the clues' weight that found a place in the draft."""
SEVERAL = 2.0
"""Visits to each step from which, out of order, the captions are taken for several operations."""
PLAIN = 1.4
"""How much heavier the first of several steps of a caption must be for it to count there."""


def wanted(course: Sequence[str]) -> int:
    """Give how many steps of a course must be spoken of before a draft is made."""
    steps = len(set(course))
    return min(max(4, math.ceil(SHARE * steps)), max(1, steps // 2 + 1))


def refuse(clues: Sequence[Clue], course: Sequence[str], cues: Sequence[Cue], code: str) -> str:
    """Say why these captions are no narration of this operation; "" where they may be one."""
    weight: dict[str, float] = {}
    for clue in clues:
        if clue.heard:
            weight[clue.step] = max(weight.get(clue.step, 0.0), clue.weight)
    if not any(value >= HEARD for value in weight.values()):
        return f"nothing recognised: no term of {code} in {len(cues)} captions"
    told = {step for step, value in weight.items() if value >= HEARD}
    if few := refuse_rows(told, course, code):
        return few
    return ""


def refuse_order(
    clues: Sequence[Clue],
    course: Sequence[str],
    cues: Sequence[Cue],
    supported: Collection[tuple[int, str]],
    visits: int,
    code: str,
) -> str:
    """Say that the terms stand in no order of the operation; "" where they may.

    ``supported``: the captions and steps (by number and code) that found a place in the draft,
    which has ``visits`` rows.
    """
    share = in_order(clues, course, cues)
    if share is None:
        return ""
    best: dict[int, float] = {}
    used: dict[int, float] = {}
    for clue in clues:
        if clue.heard:
            best[clue.cue] = max(best.get(clue.cue, 0.0), clue.weight)
            if (clue.cue, clue.step) in supported:
                used[clue.cue] = max(used.get(clue.cue, 0.0), clue.weight)
    placed = sum(used.values()) / sum(best.values())
    again = visits > SEVERAL * max(1, len({step for _, step in supported}))
    if share + placed >= IN_ORDER_AND_PLACED and not (again and share < IN_ORDER):
        return ""
    return (
        f"terms of {code} are there, but in no order that the operation could have: captions "
        "shuffled, or of several operations"
    )


def refuse_rows(told: Collection[str], course: Sequence[str], code: str) -> str:
    """Say that too few steps of the course are among ``told``; "" where there are enough."""
    steps = set(course)
    found = len(steps & set(told))
    if found >= wanted(course):
        return ""
    return f"this does not look like {code}: {found} of {len(steps)} steps recognised"


def in_order(clues: Sequence[Clue], course: Sequence[str], cues: Sequence[Cue]) -> float | None:
    """Give the share, by weight, of pairs of strong clues that stand in the course's order.

    Only steps that the course holds once count, and captions that speak plainly for one. None
    where there are fewer than twenty pairs.
    """
    place = {code: course.index(code) for code in course if course.count(code) == 1}
    by_cue: dict[int, list[Clue]] = {}
    for clue in clues:
        if clue.heard:
            by_cue.setdefault(clue.cue, []).append(clue)
    told: list[tuple[int, float]] = []
    for cue in sorted(by_cue, key=lambda cue: cues[cue].span.start):
        best, *others = sorted(by_cue[cue], key=lambda clue: -clue.weight)
        plain = not others or best.weight > PLAIN * others[0].weight
        if plain and best.weight >= HEARD and best.step in place:
            told.append((place[best.step], best.weight))
    pairs = [(a, b) for a, b in combinations(told, 2) if a[0] != b[0]]
    if len(pairs) < 20:
        return None
    total = sum(min(a[1], b[1]) for a, b in pairs)
    return sum(min(a[1], b[1]) for a, b in pairs if a[0] < b[0]) / total
