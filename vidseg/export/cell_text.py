"""One cell of a table of figures as a person reads it."""

from __future__ import annotations

import math
from typing import Any


def cell_text(value: Any) -> str:
    """Write a cell: numbers with two decimals, small ones with three digits, nothing for NaN."""
    if isinstance(value, bool):
        return "yes" if value else ""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, float):
        if math.isinf(value):
            return "not reached"
        if abs(value) >= 1e7:
            return f"{value:.3g}"
        return f"{value:.2f}" if abs(value) >= 0.1 or value == 0 else f"{value:.3g}"
    return str(value)
