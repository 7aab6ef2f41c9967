"""The display matrix of an MP4 or MOV track: how a player turns the picture.

Source: ISO/IEC 14496-12, 8.3.2 (track header box): nine 32-bit numbers {a b u, c d v, x y w},
16.16 fixed point except u, v, w (2.30).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

_ONE, _ONE_W = 1 << 16, 1 << 30


def turn_video(path: Path, degrees: int) -> None:
    """Set the clockwise turn (0, 90, 180, 270) of the video track of ``path``, in place.

    ValueError where there is no video track.
    """
    data = path.read_bytes()
    for start, end in _boxes(data, 0, len(data), b"moov"):
        for track in _boxes(data, start, end, b"trak"):
            for _, header_end in _boxes(data, *track, b"tkhd"):
                width, height = struct.unpack(">II", data[header_end - 8 : header_end])
                if width == 0:
                    continue
                matrix = struct.pack(">9i", *_matrix(degrees, width, height))
                with path.open("r+b") as file:
                    file.seek(header_end - 8 - len(matrix))
                    file.write(matrix)
                return
    raise ValueError(f"{path.name}: no video track to turn")


def _matrix(degrees: int, width: int, height: int) -> tuple[int, ...]:
    a, b, c, d, x, y = {
        0: (1, 0, 0, 1, 0, 0),
        90: (0, 1, -1, 0, height, 0),
        180: (-1, 0, 0, -1, width, height),
        270: (0, -1, 1, 0, 0, width),
    }[degrees]
    return (a * _ONE, b * _ONE, 0, c * _ONE, d * _ONE, 0, x, y, _ONE_W)


def _boxes(data: bytes, start: int, end: int, name: bytes) -> Iterator[tuple[int, int]]:
    """Yield (start, end) of the payload of every box ``name`` in data[start:end]."""
    while start + 8 <= end:
        size, header = int.from_bytes(data[start : start + 4], "big"), 8
        if size == 1:
            size, header = int.from_bytes(data[start + 8 : start + 16], "big"), 16
        size = size or end - start
        if size < header:
            return
        if data[start + 4 : start + 8] == name:
            yield start + header, start + size
        start += size
