"""The output folder of one case: written aside, renamed at the end, redone only where changed.

While work goes on everything lies in ``.<name>.part`` beside the final folder. Each piece (a
clip, a table) has a document, which is all that its maker is handed: the very text, or the facts
to make a file of. Its digest is the piece's key; a piece whose key is the same in the finished
folder, or in what an interrupted run left, is taken over instead of made.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeVar

from vidseg.disk.atomic_write import write_text_aside
from vidseg.disk.digests import STAMPS, KnownHashes
from vidseg.disk.locks import InUseError, locked_meanwhile
from vidseg.disk.trouble import trouble
from vidseg.export.document import digest
from vidseg.model.problem import Problem, SharingError, UsageError
from vidseg.model.progress import Progress

Document = TypeVar("Document")
MANIFEST = "manifest.json"


@dataclass(frozen=True, slots=True)
class Entry:
    """One file of the folder: its path in it, size, SHA-256, the key of its piece, and a note
    on how it was made."""

    path: str
    bytes: int
    sha256: str
    key: str
    note: str = ""


def read_manifest(folder: Path) -> dict[str, Entry]:
    """Read a folder's manifest: entries by path; empty where there is none or it is unreadable."""
    try:
        rows = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))["files"]
        return {row["path"]: Entry(**row) for row in rows}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


LeavingGate = Callable[[Path], tuple[Problem, ...]]
"""Reads a folder that is to leave, and gives what must not."""


@contextmanager
def output_folder(out: Path, gate: LeavingGate | None = None) -> Iterator[OutputFolder]:
    """Give the folder to write to, kept from every other process meanwhile.

    ``gate`` reads it before it is put in its place. Raises UsageError where another one writes
    to it, and for a folder not ours.
    """
    holder = out.with_name(f".{out.name}.lock")
    try:
        holder.parent.mkdir(parents=True, exist_ok=True)
        with locked_meanwhile(holder):
            yield OutputFolder(out, gate)
    except InUseError:
        raise UsageError(
            f"another vidseg is writing {out} ({_said(holder)}); wait until it is done, or choose "
            "another folder with --out"
        ) from None


def _said(holder: Path) -> str:
    try:
        return holder.read_text(encoding="utf-8").strip() or "just begun"
    except OSError:
        return "just begun"


class OutputFolder:
    """Use, from ``output_folder``: ``make`` or ``write`` each piece, then ``finish``. Anything may
    raise in between; nothing is lost. ``notes`` are sentences for the user."""

    def __init__(self, out: Path, gate: LeavingGate | None = None) -> None:
        """Begin, or go on from an interrupted run. Raises UsageError for a folder not ours.

        One that was put out of the way, and nothing in its place, is put back first. ``gate``
        reads the folder before it is put in its place, and gives what must not leave.
        """
        self.out, self.gate = out, gate
        self.work = out.with_name(f".{out.name}.part")
        self.old = out.with_name(f".{out.name}.old")
        self.notes: list[str] = []
        if self.old.exists() and not out.exists():
            self._put_back()
        if out.exists() and not out.is_dir():
            raise UsageError(f"{out} is a file; choose another folder with --out")
        if out.is_dir() and any(out.iterdir()) and not (out / MANIFEST).exists():
            raise UsageError(
                f"{out} holds files that vidseg did not write; choose another folder with --out"
            )
        self.before = read_manifest(out)
        try:
            self.work.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(f"cannot write to {out.parent}: {trouble(error)}") from error
        self.unfinished = read_manifest(self.work)
        self.known = KnownHashes(out)
        self.entries: dict[str, Entry] = {}
        self.made: list[str] = []
        self._inputs: dict[Path, str] = {}

    def key(self, document: object) -> str:
        """Give the key of a document: its digest, files counted by what they hold."""
        return digest(document, self.input_hash)

    def make(
        self,
        document: Document,
        names: Sequence[str],
        maker: Callable[[Document, Path, Progress], object],
        progress: Progress = lambda _: None,
    ) -> Any:
        """Make files by ``maker(document, folder, progress)``, or take over those of that document.

        ``names`` are all that it may write. Give the maker the document and nothing besides.
        Returns what the maker told (JSON data), now or when the files were made.
        """
        key = self.key(document)
        if not self.take_over(key, names):
            told = maker(document, self.work, progress)
            note = "" if told is None else json.dumps(told, ensure_ascii=False)
            self.record(key, [name for name in names if (self.work / name).exists()], note)
        return self.told(names)

    def write(self, texts: Mapping[str, str]) -> None:
        """Write texts by the names of their files, but for those that are there already."""
        for named in texts.items():
            self.make(named, named[:1], _write_text)

    def told(self, names: Sequence[str]) -> Any:
        """Give what the maker of ``names`` told; None where it told nothing."""
        notes = [self.entries[name].note for name in names if name in self.entries]
        return json.loads(notes[0]) if notes and notes[0] else None

    def take_over(self, key: str, names: Sequence[str]) -> bool:
        """Take over what was made with that key, if all of it is there; else clear the way.

        Returns whether it was taken over. If not, nothing stands in the place of ``names`` and
        their folders are there to write to.
        """
        known = [self.unfinished, self.before]
        made = [n for n in names if any(n in of and of[n].key == key for of in known)]
        if made and all(self._take_over(key, name) for name in made):
            return True
        for name in names:
            self.entries.pop(name, None)
            (self.work / name).parent.mkdir(parents=True, exist_ok=True)
            (self.work / name).unlink(missing_ok=True)
        return False

    def record(self, key: str, names: Sequence[str], note: str = "") -> None:
        """Take files just written in ``work`` into the folder, with ``note`` on how."""
        for name in names:
            path = self.work / name
            sha256 = self.known.of(name, path, fresh=True)
            self.entries[name] = Entry(name, path.stat().st_size, sha256, key, note)
        self.made.extend(names)
        self._write_manifest(self.unfinished | self.entries)

    def input_hash(self, path: Path) -> str:
        """Give the SHA-256 of an input, which is not read where it is as it was."""
        if path not in self._inputs:
            self._inputs[path] = self.known.of(f"input:{path.name}", path)
        return self._inputs[path]

    def _take_over(self, key: str, name: str) -> bool:
        for folder, known in ((self.work, self.unfinished), (self.out, self.before)):
            entry, path = known.get(name), folder / name
            if entry is None or entry.key != key or not path.is_file():
                continue
            if path.stat().st_size != entry.bytes:
                continue
            if self.known.of(name, path, fresh=folder == self.work) != entry.sha256:
                continue
            if folder != self.work:
                _link_or_copy(path, self.work / name)
            self.entries[name] = entry
            return True
        return False

    def _write_manifest(self, entries: dict[str, Entry]) -> None:
        rows = [asdict(entry) for _, entry in sorted(entries.items())]
        write_text_aside(self.work / MANIFEST, json.dumps({"files": rows}, indent=1) + "\n")

    def finish(self) -> None:
        """Drop leftovers, write the manifest and put the folder in its place.

        Files in the old folder that vidseg did not write are carried over. Raises SharingError
        where the gate finds something; the folder then stays as it was.
        """
        for path in sorted(self.work.rglob("*"), reverse=True):
            name = path.relative_to(self.work).as_posix()
            if path.is_dir():
                if not any(path.iterdir()):
                    path.rmdir()
            elif name not in self.entries:
                path.unlink()
        self._write_manifest(self.entries)
        self.known.write(self.work, self.entries)
        if self.gate is not None and (found := self.gate(self.work)):
            shutil.rmtree(self.work, ignore_errors=True)
            raise SharingError(found)
        try:
            if self.out.exists():
                self._carry_over()
                if self.old.exists():
                    shutil.rmtree(self.old)
                self.out.rename(self.old)
            self.work.rename(self.out)
        except OSError as error:
            if self.old.exists() and not self.out.exists():
                self._put_back()
            raise UsageError(
                f"cannot put {self.out} in place ({trouble(error)}); close the programs that have "
                f"its files open and run again: all that was made is kept in {self.work}"
            ) from error
        try:
            if self.old.exists():
                shutil.rmtree(self.old)
        except OSError as error:
            self.notes.append(
                f"the earlier folder could not be deleted ({trouble(error)}) and stands in "
                f"{self.old}, its pictures with it; the next run tries again, or delete it yourself"
            )

    def _put_back(self) -> None:
        try:
            self.old.rename(self.out)
        except OSError as error:
            raise UsageError(
                f"{self.out} lies in {self.old}, where an interrupted run had put it, and cannot "
                f"be put back ({trouble(error)}); rename it yourself"
            ) from error

    def strangers(self, part: str = "") -> list[str]:
        """Name the files in ``part`` of the old folder that vidseg did not write."""
        own = (*self.before, MANIFEST, STAMPS)
        return [
            path.relative_to(self.out / part).as_posix()
            for path in sorted((self.out / part).rglob("*"))
            if path.is_file() and path.relative_to(self.out).as_posix() not in own
        ]

    def _carry_over(self) -> None:
        for path in self.out.rglob("*"):
            name = path.relative_to(self.out).as_posix()
            if path.is_file() and name not in self.before and name not in (MANIFEST, STAMPS):
                target = self.work / name
                target.parent.mkdir(parents=True, exist_ok=True)
                if not target.exists():
                    _link_or_copy(path, target)


def _write_text(named: tuple[str, str], work: Path, _: Progress) -> None:
    write_text_aside(work / named[0], named[1])


def _link_or_copy(source: Path, target: Path) -> None:
    """Make ``target`` hold what ``source`` holds, without copying where the disk allows."""
    target.parent.mkdir(parents=True, exist_ok=True)
    target.unlink(missing_ok=True)
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)
