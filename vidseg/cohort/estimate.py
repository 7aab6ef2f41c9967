"""A number with its interval, or the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Estimate:
    """``value`` between ``low`` and ``high``, from ``n`` cases; NaN where ``reason`` is given."""

    value: float
    low: float
    high: float
    n: int
    reason: str = ""

    @classmethod
    def none(cls, n: int, reason: str) -> Estimate:
        """Say that there is no number, and why."""
        return cls(NAN, NAN, NAN, n, reason)


def too_few(n: int, needed: int, what: str = "cases") -> str:
    """Give the sentence for ``n`` below ``needed``, or an empty text."""
    return f"too few: {n} {what}, {needed} needed" if n < needed else ""
