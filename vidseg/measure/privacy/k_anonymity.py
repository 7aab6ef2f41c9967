"""How many cases share the values told of one: the smaller the group, the more it singles out.

A table in which every row shares its values with at least k - 1 others is k-anonymous (Samarati &
Sweeney, SRI-CSL-98-04, 1998; Sweeney, Int J Uncertain Fuzz 2002;10:557-570). A large group is no
promise: who knows one of its members may still learn something.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

Values = Mapping[str, str]
"""Covariates of one case as (name, value)."""

OLDEST = 89
"""Ages above are told as "90 or older", 45 CFR 164.514(b)(2)(i)(C)."""
_AGE = re.compile(r"(?:.*[_ -])?age(?:[_ -].*)?", re.IGNORECASE)
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class Group:
    """Cases that share the values of ``names``, the case itself counted: ``size`` is 1 or more."""

    names: tuple[str, ...]
    size: int


def group_sizes(own: Values, others: Sequence[Values]) -> tuple[Group, ...]:
    """Give the group of ``own`` among ``others`` (own not among them) by each value told, and at
    last by all together; empty where nothing is told.

    A value that another case does not tell counts as a value of its own.
    """
    names = tuple(own)
    wanted = [(name,) for name in names] + ([names] if len(names) > 1 else [])
    return tuple(
        Group(some, 1 + sum(_key(row, some) == _key(own, some) for row in others))
        for some in wanted
    )


def is_number(value: str) -> bool:
    """Say whether a covariate's value is a number, so that it can be told as a range."""
    return _NUMBER.fullmatch(value.strip()) is not None


def coarse(name: str, value: str, width: Decimal | None) -> str:
    """Give a number as the range of ``width`` it lies in (``"60-69"``, ``"4.5 to under 5"``).

    Ranges start at multiples of the width. An age over 89 becomes "90 or older", also without a
    width (None). Text comes back as it is. Raises ValueError for a width that is not above 0.
    """
    if width is not None and width <= 0:
        raise ValueError(f"a range must be wider than 0, not {width}")
    if not is_number(value):
        return value
    number = Decimal(value.strip())
    if _AGE.fullmatch(name) and number > OLDEST:
        return "90 or older"
    if width is None:
        return value
    start = (number // width) * width
    if start > number:
        start -= width
    end = start + width
    if all(part == part.to_integral_value() for part in (number, width)):
        return f"{int(start)}-{int(end) - 1}" if width > 1 else str(int(start))
    return f"{start.normalize():f} to under {end.normalize():f}"


def _key(row: Values, names: Sequence[str]) -> tuple[str | None, ...]:
    return tuple(_same(row[name]) if name in row else None for name in names)


def _same(value: str) -> str:
    """Write numbers that are equal alike: 4.50 and 4.5."""
    text = value.strip()
    return f"{Decimal(text).normalize():f}" if is_number(text) else text
