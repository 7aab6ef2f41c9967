"""Two sequences of runs compared: order (edit score), overlap (F1), boundaries.

Edit score and F1 at an overlap follow Lea et al. (CVPR 2017) as published with MS-TCN (Farha and
Gall, CVPR 2019), here exact on intervals, without sampling frames. The first timeline is taken
as the reference.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from vidseg.measure.agreement.timeline import NO_STEP, Timeline

NAN = float("nan")


def edit_score(first: Sequence[str], second: Sequence[str]) -> float:
    """Give 100 (1 - edits / longer length): 100 for the same order of steps, 0 for nothing alike.

    Edits are insertions, deletions and replacements (Levenshtein). NaN where both are empty.
    """
    if not first and not second:
        return NAN
    row = list(range(len(second) + 1))
    for i, a in enumerate(first, 1):
        above, row[0] = row[0], i
        for j, b in enumerate(second, 1):
            above, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, above + (a != b))
    return 100 * (1 - row[-1] / max(len(first), len(second)))


@dataclass(frozen=True, slots=True)
class Hits:
    """Runs found, found without counterpart, and missed, at one overlap."""

    true_positive: int
    false_positive: int
    false_negative: int

    def __add__(self, other: Hits) -> Hits:
        return Hits(
            self.true_positive + other.true_positive,
            self.false_positive + other.false_positive,
            self.false_negative + other.false_negative,
        )

    @property
    def f1(self) -> float:
        """F1 in percent; NaN where neither side has a run."""
        all_runs = 2 * self.true_positive + self.false_positive + self.false_negative
        return 200 * self.true_positive / all_runs if all_runs else NAN


def hits(
    reference: Timeline, found: Timeline, percent: int, leave_out: Sequence[str] = (NO_STEP,)
) -> Hits:
    """Count the runs of ``found`` that meet one of ``reference``.

    Each run of ``found``, in order of time, takes the reference run of its label with the largest
    intersection over hull; it hits if that is ``percent`` at least and the reference run is not
    yet taken by an earlier one.
    """
    truths = reference.runs(leave_out)
    taken = [False] * len(truths)
    hit = 0
    runs = found.runs(leave_out)
    for label, start, end in runs:
        best, best_shared, best_hull = -1, 0, 1
        for place, (true_label, true_start, true_end) in enumerate(truths):
            shared = min(end, true_end) - max(start, true_start)
            if true_label != label or shared <= 0:
                continue
            hull = max(end, true_end) - min(start, true_start)
            if shared * best_hull > best_shared * hull:
                best, best_shared, best_hull = place, shared, hull
        if best >= 0 and best_shared * 100 >= percent * best_hull and not taken[best]:
            taken[best] = True
            hit += 1
    return Hits(hit, len(runs) - hit, len(truths) - hit)


def matched(first: Iterable[int], second: Iterable[int], tolerance: int) -> int:
    """Count the largest one-to-one pairing of moments that lie ``tolerance`` apart at most."""
    a, b = sorted(first), sorted(second)
    i = j = pairs = 0
    while i < len(a) and j < len(b):
        if abs(a[i] - b[j]) <= tolerance:
            pairs += 1
            i += 1
            j += 1
        elif a[i] < b[j]:
            i += 1
        else:
            j += 1
    return pairs


@dataclass(frozen=True, slots=True)
class Boundaries:
    """Starts and ends of runs that agree to a tolerance (ns), step by step, one to one."""

    tolerance_ns: int
    matched: int
    first: int
    second: int

    def __add__(self, other: Boundaries) -> Boundaries:
        if other.tolerance_ns != self.tolerance_ns:
            raise ValueError("boundaries at different tolerances cannot be pooled")
        return Boundaries(
            self.tolerance_ns,
            self.matched + other.matched,
            self.first + other.first,
            self.second + other.second,
        )

    @property
    def agreement(self) -> float:
        """Matched boundaries as a part (0 to 1) of all: 2 matched / (first + second)."""
        total = self.first + self.second
        return 2 * self.matched / total if total else NAN


def boundaries(
    first: Timeline, second: Timeline, tolerance_ns: int, leave_out: Sequence[str] = (NO_STEP,)
) -> Boundaries:
    """Pair the starts, and the ends, of runs of the same label within a tolerance (inclusive)."""
    a, b = first.runs(leave_out), second.runs(leave_out)
    pairs = 0
    for label in {run[0] for run in a} & {run[0] for run in b}:
        for edge in (1, 2):
            pairs += matched(
                (int(run[edge]) for run in a if run[0] == label),
                (int(run[edge]) for run in b if run[0] == label),
                tolerance_ns,
            )
    return Boundaries(tolerance_ns, pairs, 2 * len(a), 2 * len(b))
