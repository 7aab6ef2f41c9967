"""Rows of one level that run at the same time although the vocabulary says one at a time."""

from __future__ import annotations

import heapq
from collections.abc import Sequence

from vidseg.model.annotation import Segment
from vidseg.model.procedure import Step

MOST_TOLD = 1_000
"""Pairs told one by one. N rows on top of one another make N²/2 of them."""


def forbidden_pairs(rows: Sequence[Segment]) -> tuple[list[tuple[Segment, Segment]], int]:
    """Give the pairs (earlier, later) of ``rows`` (in order of start) that may not overlap.

    In order of the earlier row, ``MOST_TOLD`` at most; beside them, how many more there are.
    """
    told: list[tuple[int, int]] = []
    untold = 0
    steps: dict[str, Step] = {}
    running: dict[str, dict[int, None]] = {}
    ends: list[tuple[int, int]] = []
    for place, row in enumerate(rows):
        while ends and ends[0][0] <= row.span.start:
            ended = heapq.heappop(ends)[1]
            code = rows[ended].step.code
            del running[code][ended]
            if not running[code]:
                del running[code]
        for code, places in running.items():
            if not _may_overlap(steps[code], row.step):
                fitting = max(0, min(len(places), MOST_TOLD - len(told)))
                told += [(before, place) for before, _ in zip(places, range(fitting), strict=False)]
                untold += len(places) - fitting
        steps[row.step.code] = row.step
        running.setdefault(row.step.code, {})[place] = None
        heapq.heappush(ends, (row.span.end, place))
    return [(rows[before], rows[after]) for before, after in sorted(told)], untold


def _may_overlap(one: Step, other: Step) -> bool:
    return other.code in one.overlaps or one.code in other.overlaps
