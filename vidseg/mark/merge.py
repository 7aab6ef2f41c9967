"""The same file changed by two: rows told apart, and what only one side changed is taken.

Rows in a file have no ids, so rows of a changed file are first paired with the rows it held: those
that are equal, then those that share step and start, step and end, both times, the start, or the
step and the order.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace

from vidseg.mark.rows import MarkRow, Rows

Key = Callable[[MarkRow], Hashable]

ALIKE: tuple[Key, ...] = (
    lambda row: replace(row, id=""),
    lambda row: (row.label, row.start_ns, row.end_ns),
    lambda row: (row.label, row.start_ns),
    lambda row: (row.label, row.end_ns),
    lambda row: (row.start_ns, row.end_ns),
    lambda row: row.start_ns,
    lambda row: row.label,
)
"""How two rows may be alike, the surest first (our choice)."""


Theirs = Mapping[str, MarkRow | None]
"""Rows that both sides changed, each in its own way, as the other has them; None: taken away."""


@dataclass(frozen=True, slots=True)
class Merged:
    """Rows after a merge; where both changed a row it is still mine, and in ``conflicts``."""

    rows: dict[str, MarkRow]
    conflicts: dict[str, MarkRow | None]


def paired(base: Rows, mine: Rows, theirs: Sequence[MarkRow]) -> dict[str, str]:
    """Pair rows of a changed file with those it held before: their id to the id in ``base``.

    Rows that are mine alone are paired with equal ones only.
    """
    pairs: dict[str, str] = {}
    left = list({**mine, **base}.values())
    new = list(theirs)
    for number, key in enumerate(ALIKE):
        if number == 1:
            left = [row for row in left if row.id in base]
        waiting: dict[Hashable, list[MarkRow]] = {}
        for row in left:
            waiting.setdefault(key(row), []).append(row)
        for row in new:
            if found := waiting.get(key(row)):
                pairs[row.id] = found.pop(0).id
        taken = set(pairs.values())
        left = [row for row in left if row.id not in taken]
        new = [row for row in new if row.id not in pairs]
    return pairs


def merged(base: Rows, mine: Rows, theirs: Rows) -> Merged:
    """Merge two sets of changes to ``base``, row by row."""
    rows: dict[str, MarkRow] = {}
    conflicts: dict[str, MarkRow | None] = {}
    for name in dict.fromkeys([*mine, *theirs, *base]):
        was, own, other = (side.get(name) for side in (base, mine, theirs))
        if own != other and was not in (own, other):
            conflicts[name] = other
        kept = other if own == was else own
        if kept is not None:
            rows[name] = kept
    return Merged(rows, conflicts)


def in_file(rows: Rows, conflicts: Theirs) -> dict[str, MarkRow]:
    """Give the rows to write while conflicts are not settled: theirs, so that none is lost."""
    out = dict(rows)
    for name, other in conflicts.items():
        if other is None:
            out.pop(name, None)
        else:
            out[name] = other
    return out
