"""Cases that are done go into the library: written by the driver alone, some at a time."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from vidseg.batch.worklist import Work
from vidseg.library.store import Library
from vidseg.many.gather import Gathered, GatherOptions, gather
from vidseg.model.problem import FormatError, LibraryError, UsageError

AT_ONCE = 50
LONGEST_WAIT_S = 30.0
"""A case is in the library at latest so long after the next one is done."""


@dataclass
class LibraryWriter:
    """Writes to one library, in transactions; what it refuses is tried again with the next.

    ``refused`` are sentences, ``trouble`` the library's last refusal.
    """

    library: Library
    wanted: GatherOptions
    waiting: list[Gathered] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    refused: list[str] = field(default_factory=list)
    trouble: str = ""
    written: float = field(default_factory=time.monotonic)

    @classmethod
    def of(cls, library: Library, works: Sequence[Work], *, despite_errors: bool) -> LibraryWriter:
        """Make one; what a list tells of a case goes along."""
        rows = [replace(work.row, case=work.case.id, annotation="") for work in works if work.row]
        return cls(library, GatherOptions.of(rows, despite_errors=despite_errors))

    def keep(self, folder: Path) -> None:
        """Take a case's folder in."""
        try:
            for met in gather([folder], self.wanted):
                if met.record is None:
                    self.refused.append(f"{met.source}: not in the library: {met.refused}")
                else:
                    self.waiting.append(met)
        except (FormatError, UsageError) as error:
            self.refused.append(f"{folder.name}: not in the library: {error.reason}")
        late = time.monotonic() - self.written > LONGEST_WAIT_S
        if len(self.waiting) >= AT_ONCE or (self.waiting and late):
            self.flush()

    def flush(self) -> None:
        """Write all that waits, in one transaction for every ``AT_ONCE``."""
        self.written = time.monotonic()
        self.trouble = ""
        while self.waiting:
            part = self.waiting[:AT_ONCE]
            try:
                added = self.library.add([met.record for met in part if met.record])
            except LibraryError as error:
                self.trouble = f"{error.reason}; {len(self.waiting)} case(s) are not in it yet"
                return
            self.counts.update(each.outcome for each in added)
            del self.waiting[: len(part)]

    def words(self) -> str:
        """Say what went in."""
        told = ("added", "replaced", "unchanged")
        parts = [f"{self.counts[outcome]} {outcome}" for outcome in told if self.counts[outcome]]
        return f"library {self.library.place}: {', '.join(parts) or 'nothing added'}"
