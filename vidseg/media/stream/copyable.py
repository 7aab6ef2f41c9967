"""Which groups of a part's pictures a browser can be given as they are stored."""

from __future__ import annotations

from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from vidseg.media.codec import avc
from vidseg.media.codec.bits import by_lengths, by_start_codes
from vidseg.media.read.reader import packets
from vidseg.media.splice.groups import Source
from vidseg.model.clock import NS, ns_to_pts
from vidseg.model.recording import FrameRange, Part

LONGEST_NS = 15 * NS
"""A longer group is not copied: a browser would have to take all of it to show one picture."""

PROFILES = (66, 77, 100)
"""Baseline, Main, High (ITU-T H.264, annex A): what every browser with H.264 decodes."""

_FORMATS = ("yuv420p", "yuvj420p")
_REPORT_EVERY = 2000
_NOTHING = -(1 << 62)


def why_not(part: Part) -> str | None:
    """Say in a clause why no picture of ``part`` can be copied; None where that may be."""
    if part.codec != "h264":
        return f"{part.codec} pictures, which not every browser shows"
    if part.pixel_format not in _FORMATS:
        return f"H.264 in {part.pixel_format}, which not every browser shows"
    if part.interlaced:
        return "interlaced pictures"
    if not part.pts_order:
        return "pictures that carry no usable times"
    if part.rotation:
        return "pictures that are stored turned"
    return None


@dataclass(slots=True)
class _Found:
    """All picture packets of a part, in file order; ``starts`` and ``bad`` hold places."""

    pts: array[int] = field(default_factory=lambda: array("q"))
    starts: list[int] = field(default_factory=list)
    bad: list[int] = field(default_factory=list)


def copyable_groups(
    source: Source, progress: Callable[[float], None] | None = None
) -> list[FrameRange]:
    """List the groups that can be copied, as ranges of frame numbers of the part, rising.

    Each starts with an instantaneous refresh, holds exactly the pictures of its frames, and
    uses the parameter sets of the file's header. The whole file is read, nothing is decoded.
    """
    if avc.profile_of(source.sets) not in PROFILES:
        return []
    found = _Found()
    size = max(1, source.part.size_bytes)
    for packet in packets(source.container, source.stream):
        if packet.size:
            _note(found, packet, source)
            if progress is not None and len(found.pts) % _REPORT_EVERY == 0 and packet.pos:
                progress(min(1.0, packet.pos / size))
    return _whole_groups(found, source.part)


def _note(found: _Found, packet: av.Packet[Any], source: Source) -> None:
    place = len(found.pts)
    found.pts.append(_NOTHING if packet.pts is None else packet.pts)
    fresh = packet.has_sidedata("new_extradata")
    if packet.pts is None or packet.is_corrupt or packet.is_discard or fresh:
        found.bad.append(place)
    if not packet.is_keyframe:
        return
    data = bytes(packet)
    try:
        units = [
            *(
                by_start_codes(data)
                if source.length_bytes is None
                else by_lengths(data, source.length_bytes)
            )
        ]
    except ValueError:
        found.bad.append(place)
        return
    kinds = {avc.kind(unit) for unit in units}
    if kinds & avc.STARTS and not kinds & (avc.SLICES - avc.STARTS):
        found.starts.append(place)
    if any(avc.kind(unit) in avc.SETS and unit not in source.sets for unit in units):
        found.bad.append(place)


def _whole_groups(found: _Found, part: Part) -> list[FrameRange]:
    if not found.starts:
        return []
    frames = _frame_numbers(np.frombuffer(found.pts, np.int64), part)
    frames[found.bad] = -1
    groups: list[FrameRange] = []
    for begin, end in zip(found.starts, [*found.starts[1:], len(frames)], strict=True):
        held = frames[begin:end]
        first, last = int(held[0]), int(held[0]) + len(held)
        if first < 0 or not np.array_equal(np.sort(held), np.arange(first, last)):
            continue
        if end_ns(part, last) - int(part.frame_ns[first]) <= LONGEST_NS:
            groups.append((first, last))
    return sorted(groups)


def _frame_numbers(pts: npt.NDArray[np.int64], part: Part) -> npt.NDArray[np.int64]:
    """Give the frame number of each timestamp, -1 where no frame has it."""
    base = part.time_base
    shown = [part.first_pts + ns_to_pts(ns, base) for ns in part.frame_ns.tolist()]
    known = np.array(shown, np.int64)
    places = np.searchsorted(known, pts)
    places[places == len(known)] = 0
    return np.where(known[places] == pts, places, -1)


def end_ns(part: Part, frame: int) -> int:
    """Give the time (ns within the part) at which frame ``frame`` starts; the end behind all."""
    return part.length if frame >= len(part.frame_ns) else int(part.frame_ns[frame])
