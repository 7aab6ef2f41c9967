"""The keeper of one annotation: rows now, journal before every answer, file within a second.

``make`` journals a batch and only then makes it. A thread writes the file soon after, looks whether
another program has changed it, and tries again while the disk is full.
"""

from __future__ import annotations

import contextlib
import threading
import time
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from vidseg.disk.trouble import trouble
from vidseg.export.draft_sheet import ANNOTATOR as DRAFT_ANNOTATOR
from vidseg.mark.journal import MarkJournal, Unwritable
from vidseg.mark.kept_file import KeptFile, Seen, Unreadable
from vidseg.mark.merge import in_file, merged, paired
from vidseg.mark.replay import Address, Replayed, outside_line, replay, start_line
from vidseg.mark.rows import (
    Batch,
    Change,
    MarkRow,
    batch_json,
    changed,
    difference,
    in_order,
    row_json,
)
from vidseg.mark.sheet_rows import Desk, Origin, adopted, marks_of, origins_of
from vidseg.model.annotation import Sheet
from vidseg.model.problem import UsageError

SOON_S = 0.25
"""A save waits so long for further changes: well within the second that is promised."""
LOOK_S = 0.5
"""How often the file is looked at, and how often a save that failed is tried again."""
LAST_TRIES, LAST_WAIT_S = 4, 0.3
"""At the end a file that others are writing is waited for, and a full disk given some chances."""
WHOLE_FILE = "file"
"""The id under which an unreadable file is asked about."""

Tell = Callable[[str, dict[str, Any]], None]


@dataclass(frozen=True, slots=True)
class AnnotationFacts:
    """What the file says about itself, beside its rows."""

    procedure: str | None = None
    case: str | None = None
    annotator: str | None = None


class AnnotationKeeper:
    """Rows of one file, safe against a killed process, a full disk and other writers.

    ``tell(event, data)`` hears of changes, from any thread, under the lock; ``beside`` gives what
    is told with rows that came from outside. Raises UsageError where the file cannot be read whole
    or another session has it. ``close`` must be called.
    """

    def __init__(self, path: Path, desk: Desk, facts: AnnotationFacts, tell: Tell) -> None:
        self.file = KeptFile(path)
        self.desk, self.facts, self.tell = desk, facts, tell
        self.lock = threading.RLock()
        self.trouble: str | None = None
        self.unreadable = False
        self.notices: list[str] = []
        self.beside: Callable[[], dict[str, Any]] = dict
        self._wake = threading.Event()
        self._ending = threading.Event()
        self._copy_first = self._own_wanted = False
        self.journal = MarkJournal(path)
        try:
            self._start()
        except BaseException as error:
            self.journal.close(remove=not self.journal.lines)
            if isinstance(error, Unwritable):
                raise UsageError(f"no journal can be kept beside {path.name}: {error}") from None
            raise
        self._saver = threading.Thread(target=self._keep_saving, name="saver")
        self._saver.start()

    # ---------------------------------------------------------------------------- beginning

    def _start(self) -> None:
        try:
            seen = self.file.read()
        except Unreadable as error:
            raise UsageError(
                f"{error}. Saving would lose what cannot be read: correct it "
                f"(`vidseg check {self.file.path.name}` lists everything), or choose another file "
                "with --annotation"
            ) from None
        # what a draft calls itself is nobody's name
        named = seen.sheet.annotator if seen.sheet is not None else None
        self.read_annotator = None if named == DRAFT_ANNOTATOR else named
        self.facts = self._facts_with(seen.sheet)
        past = replay(self.journal.lines)
        if past is None:
            origins = {} if seen.sheet is None else origins_of(seen.sheet, self.desk)
            rows = {name: origin.row for name, origin in origins.items()}
            self.journal.append(start_line(rows, origins, seen.digest))
            past = Replayed(rows, rows, origins, {seen.digest: rows})
        self.rows, self.base, self.origins = past.rows, past.base, past.origins
        self.batches, self.conflicts = past.batches, past.conflicts
        self.last_address = past.address
        self.revision = len(self.batches)
        self._made = {batch.id for batch in self.batches}
        if past.batches:
            self.notices.append("an earlier session ended unexpectedly; its marks are all here")
        if self.journal.damaged is not None:
            self.notices.append(
                f"the journal was damaged; a copy is kept as {self.journal.damaged.name}"
            )
        if not self.journal.locked:
            self.notices.append(
                "this folder knows no locks: mark this recording in one window only"
            )
        if seen.sheet is not None and seen.digest is not None:
            if seen.digest in past.known:
                self.base = dict(past.known[seen.digest])
                self.file.took(seen)
            else:
                self._merge(seen)
            self._copy_first = self.file.says_more_than(self._sheet(self.base))
        else:
            self.base = {}
        self.saved_revision = self.revision
        if self._unsaved():
            self.saved_revision = -1
            self._wake.set()

    def _facts_with(self, sheet: Sheet | None) -> AnnotationFacts:
        own = self.facts
        if sheet is None:
            return own
        return AnnotationFacts(
            own.procedure,
            sheet.case,
            own.annotator or self.read_annotator,
        )

    def _sheet(self, rows: Mapping[str, MarkRow]) -> Sheet:
        name = self.file.path.name
        return Sheet(
            name,
            marks_of(in_order(rows), self.origins, self.desk, name),
            procedure=self.facts.procedure,
            case=self.facts.case,
            annotator=self.facts.annotator,
        )

    def sheet(self) -> Sheet:
        """Give the rows as they are as a sheet; a mark's line is its row's place, from 1."""
        with self.lock:
            return self._sheet(self.rows)

    def _unsaved(self) -> bool:
        return in_file(self.rows, self.conflicts) != self.base

    # ---------------------------------------------------------------------------- changes

    def make(self, batch: Batch) -> int:
        """Journal a batch, make it and give the new revision. A batch made before changes nothing.

        Raises Stale, ValueError for rows that no file can hold, and Unwritable; then nothing
        is changed.
        """
        with self.lock:
            if batch.id in self._made:
                return self.revision
            rows = changed(self.rows, batch.changes)
            for change in batch.changes:
                self._refuse_unplaced(change.after)
            self.journal.append({"kind": "batch", **batch_json(batch)})
            self._take(batch, rows)
            self._wake.set()
            return self.revision

    def served_at(self, address: Address) -> None:
        """Remember where the session is served, so that after an unclean end a page that is still
        open finds the next one there."""
        with self.lock, contextlib.suppress(Unwritable):
            line = {"kind": "address", "port": address.port, "token": address.token}
            self.journal.append(line)

    def _refuse_unplaced(self, row: MarkRow | None) -> None:
        if row is None:
            return
        origin = self.origins.get(row.id)
        if row.start_ns is None and (origin is None or origin.row.start_ns is not None):
            raise ValueError("start_ns is missing")
        last = max(row.start_ns or 0, row.end_ns or 0)
        if last > self.desk.recording.length:
            raise ValueError("a time lies after the end of the recording")

    def _take(self, batch: Batch, rows: dict[str, MarkRow]) -> None:
        self.rows = rows
        self.batches.append(batch)
        self._made.add(batch.id)
        self.revision += 1

    # ---------------------------------------------------------------------------- the file

    def _keep_saving(self) -> None:
        while not self._ending.is_set():
            if self._wake.wait(LOOK_S):
                self._wake.clear()
                self._ending.wait(SOON_S)
            self.bring_up_to_date()

    def bring_up_to_date(self) -> bool:
        """Take in what others changed, save what is unsaved; True where all is saved."""
        with self.lock:
            try:
                if self.file.changed():
                    if not self.file.at_rest():
                        return False
                    self._merge(self.file.read())
                if self._unsaved() or self._own_wanted or self.file.missing():
                    self._save()
                self._saved()
            except Unwritable as error:
                self._in_trouble(f"the journal cannot be written: {error}")
            except Unreadable as error:
                self._in_trouble(
                    f"{self.file.path.name} was changed by another program and cannot be read: "
                    f"{error}. Nothing is written over it until it is mended, or you choose your "
                    "own rows",
                    unreadable=True,
                )
            except OSError as error:
                self._in_trouble(f"{self.file.path.name} cannot be saved: {trouble(error)}")
            except UsageError as error:
                self._in_trouble(str(error))
            except Exception as error:
                # a fault of ours must not end the saving: the journal holds all, and it is tried on
                self._in_trouble(f"{self.file.path.name} cannot be saved: {error!r}")
            return self.trouble is None and self.saved_revision == self.revision

    def _save(self) -> None:
        if self._copy_first and not self.file.missing():
            copy = self.file.set_aside("before")
            self.notices.append(f"{self.file.path.name} as it was is kept as {copy.name}")
            self._copy_first = False
        rows = in_file(self.rows, self.conflicts)
        digest = self.file.prepare(self._sheet(rows))
        try:
            self.journal.append({"kind": "saving", "digest": digest})
            if self.file.changed():
                self.file.forget()
                return
        except BaseException:
            self.file.forget()
            raise
        self.file.replace(digest)
        self.base, self._own_wanted = rows, False

    def _saved(self) -> None:
        if self.trouble is not None:
            self.trouble, self.unreadable = None, False
            self._tell_trouble()
        if not self._unsaved() and self.saved_revision != self.revision:
            self.saved_revision = self.revision
            self.tell("saved", {"revision": self.revision, "name": self.file.path.name})

    def _in_trouble(self, text: str, *, unreadable: bool = False) -> None:
        if text != self.trouble:
            self.trouble, self.unreadable = text, unreadable
            self._tell_trouble()

    def _tell_trouble(self) -> None:
        self.tell("trouble", {"text": self.trouble, "unreadable": self.unreadable})

    def _merge(self, seen: Seen) -> None:
        """Merge a file that another program changed, and tell what cannot be merged."""
        if seen.sheet is None or seen.digest is None:
            return
        theirs, origins = self._named_alike(seen.sheet)
        found = merged(self.base, self.rows, theirs)
        open_ones = found.conflicts | {
            name: theirs.get(name)
            for name in self.conflicts
            if self.rows.get(name) != theirs.get(name)
        }
        batch = Batch(uuid.uuid4().hex, "outside", difference(self.rows, found.rows))
        self.journal.append(outside_line(batch, theirs, origins, seen.digest, open_ones))
        self.file.took(seen)
        self.origins = adopted(self.origins, origins, found.rows, open_ones)
        self.base, self.conflicts = theirs, open_ones
        self._take(batch, found.rows)
        self._tell_outside("Another program has changed the file; its rows are taken in")

    def _named_alike(self, sheet: Sheet) -> tuple[dict[str, MarkRow], dict[str, Origin]]:
        """Give the rows of a changed file, under the ids of the rows they were."""
        read = origins_of(sheet, self.desk)
        ids = paired(self.base, self.rows, [origin.row for origin in read.values()])
        origins = {}
        for name, origin in read.items():
            own = ids.get(name, name)
            origins[own] = replace(origin, row=replace(origin.row, id=own))
        return {name: origin.row for name, origin in origins.items()}, origins

    def _tell_outside(self, told: str) -> None:
        self.tell("outside", {"told": told, **self.outside_json(), **self.beside()})

    def outside_json(self) -> dict[str, Any]:
        """Give rows and open questions as JSON data."""
        with self.lock:
            return {
                "revision": self.revision,
                "rows": [self.row_json(row) for row in in_order(self.rows)],
                "conflicts": [
                    {
                        "id": name,
                        "mine": self.row_json(self.rows.get(name)),
                        "theirs": self.row_json(other),
                    }
                    for name, other in self.conflicts.items()
                    if other != self.rows.get(name)
                ],
            }

    def row_json(self, row: MarkRow | None) -> dict[str, Any] | None:
        """Give a row as JSON data, with what follows from it."""
        data = row_json(row)
        if row is not None and data is not None:
            told = dict(row.attributes)
            data["running"] = self.desk.running(row)
            data["why"] = "; ".join(
                f"{name} {told[name]}" for name in ("confidence", "evidence") if name in told
            )
        return data

    def changes_json(self, changes: Sequence[Change]) -> list[dict[str, Any]]:
        """Give changes as JSON data, with what follows from their rows."""
        return [
            {"before": self.row_json(one.before), "after": self.row_json(one.after)}
            for one in changes
        ]

    def choose(self, choices: Mapping[str, str]) -> int:
        """Settle open questions: ``mine`` or ``theirs`` by id; gives the revision.

        Raises ValueError for a question that is not open, Unwritable, and OSError where the
        other's unreadable file cannot be kept as a copy.
        """
        with self.lock:
            if unknown := [name for name in choices if name not in (*self.conflicts, WHOLE_FILE)]:
                raise ValueError(f"no question is open about {unknown[0]}")
            told = self._keep_own_file() if choices.get(WHOLE_FILE) == "mine" else ""
            rows, left = dict(self.rows), dict(self.conflicts)
            for name, take in choices.items():
                if name in left and take == "theirs":
                    other = left[name]
                    rows.pop(name, None)
                    if other is not None:
                        rows[name] = other
                left.pop(name, None)
            batch = Batch(uuid.uuid4().hex, "choice", difference(self.rows, rows))
            self.journal.append({"kind": "choice", "settled": list(choices), **batch_json(batch)})
            self.conflicts = left
            self._take(batch, rows)
            self._wake.set()
            self._tell_outside(told)
            return self.revision

    def _keep_own_file(self) -> str:
        """Keep an unreadable file as a copy, and let the own rows be written in its place.

        Gives what is to be told; empty where the file has become readable meanwhile.
        """
        try:
            self.file.read()
        except Unreadable:
            copy = self.file.set_aside("other")
            told = f"What another program wrote is kept as {copy.name}"
            self.notices.append(told)
            self.file.take_as_own()
            self._own_wanted = True
            return told
        return ""

    # ---------------------------------------------------------------------------- ending

    def close(self) -> bool:
        """Save, stop the thread, and take the journal away where the file holds everything.

        Gives False where something is in the journal only; it is there for the next session.
        """
        self._ending.set()
        self._wake.set()
        self._saver.join()
        for _ in range(LAST_TRIES):
            if done := self.bring_up_to_date():
                break
            time.sleep(LAST_WAIT_S)
        done = done and not self.outside_json()["conflicts"]
        self.journal.close(remove=done)
        return done
