"""What a journal's lines mean: rows, what the file held, and questions still open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from vidseg.mark.journal import VERSION
from vidseg.mark.merge import Theirs, in_file
from vidseg.mark.rows import (
    Batch,
    MarkRow,
    Rows,
    Stale,
    batch_from,
    batch_json,
    changed,
    row_from,
    row_json,
)
from vidseg.mark.sheet_rows import Origin, Origins, adopted, origin_from, origin_json
from vidseg.model.problem import UsageError


@dataclass(frozen=True, slots=True)
class Address:
    """Where a session is served: a port of this machine, and the secret in its path."""

    port: int
    token: str


@dataclass(slots=True)
class Replayed:
    """A session as its journal tells it. ``known`` has the rows of every file it wrote or read;
    ``address`` is where it was served."""

    rows: dict[str, MarkRow]
    base: dict[str, MarkRow]
    origins: Origins
    known: dict[str | None, dict[str, MarkRow]]
    batches: list[Batch] = field(default_factory=list)
    conflicts: dict[str, MarkRow | None] = field(default_factory=dict)
    address: Address | None = None


def start_line(rows: Rows, origins: Origins, digest: str | None) -> dict[str, Any]:
    """Give the first line: what the file held when the session began."""
    return {"kind": "start", "version": VERSION, "digest": digest, **_file_json(rows, origins)}


def outside_line(
    batch: Batch,
    theirs: Rows,
    origins: Origins,
    digest: str,
    conflicts: Theirs,
) -> dict[str, Any]:
    """Give the line of a file that another program changed, and what came of it."""
    return {
        "kind": "outside",
        "digest": digest,
        **_file_json(theirs, origins),
        **batch_json(batch),
        "open": list(conflicts),
    }


def _file_json(rows: Rows, origins: Origins) -> dict[str, Any]:
    return {
        "rows": [
            {"row": row_json(row), "as": origin_json(origins[name])} for name, row in rows.items()
        ]
    }


def replay(lines: Sequence[Mapping[str, Any]]) -> Replayed | None:
    """Follow a journal from its start; None where it has none.

    Raises UsageError for a journal of a newer version or with lines that do not follow.
    """
    if not lines:
        return None
    if lines[0].get("kind") != "start" or lines[0].get("version") != VERSION:
        raise UsageError("the journal beside the annotation is of another version of vidseg")
    rows, origins = _file_from(lines[0])
    past = Replayed(dict(rows), rows, origins, {lines[0].get("digest"): rows})
    try:
        for line in lines[1:]:
            _follow(past, line)
    except (KeyError, TypeError, ValueError, Stale) as error:
        raise UsageError(f"the journal beside the annotation cannot be followed: {error}") from None
    return past


def _follow(past: Replayed, line: Mapping[str, Any]) -> None:
    kind = line["kind"]
    if kind == "address":
        past.address = Address(int(line["port"]), str(line["token"]))
        return
    if kind == "saving":
        past.base = in_file(past.rows, past.conflicts)
        past.known[line["digest"]] = past.base
        return
    batch = batch_from(line, line["client"])
    past.rows = changed(past.rows, batch.changes)
    past.batches.append(batch)
    if kind == "outside":
        theirs, origins = _file_from(line)
        past.origins = adopted(past.origins, origins, past.rows, line["open"])
        past.base = theirs
        past.known[line["digest"]] = theirs
        past.conflicts = {name: theirs.get(name) for name in line["open"]}
    elif kind == "choice":
        for name in line["settled"]:
            past.conflicts.pop(name, None)


def _file_from(line: Mapping[str, Any]) -> tuple[dict[str, MarkRow], dict[str, Origin]]:
    rows: dict[str, MarkRow] = {}
    origins: dict[str, Origin] = {}
    for item in line["rows"]:
        row = row_from(item["row"])
        if row is None:
            raise ValueError("a row is null")
        rows[row.id] = row
        origins[row.id] = origin_from(item["as"], row)
    return rows, origins
