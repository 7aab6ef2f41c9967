"""How long the rest will take, from what the cases so far took for their size."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

LEAST_CASES = 3
"""With fewer cases done nothing is said."""


@dataclass
class Pace:
    """``weights`` is the size of each case that is still to be done, by case."""

    weights: dict[str, int]
    seconds: list[float] = field(default_factory=list)
    sizes: list[int] = field(default_factory=list)

    def ended(self, case: str, seconds: float, *, worked: bool) -> None:
        """Take a case off; ``worked`` where it took what such a case takes."""
        size = self.weights.pop(case, 0)
        if worked and size:
            self.seconds.append(seconds)
            self.sizes.append(size)

    def left_s(self, places: int) -> tuple[float, float] | None:
        """Give how long the rest may take at least and at most; None where it is not known yet.

        The rate is that of all done (seconds over bytes). The bounds are two standard errors, by
        the usual formula for a ratio of means (W. G. Cochran, Sampling Techniques, 3rd ed.,
        section 6.4) with the spread of the cases to come added, and never narrower than a tenth.
        """
        count = len(self.seconds)
        if count < LEAST_CASES or places < 1:
            return None
        total = sum(self.sizes)
        rate = sum(self.seconds) / total
        spread = sum((s - rate * b) ** 2 for s, b in zip(self.seconds, self.sizes, strict=True))
        to_come = max(1, len(self.weights))
        error = math.sqrt(spread / (count - 1) * (1 / count + 1 / to_come)) / (total / count)
        part = max(0.1 * rate, 2 * error)
        rest = sum(self.weights.values())
        # the last cases leave places empty: never less than the largest one alone
        least = max(self.weights.values(), default=0)
        low, high = (max(rest / places, least) * each for each in (rate - part, rate + part))
        return max(0.0, low), high


def words(seconds: float) -> str:
    """Say a length of time as roughly as it is known."""
    if seconds < 90:
        return f"{max(1, round(seconds))} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    if minutes < 60 * 36:
        return f"{minutes // 60} h {minutes % 60 // 10 * 10:02d} min"
    return f"{round(minutes / 60)} h"


def span_words(left: tuple[float, float] | None) -> str:
    """Say a range of time."""
    if left is None:
        return "not known yet"
    low, high = map(words, left)
    return low if low == high else f"{low} to {high}"
