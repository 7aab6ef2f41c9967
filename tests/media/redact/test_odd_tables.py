"""Bytes behind the tables of an MP4, and tables that do not fit each other: told, never a fault."""

import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from synthetic_clips import make_clip
from vidseg.media.redact.residue import residue

NAME = b"Hopkins 1950, ward seven, and more text than a row holds"
TABLES = ("stts", "ctts", "stss", "stsc", "stsz", "stco")


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("tables") / "clip.mp4"
    make_clip(path, frames=60)
    return path.read_bytes()


def boxes(data: bytes, at: int, end: int) -> Iterator[tuple[int, int, bytes]]:
    """Size and kind of each box (ISO/IEC 14496-12, 4.2)."""
    while at < end:
        size, kind = struct.unpack(">I4s", data[at : at + 8])
        yield at, at + size, kind
        at += size


def place(data: bytes, name: str) -> list[tuple[int, int]]:
    """The first table of that name, and the boxes around it, from the outside in."""
    found, low, high = [], 0, len(data)
    for wanted in (b"moov", b"trak", b"mdia", b"minf", b"stbl", name.encode()):
        low, high = next((a, b) for a, b, kind in boxes(data, low, high) if kind == wanted)
        found.append((low, high))
        low += 8
    return found


def grown(data: bytes, name: str, more: bytes) -> bytes:
    """Put bytes at the end of a table; the file's index stands last, so no place moves."""
    assert data.find(b"mdat") < data.find(b"moov")
    out = bytearray(data)
    around = place(data, name)
    for start, end in around:
        out[start : start + 4] = struct.pack(">I", end - start + len(more))
    out[around[-1][1] : around[-1][1]] = more
    return bytes(out)


@pytest.mark.parametrize("more", [1, 4, 7, 40])
@pytest.mark.parametrize("name", TABLES)
def test_bytes_behind_a_table(name: str, more: int, clean: bytes, tmp_path: Path) -> None:
    path = tmp_path / "clip.mp4"
    path.write_bytes(grown(clean, name, NAME[:more]))
    assert f"bytes behind the rows of {name!r}" in residue(path)


@pytest.mark.parametrize(("name", "field"), [("stts", 8), ("ctts", 8), ("stsc", 12), ("stsz", 4)])
def test_counts_beyond_all_measure(name: str, field: int, clean: bytes, tmp_path: Path) -> None:
    start = place(clean, name)[-1][0] + 8
    data = bytearray(clean)
    data[start + field : start + field + 4] = b"\x7f\xff\xff\xff"
    path = tmp_path / "clip.mp4"
    path.write_bytes(data)
    assert any("do not fit" in thing or "behind the rows" in thing for thing in residue(path))
