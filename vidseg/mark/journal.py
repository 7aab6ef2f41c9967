"""The journal: every batch on the disk before it is answered. One JSON object a line.

A line is whole or it does not count: what a crash tore off at the end was never answered and is cut
away. The file is held locked, so that two sessions never keep the same annotation; the lock falls
with the process. What is written goes past every cache (fsync).
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, BinaryIO

from vidseg.disk.atomic_write import sync, sync_folder
from vidseg.disk.locks import InUseError, lock
from vidseg.disk.trouble import trouble
from vidseg.model.problem import UsageError

VERSION = 1


class Unwritable(Exception):  # noqa: N818 - a state of the disk, waited out
    """The journal cannot be written now; nothing of the line stands in it."""


class MarkJournal:
    """The journal beside ``kept``, locked. ``lines`` holds what stood in it, oldest first.

    Raises UsageError where another session holds it, or where the folder cannot be written to.
    ``damaged`` is a copy made where more than a torn last line was unreadable.
    """

    def __init__(self, kept: Path) -> None:
        self.path = journal_path(kept)
        self.damaged: Path | None = None
        self.locked = True
        self._file = self._opened(kept)
        try:
            self._read()
        except BaseException:
            self._file.close()
            raise

    def _opened(self, kept: Path) -> BinaryIO:
        while True:
            try:
                descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT | _BINARY, 0o600)
            except OSError as error:
                raise UsageError(
                    f"no journal can be kept beside {kept.name}: {error.strerror}; choose a place "
                    "that can be written to with --annotation"
                ) from None
            file = os.fdopen(descriptor, "r+b", buffering=0)
            try:
                self.locked = lock(file, self.path)
                # the session before may have removed the file between opening and locking
                if _same(file, self.path):
                    sync_folder(self.path.parent)
                    return file
            except InUseError:
                file.close()
                raise UsageError(
                    f"{kept.name} is being marked already by another `vidseg mark`; go on in its "
                    "page, or end it (Ctrl-C where it was started) and try again"
                ) from None
            except BaseException:
                file.close()
                raise
            file.close()

    def _read(self) -> None:
        data = self._file.read()
        self.lines: list[dict[str, Any]] = []
        self._end = 0
        for line in data.splitlines(keepends=True):
            found = _whole(line)
            if found is None:
                break
            self.lines.append(found)
            self._end += len(line)
        rest = data[self._end :]
        if b"\n" in rest:
            self.damaged = _free(self.path.with_name(self.path.name + ".damaged"))
            self.damaged.write_bytes(data)
        if rest:
            self._cut()

    def append(self, line: Mapping[str, object]) -> None:
        """Write a line and see it on the disk. Raises Unwritable, and then it is not there."""
        data = json.dumps(line, ensure_ascii=True, separators=(",", ":")).encode("ascii") + b"\n"
        try:
            self._cut()
            _write(self._file, data)
            sync(self._file)
        except OSError as error:
            with contextlib.suppress(OSError):
                self._cut()
            raise Unwritable(trouble(error)) from error
        self._end += len(data)

    def _cut(self) -> None:
        """Take away what stands after the last whole line."""
        if self._file.seek(0, os.SEEK_END) != self._end:
            self._file.truncate(self._end)
            self._file.seek(self._end)

    def close(self, *, remove: bool) -> None:
        """Let go of the journal; take it away where it has done its work."""
        if remove and sys.platform != "win32":
            self.path.unlink(missing_ok=True)
        self._file.close()
        if remove and sys.platform == "win32":
            with contextlib.suppress(OSError):
                self.path.unlink(missing_ok=True)


def journal_path(kept: Path) -> Path:
    """Give the journal's place for an annotation file."""
    return kept.with_name(f".{kept.name}.journal")


def _write(file: BinaryIO, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[file.write(view) :]


def _whole(line: bytes) -> dict[str, Any] | None:
    if not line.endswith(b"\n"):
        return None
    try:
        found = json.loads(line)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None


def _free(path: Path) -> Path:
    number = 1
    while (candidate := path.with_name(f"{path.name}.{number}")).exists():
        number += 1
    return candidate


def _same(file: BinaryIO, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(file.fileno()), path.stat())
    except FileNotFoundError:
        return False


_BINARY = getattr(os, "O_BINARY", 0)
