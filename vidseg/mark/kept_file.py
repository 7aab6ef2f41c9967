"""The annotation file: read whole, written aside and renamed, its changes by others noticed."""

from __future__ import annotations

import contextlib
import json
import tempfile
from dataclasses import dataclass
from pathlib import Path

from vidseg.disk.atomic_write import aside_of, put_in_place, sync, written_aside
from vidseg.disk.digests import Stamp, bytes_sha256
from vidseg.disk.trouble import trouble
from vidseg.formats import read_sheet, write_sheet
from vidseg.model.annotation import Sheet
from vidseg.model.problem import FormatError, Severity

KEPT_SUFFIXES = (".json", ".csv", ".tsv")
"""Formats that hold every kind of row, so that the session may save to the file it was given."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A file as it was found: what it says, its digest and its stamp; all None where it is not."""

    sheet: Sheet | None = None
    digest: str | None = None
    stamp: Stamp | None = None


class Unreadable(Exception):  # noqa: N818 - a state of the file, waited out
    """The file is there and cannot be read whole, so nothing may replace it."""


class KeptFile:
    """One annotation file. ``digest`` is that of the contents last taken in or written here."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.digest: str | None = None
        self.sentences: tuple[str, ...] = ()
        self._stamp: Stamp | None = None
        self._before: Stamp | None = None
        self._prepared = aside_of(path)

    def read(self) -> Seen:
        """Read the file. Raises Unreadable where a row of it would be lost by writing it again."""
        stamp = self._look()
        if stamp is None:
            return Seen()
        try:
            digest = bytes_sha256(self.path.read_bytes())
            sheet = read_sheet(self.path)
        except FormatError as error:
            raise Unreadable(str(error)) from None
        except OSError as error:
            raise Unreadable(f"{self.path.name}: {trouble(error)}") from None
        lost = [problem for problem in sheet.problems if problem.severity is Severity.ERROR]
        if lost:
            more = f" (and {len(lost) - 1} more like it)" if lost[1:] else ""
            raise Unreadable(f"{lost[0]}{more}")
        return Seen(sheet, digest, stamp)

    def took(self, seen: Seen) -> None:
        """Remember that these contents were taken in, so that they may be replaced."""
        self.digest, self._stamp = seen.digest, seen.stamp

    def missing(self) -> bool:
        """Say whether the file was there and is gone."""
        return self.digest is not None and self._look() is None

    def at_rest(self) -> bool:
        """Say whether the file is as it was when last asked: nobody is in the midst of writing."""
        before, self._before = self._before, self._look()
        return self._before == before

    def changed(self) -> bool:
        """Say whether somebody else changed what the file holds, or put something in its place."""
        stamp = self._look()
        if stamp == self._stamp or stamp is None:
            return False
        try:
            same = bytes_sha256(self.path.read_bytes()) == self.digest
        except OSError:
            return False
        if same:
            self._stamp = stamp
        return not same

    def prepare(self, sheet: Sheet) -> str:
        """Write the new contents aside, onto the disk, and give their digest.

        Raises OSError where that fails (the old file stays) and UsageError as ``write_sheet``.
        """
        try:
            self.sentences = write_sheet(sheet, self._prepared)
            with self._prepared.open("r+b") as file:
                digest = bytes_sha256(file.read())
                sync(file)
        except BaseException:
            self.forget()
            raise
        return digest

    def replace(self, digest: str) -> None:
        """Put what was prepared in the file's place. Raises OSError, and then the old one stays."""
        try:
            put_in_place(self._prepared, self.path)
        finally:
            self.forget()
        self.digest, self._stamp = digest, self._look()

    def take_as_own(self) -> None:
        """Let what stands in the file be replaced by the next save. Raises OSError."""
        self.digest, self._stamp = bytes_sha256(self.path.read_bytes()), self._look()

    def forget(self) -> None:
        """Take away what was prepared."""
        with contextlib.suppress(OSError):
            self._prepared.unlink(missing_ok=True)

    def set_aside(self, word: str) -> Path:
        """Keep a copy of the file as it is beside it. Raises OSError."""
        copy = self.path.with_name(f"{self.path.stem}.{word}{self.path.suffix}")
        number = 1
        while copy.exists():
            number += 1
            copy = self.path.with_name(f"{self.path.stem}.{word}-{number}{self.path.suffix}")
        with written_aside(copy) as aside:
            aside.write_bytes(self.path.read_bytes())
        return copy

    def says_more_than(self, sheet: Sheet) -> bool:
        """Say whether the file holds something that is gone once ``sheet`` is written in its place.

        That is its form: comments, column names, decimal commas; of our own JSON, a list of starts.
        """
        held = self.path.read_bytes()
        if self.path.suffix.lower() == ".json":
            document = json.loads(held.decode("utf-8-sig"))
            return bool(document.get("starts_only"))
        with tempfile.TemporaryDirectory() as folder:
            trial = Path(folder) / self.path.name
            write_sheet(sheet, trial)
            return _plain(held) != _plain(trial.read_bytes())

    def _look(self) -> Stamp | None:
        try:
            return Stamp.of(self.path)
        except OSError:
            return None


def _plain(data: bytes) -> bytes:
    return data.removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n").rstrip()
