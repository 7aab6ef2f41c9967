"""What a batch remembers of its cases: a line of JSON for each that came to an end.

The last line of a case counts. A line torn by a crash is passed over; the case is done again, which
takes over all that is there.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from vidseg.batch.job import Ending, Job, Outcome
from vidseg.batch.leases import STATE
from vidseg.disk.atomic_write import sync, write_text_aside
from vidseg.disk.digests import Stamp
from vidseg.export.folder import read_manifest


@dataclass(frozen=True, slots=True)
class Begun:
    """A case as it is handed out: its key, and the stamps of its inputs at that time."""

    key: str
    asked: str
    stamps: tuple[Stamp, ...]
    seen_ns: int

    @classmethod
    def of(cls, job: Job) -> Begun:
        """Look at a job's inputs. Raises OSError."""
        stamps = tuple(Stamp.of(path) for path in job.inputs)
        return cls(job.key, job.asked, stamps, time.time_ns())

    @property
    def bytes(self) -> int:
        """Size of all inputs."""
        return sum(stamp.bytes for stamp in self.stamps)


@dataclass(frozen=True, slots=True)
class Remembered:
    """How a case ended before."""

    begun: Begun
    outcome: Outcome

    def holds(self, now: Begun) -> bool:
        """Say whether neither what is asked nor an input can have changed since."""
        before = self.begun
        return (
            before.key == now.key
            and before.stamps == now.stamps
            and all(stamp.settled(before.seen_ns) for stamp in before.stamps)
        )


class BatchJournal:
    """The journal of a batch's folder; one process writes to it."""

    def __init__(self, out: Path) -> None:
        self.path = out / STATE / "journal.jsonl"
        self.rows = dict(self._read())

    def _read(self) -> Iterable[tuple[str, Remembered]]:
        try:
            lines = self.path.read_text(encoding="utf-8", errors="replace").splitlines()
        except FileNotFoundError:
            return
        for line in lines:
            try:
                found = _remembered(json.loads(line))
            except (ValueError, KeyError, TypeError):
                continue
            yield found.outcome.case, found

    def write(self, begun: Begun, outcome: Outcome) -> None:
        """Remember an outcome, on the disk when this returns. Raises OSError."""
        row = Remembered(begun, outcome)
        self.rows[outcome.case] = row
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with self.path.open("a+b") as stream:
            torn = stream.seek(0, os.SEEK_END) > 0
            if torn:
                stream.seek(-1, os.SEEK_END)
                torn = stream.read(1) != b"\n"
            stream.write((b"\n" if torn else b"") + _line(row).encode())
            sync(stream)

    def tidy(self) -> None:
        """Leave one line for each case."""
        if self.path.exists():
            write_text_aside(self.path, "".join(map(_line, self.rows.values())))


def whole(folder: Path) -> bool:
    """Say whether all files that a case's folder is to hold are there, in their sizes."""
    entries = read_manifest(folder).values()
    try:
        return bool(entries) and all(
            (folder / entry.path).stat().st_size == entry.bytes for entry in entries
        )
    except OSError:
        return False


def _line(row: Remembered) -> str:
    begun = asdict(row.begun)
    begun["stamps"] = [list(stamp.values()) for stamp in begun["stamps"]]
    return json.dumps({"begun": begun, "outcome": asdict(row.outcome)}, ensure_ascii=False) + "\n"


def _remembered(row: dict[str, Any]) -> Remembered:
    begun, outcome = dict(row["begun"]), dict(row["outcome"])
    begun["stamps"] = tuple(Stamp(*map(int, stamp)) for stamp in begun["stamps"])
    found = Outcome(**outcome)
    return Remembered(
        Begun(**begun),
        replace(
            found,
            ending=Ending(found.ending),
            problems=tuple(found.problems),
            notes=tuple(found.notes),
        ),
    )
