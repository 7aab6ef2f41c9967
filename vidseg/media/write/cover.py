"""What is painted over pictures: rectangles, or all of a picture, in black that hides for good.

A rectangle is painted before encoding, so that the encoder never sees what lies under it; and
it is painted larger than asked, out to the blocks that pictures are coded in and some px more,
so that what lies around it cannot be smeared into it by the coding.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from vidseg.media.write.encode import pixel_format
from vidseg.model.mask import Mask
from vidseg.model.recording import Part

GRIDS = {"hevc": 32}
BLOCK = 16
"""Rectangles are painted out to multiples of this many px, the blocks that are coded as one, by
codec; and a whole block beyond what was asked for at least: loop filters reach less
(3 px: ITU-T H.264, 8.7; H.265, 8.7.2), but a black block beside the scene may come out off by one,
which a margin of half a block let be seen."""

_LUMA_BLACK = 16
_MOST_BITS = 12
_PLANAR = ("yuv4", "yuvj4", "gray")

Plane = npt.NDArray[Any]


@dataclass(frozen=True, slots=True, order=True)
class Box:
    """Columns ``[left, right)`` and rows ``[top, bottom)`` of the picture as stored, in px."""

    left: int
    top: int
    right: int
    bottom: int

    def grown(self, width: int, height: int, grid: int) -> Box:
        """Give the box as it is painted into a picture of that size, coded in ``grid`` px."""
        margin = grid
        return Box(
            max(0, (self.left - margin) // grid * grid),
            max(0, (self.top - margin) // grid * grid),
            min(width, -(-(self.right + margin) // grid) * grid),
            min(height, -(-(self.bottom + margin) // grid) * grid),
        )


@dataclass(frozen=True, slots=True)
class Cover:
    """What is painted over a run of frames: ``boxes`` as asked for, stored px."""

    boxes: tuple[Box, ...]

    def painted(self, frame: av.VideoFrame, part: Part) -> av.VideoFrame:
        """Give ``frame`` of ``part`` with all boxes black, each somewhat larger than asked."""
        wanted = pixel_format(part)
        if not _paintable(frame):
            pts, time_base = frame.pts, frame.time_base
            frame = frame.reformat(format=wanted if wanted.startswith(_PLANAR) else "yuv420p")
            frame.pts, frame.time_base = pts, time_base
        frame.make_writable()
        for box in self.boxes:
            grown = box.grown(frame.width, frame.height, GRIDS.get(part.codec, BLOCK))
            for area, black in _areas(frame, grown):
                area[:] = black
        return frame

    def strays(self, frame: av.VideoFrame) -> int:
        """Give by how much, at most, a sample within the boxes as asked differs from black.

        In steps of 8 bits a sample; 0 means that all are black.
        """
        if not _paintable(frame):
            frame = frame.reformat(format="yuv444p")
        scale = 1 << (frame.format.components[0].bits - 8)
        most = 0
        for box in self.boxes:
            for area, black in _areas(frame, box):
                if area.size:
                    off = int(np.abs(area.astype(np.int32) - black).max())
                    most = max(most, -(-off // scale))
        return most


def whole(part: Part) -> Cover:
    """Give the cover that leaves nothing to be seen of a frame of ``part``."""
    return Cover((Box(0, 0, part.width, part.height),))


def box_of(mask: Mask, part: Part) -> Box | None:
    """Give where ``mask``, in px as shown, lies in the pictures of ``part`` as stored.

    Rounded outwards; None where it lies outside the picture.
    """
    aspect = part.pixel_aspect if part.pixel_aspect > 0 else Fraction(1)
    width, height = part.width * aspect, Fraction(part.height)
    left, top = Fraction(mask.x), Fraction(mask.y)
    right, bottom = left + mask.width, top + mask.height
    if part.rotation == 90:
        left, top, right, bottom = top, height - right, bottom, height - left
    elif part.rotation == 180:
        left, top, right, bottom = width - right, height - bottom, width - left, height - top
    elif part.rotation == 270:
        left, top, right, bottom = width - bottom, left, width - top, right
    box = Box(
        max(0, floor(left / aspect)),
        max(0, floor(top)),
        min(part.width, ceil(right / aspect)),
        min(part.height, ceil(bottom)),
    )
    return box if box.left < box.right and box.top < box.bottom else None


def cover_of(boxes: Iterable[Box], part: Part, *, black: bool) -> Cover | None:
    """Give the cover for ``boxes``, or for all of the picture; None where there is none."""
    if black:
        return whole(part)
    found = tuple(sorted(set(boxes)))
    return Cover(found) if found else None


def _paintable(frame: av.VideoFrame) -> bool:
    name, depth = frame.format.name, frame.format.components[0].bits
    return name.startswith(_PLANAR) and not name.endswith("be") and depth <= _MOST_BITS


def _areas(frame: av.VideoFrame, box: Box) -> list[tuple[Plane, int]]:
    """Give, plane by plane, a view of the samples that show any of ``box``, and their black."""
    bits = frame.format.components[0].bits
    kind = np.dtype("<u2") if bits > 8 else np.dtype(np.uint8)
    full = frame.format.name.startswith("yuvj") or int(frame.color_range) == 2
    found: list[tuple[Plane, int]] = []
    for number, plane in enumerate(frame.planes):
        rows = np.frombuffer(memoryview(plane), kind).reshape(-1, plane.line_size // kind.itemsize)
        across, down = -(-frame.width // plane.width), -(-frame.height // plane.height)
        area = rows[box.top // down : -(-box.bottom // down),
                    box.left // across : -(-box.right // across)]  # fmt: skip
        black = (128 if number else 0 if full else _LUMA_BLACK) << (bits - 8)
        found.append((area, black))
    return found
