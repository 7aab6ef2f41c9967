"""Rows as the page shows them, and changes to them. Pure: no file, no clock, no server.

A change says what a row was and what it becomes, so that it can be refused where the row is no
longer what its author saw, undone by turning it round, and made twice without harm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

LARGEST_NS = 2**53 - 1
"""Above this a JSON number of a browser is no longer exact (ECMA-262, Number.MAX_SAFE_INTEGER)."""
LONGEST_ID = 200

Rows = Mapping[str, "MarkRow"]
"""Rows by id."""


@dataclass(frozen=True, slots=True)
class MarkRow:
    """One row of the annotation. Times in ns, case time.

    ``label`` is the step's code where the vocabulary has it, else as written. ``start_ns`` is None
    where the written start cannot be placed, ``end_ns`` where there is no end: a point event, or
    a step that is running. ``open_start``, ``open_end``: the recording does not show that edge.
    ``draft``: proposed by a draft and not yet confirmed.
    """

    id: str
    label: str
    start_ns: int | None
    end_ns: int | None = None
    open_start: bool = False
    open_end: bool = False
    note: str = ""
    attributes: tuple[tuple[str, str], ...] = ()
    draft: bool = False


@dataclass(frozen=True, slots=True)
class Change:
    """A row becomes another: ``before`` None is a row added, ``after`` None one taken away."""

    before: MarkRow | None
    after: MarkRow | None

    def __post_init__(self) -> None:
        if self.before is None and self.after is None:
            raise ValueError("a change names no row")
        if self.before is not None and self.after is not None and self.before.id != self.after.id:
            raise ValueError("a change keeps the id of its row")

    @property
    def id(self) -> str:
        """The row concerned."""
        row = self.before or self.after
        assert row is not None
        return row.id


@dataclass(frozen=True, slots=True)
class Batch:
    """Changes that are made together or not at all; ``client`` says who made them."""

    id: str
    client: str
    changes: tuple[Change, ...]


class Stale(Exception):  # noqa: N818 - an outcome that the page mends, not an error of its own
    """A row is not what a change supposes."""


def changed(rows: Rows, changes: Sequence[Change]) -> dict[str, MarkRow]:
    """Give the rows after the changes. Raises Stale, and then nothing is changed."""
    out = dict(rows)
    for change in changes:
        if out.get(change.id) != change.before:
            raise Stale(change.id)
        if change.after is None:
            del out[change.id]
        else:
            out[change.id] = change.after
    return out


def in_order(rows: Rows) -> list[MarkRow]:
    """Give the rows by start, the longer first; those that cannot be placed come last."""

    def place(row: MarkRow) -> tuple[bool, int, int]:
        end = LARGEST_NS if row.end_ns is None else row.end_ns
        return row.start_ns is None, row.start_ns or 0, -end

    return sorted(rows.values(), key=place)


def difference(old: Rows, new: Rows) -> tuple[Change, ...]:
    """Give the changes that lead from ``old`` to ``new``."""
    ids = dict.fromkeys([*old, *new])
    return tuple(Change(old.get(i), new.get(i)) for i in ids if old.get(i) != new.get(i))


def row_json(row: MarkRow | None) -> dict[str, Any] | None:
    """Give a row as JSON data."""
    if row is None:
        return None
    return {
        "id": row.id,
        "label": row.label,
        "start_ns": row.start_ns,
        "end_ns": row.end_ns,
        "open_start": row.open_start,
        "open_end": row.open_end,
        "note": row.note,
        "attributes": [list(pair) for pair in row.attributes],
        "draft": row.draft,
    }


def batch_json(batch: Batch) -> dict[str, Any]:
    """Give a batch as JSON data."""
    return {"id": batch.id, "client": batch.client, "changes": changes_json(batch.changes)}


def changes_json(changes: Sequence[Change]) -> list[dict[str, Any]]:
    """Give changes as JSON data."""
    return [{"before": row_json(c.before), "after": row_json(c.after)} for c in changes]


def batch_from(data: object, client: object) -> Batch:
    """Read a batch from JSON data. Raises ValueError that says what is wrong."""
    table = _table(data, "batch")
    changes = table.get("changes")
    if not isinstance(changes, list):
        raise ValueError("a batch has a list of changes")
    read = [_table(item, "change") for item in changes]
    return Batch(
        _text(table, "id", LONGEST_ID),
        _text({"client": client}, "client", LONGEST_ID),
        tuple(Change(row_from(one.get("before")), row_from(one.get("after"))) for one in read),
    )


def row_from(data: object) -> MarkRow | None:
    """Read a row from JSON data; None for null. Raises ValueError that says what is wrong.

    Keys that say what follows from the others (``running``, ``why``) are passed over.
    """
    if data is None:
        return None
    table = _table(data, "row")
    label, note = _text(table, "label"), _text(table, "note", empty=True)
    attributes = table.get("attributes", [])
    if not isinstance(attributes, list):
        raise ValueError("attributes must be a list of pairs of texts")
    pairs: list[tuple[str, str]] = []
    for pair in attributes:
        if not (isinstance(pair, list) and len(pair) == 2):
            raise ValueError("attributes must be a list of pairs of texts")
        texts = {"name": pair[0], "value": pair[1]}
        pairs.append((_text(texts, "name"), _text(texts, "value", empty=True)))
    return MarkRow(
        _text(table, "id", LONGEST_ID),
        label,
        _time(table, "start_ns"),
        _time(table, "end_ns"),
        _flag(table, "open_start"),
        _flag(table, "open_end"),
        note,
        tuple(pairs),
        _flag(table, "draft"),
    )


def _table(data: object, what: str) -> dict[str, Any]:
    if not isinstance(data, dict):
        raise ValueError(f"a {what} must be a JSON object")
    return data


def _text(table: Mapping[str, Any], name: str, most: int = 100_000, *, empty: bool = False) -> str:
    value = table.get(name, "" if empty else None)
    if not isinstance(value, str) or len(value) > most or not (empty or value.strip()):
        raise ValueError(f"{name} must be text{'' if empty else ', not empty'}")
    if any("\ud800" <= character <= "\udfff" for character in value):
        raise ValueError(f"{name} holds half a character, which no file can hold")
    return value


def _time(table: Mapping[str, Any], name: str) -> int | None:
    value = table.get(name)
    if value is None:
        return None
    if type(value) is not int or not 0 <= value <= LARGEST_NS:
        raise ValueError(f"{name} must be whole nanoseconds from 0, or null")
    return value


def _flag(table: Mapping[str, Any], name: str) -> bool:
    value = table.get(name, False)
    if not isinstance(value, bool):
        raise ValueError(f"{name} must be true or false")
    return value
