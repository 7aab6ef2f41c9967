"""What a draft saves: the corrections it needs, as a share of annotating from scratch."""

from __future__ import annotations

from collections.abc import Sequence

from vidseg.model.clock import NS

Run = tuple[str, int, int]
"""A row as code, start and end (ns)."""

MISSING, EXTRA, BOUNDARY, LABEL = 3, 1, 1, 1
"""Cost of a row to be added, a row to be deleted, an edge to be moved, a label to be changed."""


def corrections(truth: Sequence[Run], drafted: Sequence[Run], tolerance_ns: int = 10 * NS) -> int:
    """Count the fewest corrections that turn the drafted rows into the true ones.

    Rows are paired in order of time; only rows that share time, or have the same label with starts
    within a minute, can be paired. An edge within the tolerance needs no correction.
    """
    a, b = sorted(truth, key=lambda r: r[1:]), sorted(drafted, key=lambda r: r[1:])
    row = [EXTRA * j for j in range(len(b) + 1)]
    for true in a:
        above, row = row, [row[0] + MISSING]
        for j, own in enumerate(b, 1):
            best = min(above[j] + MISSING, row[j - 1] + EXTRA)
            shared = min(true[2], own[2]) > max(true[1], own[1])
            if shared or (true[0] == own[0] and abs(true[1] - own[1]) <= 60 * NS):
                wrong = (
                    BOUNDARY * (abs(true[1] - own[1]) > tolerance_ns)
                    + BOUNDARY * (abs(true[2] - own[2]) > tolerance_ns)
                    + LABEL * (true[0] != own[0])
                )
                best = min(best, above[j - 1] + wrong)
            row.append(best)
    return row[-1]


def effort(truth: Sequence[Run], drafted: Sequence[Run], tolerance_ns: int = 10 * NS) -> float:
    """Give the corrections in percent of annotating from scratch (3 for each true row).

    NaN where there are no true rows.
    """
    if not truth:
        return float("nan")
    return 100 * corrections(truth, drafted, tolerance_ns) / (MISSING * len(truth))
