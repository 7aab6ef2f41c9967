"""A column of a table: what it is called, means and is measured in, said once for every output.

The file, its data dictionary, the page and the screen are all made from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

_UNITS = {"_s": "s", "_px": "px", "_hz": "Hz"}
"""What the end of a name says of the unit, in the whole program."""


@dataclass(frozen=True, slots=True)
class Column:
    """``name`` in files, ``meaning`` in the data dictionary, ``heading`` on page and screen.

    ``unit`` is that of the values, empty where they have none. The end of a
    name tells it (``_s``: seconds), and without a ``heading`` the name itself serves.
    """

    name: str
    meaning: str
    heading: str = ""
    unit: str = ""

    def __post_init__(self) -> None:
        if not self.heading:
            object.__setattr__(self, "heading", self.name.replace("_", " "))
        if not self.unit:
            unit = next((unit for end, unit in _UNITS.items() if self.name.endswith(end)), "")
            object.__setattr__(self, "unit", unit)


Columns = Mapping[str, Column]
"""The columns of a table by name, in their order."""


def columns(*each: Column) -> dict[str, Column]:
    """Give columns by name."""
    return {column.name: column for column in each}


def column_of(name: str, known: Columns) -> Column:
    """Give the column of that name.

    ``x_low`` and ``x_high`` (``x_low_s`` and ``x_high_s``) are the ends of the interval of ``x``
    (``x_s``); any other unknown column is a covariate.
    """
    if name in known:
        return known[name]
    for mark, end, heading in (("_low", "lower", "from"), ("_high", "upper", "to")):
        plain = name.replace(mark, "", 1)
        if mark in name and plain in known:
            of = known[plain]
            return Column(name, f"{end} end of the interval of {plain}", heading, of.unit)
    return Column(name, "covariate, as the user named it")


def picked(known: Columns, *names: str) -> tuple[Column, ...]:
    """Give some columns in the order wanted, the ends of intervals among them."""
    return tuple(column_of(name, known) for name in names)
