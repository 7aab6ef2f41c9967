"""Hashes of files, remembered with size, time of change and inode: what is as it was is not read.

A file whose stamp differs, or that was changed shortly before it was hashed, is hashed anew.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from vidseg.disk.atomic_write import write_text_aside

STAMPS = ".stamps.json"
SETTLED_NS = 2_000_000_000
"""A change within this time after a file was looked at may leave its stamp as it was: file systems
count its time in steps of up to 2 s (FAT)."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """What tells without reading that a file is not the one it was."""

    bytes: int
    changed_ns: int
    inode: int

    @classmethod
    def of(cls, path: Path) -> Stamp:
        """Give a file's stamp. Raises OSError."""
        found = path.stat()
        return cls(found.st_size, found.st_mtime_ns, found.st_ino)

    def settled(self, seen_ns: int) -> bool:
        """Say whether a file that had this stamp at ``seen_ns`` cannot since have changed
        under it."""
        return seen_ns - self.changed_ns >= SETTLED_NS


@dataclass(frozen=True, slots=True)
class _Row:
    stamp: Stamp
    seen_ns: int
    sha256: str


def bytes_sha256(data: bytes) -> str:
    """Give the SHA-256 of data in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def file_sha256(path: Path) -> str:
    """Give the SHA-256 of a file in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


class KnownHashes:
    """The hashes that a folder remembers, by name; ``write`` remembers those used since."""

    def __init__(self, folder: Path) -> None:
        self._known: dict[str, _Row] = {}
        self._used: dict[str, _Row] = {}
        try:
            rows = json.loads((folder / STAMPS).read_text(encoding="utf-8"))
            for name, (size, changed_ns, inode, seen_ns, sha256) in rows.items():
                stamp = Stamp(int(size), int(changed_ns), int(inode))
                self._known[name] = _Row(stamp, int(seen_ns), str(sha256))
        except (OSError, ValueError, TypeError, AttributeError):
            self._known.clear()

    def of(self, name: str, path: Path, *, fresh: bool = False) -> str:
        """Give a file's SHA-256, from memory where it is known under ``name`` and unchanged.

        ``fresh`` reads it in any case.
        """
        stamp, now_ns = Stamp.of(path), time.time_ns()
        row = None if fresh else self._known.get(name)
        if row is None or row.stamp != stamp or not stamp.settled(row.seen_ns):
            row = _Row(stamp, now_ns, file_sha256(path))
        self._used[name] = row
        return row.sha256

    def write(self, folder: Path, own: Iterable[str]) -> None:
        """Remember what was used; ``own`` names those that lie in ``folder`` and that only vidseg
        writes to, so that they are known to be as they were hashed."""
        rows = dict(self._used)
        for name in own:
            row = rows.pop(name, None)
            stamp = Stamp.of(folder / name)
            if row is not None and row.stamp == stamp:
                rows[name] = _Row(stamp, time.time_ns(), row.sha256)
        text = json.dumps(
            {
                name: [*_numbers(row.stamp), row.seen_ns, row.sha256]
                for name, row in sorted(rows.items())
            },
            indent=1,
        )
        write_text_aside(folder / STAMPS, text + "\n")


def _numbers(stamp: Stamp) -> tuple[int, int, int]:
    return stamp.bytes, stamp.changed_ns, stamp.inode
