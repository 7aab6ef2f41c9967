"""All packets of a file, listed without decoding."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from av.packet import Packet

from vidseg.media.read.opening import opened, video_stream
from vidseg.media.read.reader import packets
from vidseg.model.progress import Progress

_REPORT_EVERY = 2000


@dataclass(slots=True)
class PacketList:
    """What the packets of the picture stream say, in file order, in its time base.

    ``keys`` and ``damaged`` hold places in ``pts``. ``durations`` is by timestamp. ``hidden``
    counts pictures that an edit list keeps from being shown. ``unordered``: decoding times
    fall back. ``bare``: the codec reorders, yet timestamps rise in file order (decoding times).
    ``spaced``: durations are distances between decoding times, which say nothing of display.
    ``lost`` counts the pictures that an AVI's header promises and that are not there.
    ``others`` holds the first and the end timestamp of each other stream, by its index.
    """

    pts: list[int] = field(default_factory=list)
    keys: list[int] = field(default_factory=list)
    damaged: list[int] = field(default_factory=list)
    durations: dict[int, int] = field(default_factory=dict)
    without_pts: int = 0
    hidden: int = 0
    unordered: bool = False
    bare: bool = False
    spaced: bool = False
    lost: int = 0
    others: dict[int, tuple[int, int]] = field(default_factory=dict)

    def key_before(self, place: int) -> int | None:
        """Give the timestamp of the last key picture at or before ``place`` in file order."""
        found = None
        for key in self.keys:
            if key > place:
                break
            found = self.pts[key]
        return found


def list_packets(path: Path, progress: Progress | None = None) -> PacketList:
    """List the packets of ``path``. ``progress`` gets the fraction done. Raises MediaError."""
    found = PacketList()
    size = max(1, path.stat().st_size) if path.exists() else 1
    with opened(path) as container:
        video = video_stream(container, path)
        index, count, dropped, reordered = video.index, 0, 0, False
        latest_dts: int | None = None
        for packet in packets(container):
            if packet.stream_index != index:
                _note_other(found, packet)
                continue
            if not packet.size:
                dropped += packet.dts is not None
                continue
            count += 1
            if progress is not None and count % _REPORT_EVERY == 0 and packet.pos:
                progress(min(1.0, packet.pos / size))
            pts, dts = packet.pts, packet.dts
            if dts is not None:
                found.unordered |= latest_dts is not None and dts < latest_dts
                latest_dts = dts
            if packet.is_discard:
                found.hidden += 1
            elif pts is None:
                found.without_pts += 1
            else:
                reordered |= bool(found.pts) and pts < found.pts[-1]
                _note_picture(found, packet, pts)
        found.bare = (
            "avi" in container.format.name
            and not reordered
            and bool(video.codec_context.has_b_frames)
        )
        if "avi" in container.format.name:
            found.lost = max(0, video.frames - count - dropped)
        if "mp4" in container.format.name:
            found.spaced = reordered
            if video.frames > count:
                found.hidden += _trimmed(path, count)
    return found


def _note_picture(found: PacketList, packet: Packet[Any], pts: int) -> None:
    if packet.is_keyframe:
        found.keys.append(len(found.pts))
    if packet.is_corrupt:
        found.damaged.append(len(found.pts))
    if packet.duration:
        found.durations[pts] = packet.duration
    found.pts.append(pts)


def _note_other(found: PacketList, packet: Packet[Any]) -> None:
    if packet.pts is None:
        return
    end = packet.pts + (packet.duration or 0)
    first, last = found.others.get(packet.stream_index, (packet.pts, end))
    found.others[packet.stream_index] = (min(first, packet.pts), max(last, end))


def _trimmed(path: Path, listed: int) -> int:
    """Count the pictures that an edit list keeps out even of the packets."""
    with opened(path, ignore_editlist="1") as container:
        video = video_stream(container, path)
        return max(0, sum(1 for packet in packets(container, video) if packet.size) - listed)
