"""Copying of packets, one track at a time: timestamps moved, nothing hidden brought to light.

Every copier takes the packets of one source track in file order and gives back those to be
written, timed from the case's zero. ``notes`` says what did not go along.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import av
import numpy as np
from av.stream import Stream

from vidseg.media.read.opening import opened
from vidseg.media.read.reader import packets
from vidseg.media.read.threads import decoder_threads
from vidseg.media.write.target import EDIT_LIST_CONTAINERS
from vidseg.model.clock import NS, format_seconds, ns_to_pts, pts_to_ns, ratio_round
from vidseg.model.problem import MediaError
from vidseg.model.recording import Part

PRE_ROLL_NS = 100_000_000
"""Sound kept before zero where an edit list can hide it: decoders run in on earlier packets
(1024 to 2112 samples for AAC, up to 80 ms for Opus)."""


class _Copier:
    """Where one source track goes: the stream written, and how its clock maps to the case's."""

    def __init__(self, part: Part, source: Stream, target: Stream, time_base: Fraction) -> None:
        self.part, self.target, self.time_base = part, target, time_base
        self.source_base = Fraction(source.time_base or time_base)
        self.zero = ratio_round(
            part.first_pts * part.time_base.numerator * self.source_base.denominator,
            part.time_base.denominator * self.source_base.numerator,
        )
        self.shift = ns_to_pts(part.start, time_base)

    def _units(self, value: int) -> int:
        if self.source_base == self.time_base:
            return value
        ratio = self.source_base / self.time_base
        return ratio_round(value * ratio.numerator, ratio.denominator)

    def _from_zero(self, pts: int) -> int:
        """Give a source timestamp in ns from the part's first displayed frame."""
        return pts_to_ns(pts - self.zero, self.source_base)

    def _stamp(self, packet: av.Packet[Any], pts: int, dts: int | None) -> av.Packet[Any]:
        duration = packet.duration
        packet.stream = self.target
        packet.time_base = self.time_base
        packet.pts, packet.dts = pts, dts
        packet.duration = self._units(duration) if duration else 0
        return packet

    def _move(self, packet: av.Packet[Any]) -> av.Packet[Any]:
        assert packet.pts is not None
        pts = self._units(packet.pts - self.zero) + self.shift
        dts = None if packet.dts is None else self._units(packet.dts - self.zero) + self.shift
        return self._stamp(packet, pts, dts)


class PictureCopier(_Copier):
    """Copies a picture track whose packets carry their times.

    Pictures hidden by an edit list go along only where displayed ones are built on them and
    where the target can hide them too; otherwise they are left out, or MediaError is raised.
    """

    def __init__(
        self, part: Part, source: Stream, target: Stream, time_base: Fraction, kind: str
    ) -> None:
        super().__init__(part, source, target, time_base)
        self.hides = kind in EDIT_LIST_CONTAINERS and part.start == 0
        self.leading: list[av.Packet[Any]] = []
        self.undated: list[av.Packet[Any]] = []
        self.started = self.clean_start = False
        self.trailing = self.dropped = self.hidden = self.copied = 0

    def take(self, packet: av.Packet[Any]) -> list[av.Packet[Any]]:
        """Take the next packet; give back those that can be written by now."""
        if packet.pts is None:
            raise MediaError(
                str(self.part.path), "a picture carries no time, so it cannot be copied as it is"
            )
        early = packet.pts < self.zero
        if packet.is_discard or early:
            if not self.started:
                if packet.is_keyframe:
                    self.dropped += len(self.leading)
                    self.leading.clear()
                if self.leading or packet.is_keyframe:
                    self.leading.append(packet)
                else:
                    self.dropped += 1
                return []
            if not early:
                self.trailing += 1
                return []
            if self.clean_start:
                self.dropped += 1
                return []
            self._hide(1)
            return self._dated(packet)
        if self.trailing:
            raise MediaError(
                str(self.part.path),
                "an edit list hides pictures amid displayed ones, and a copy "
                "would show them; re-encode the recording first",
            )
        ready: list[av.Packet[Any]] = []
        if not self.started:
            self.started, self.clean_start = True, packet.is_keyframe
            if self.clean_start:
                self.dropped += len(self.leading)
            else:
                self._hide(len(self.leading))
                for earlier in self.leading:
                    ready += self._dated(earlier)
            self.leading.clear()
        self.copied += 1
        return ready + self._dated(packet)

    def finish(self) -> list[av.Packet[Any]]:
        """Give back what is still waiting at the end of the part."""
        waiting, self.undated = self.undated, []
        first = min((p.pts for p in waiting if p.pts is not None), default=0)
        for place, packet in enumerate(waiting):
            packet.dts = first - len(waiting) + place
        return [self._move(packet) for packet in waiting]

    @property
    def notes(self) -> list[str]:
        """Sentences about pictures that were left out or stay hidden."""
        name, found = self.part.path.name, []
        if self.dropped + self.trailing:
            found.append(
                f"{name}: {self.dropped + self.trailing} pictures that no player shows were left "
                "out of the copy"
            )
        if self.hidden:
            found.append(
                f"{name}: {self.hidden} pictures before the first displayed one stay in the copy, "
                "hidden by its edit list as in the source, because later ones are built on them"
            )
        return found

    def _hide(self, count: int) -> None:
        if count and not self.hides:
            raise MediaError(
                str(self.part.path),
                "an edit list hides pictures on which displayed ones are "
                "built; only a copy to .mp4 or .mov of the first part can keep them hidden",
            )
        self.hidden += count

    def _dated(self, packet: av.Packet[Any]) -> list[av.Packet[Any]]:
        """Give decode times to the packets that lead the file without one (Matroska)."""
        if packet.dts is None:
            self.undated.append(packet)
            return []
        waiting, self.undated = self.undated, []
        dts = packet.dts
        for late in reversed(waiting):
            dts -= late.duration or 1
            late.dts = dts
        return [self._move(p) for p in (*waiting, packet)]


class RankedCopier(_Copier):
    """Copies a picture track whose own times are missing or wrong (B-frames in AVI).

    ``ranks`` gives, packet by packet, the place of its picture in display order; see
    ``display_ranks``. Every picture then gets the time the recording gives it.
    """

    def __init__(
        self, part: Part, source: Stream, target: Stream, time_base: Fraction, ranks: list[int]
    ) -> None:
        super().__init__(part, source, target, time_base)
        times = [ns_to_pts(int(ns), time_base) for ns in part.frame_ns]
        self.ranks, self.taken, self.copied = ranks, 0, 0
        delay = max((place - rank for place, rank in enumerate(ranks)), default=0)
        step = times[1] - times[0] if len(times) > 1 else 1
        self.pts = times
        self.dts = [-step * back for back in range(delay, 0, -1)] + times[: len(times) - delay]
        self.notes: list[str] = []

    def take(self, packet: av.Packet[Any]) -> list[av.Packet[Any]]:
        """Take the next packet; give it back with the times of its place."""
        place = self.taken
        self.taken += 1
        self.copied += 1
        pts, dts = self.pts[self.ranks[place]], self.dts[place]
        return [self._stamp(packet, pts + self.shift, dts + self.shift)]

    def finish(self) -> list[av.Packet[Any]]:
        """Nothing waits."""
        return []


class SoundCopier(_Copier):
    """Copies a sound track: what lies before zero goes, but for the run-in an MP4 can hide.

    At a join, sound beyond the picture's end and before the next picture's start goes too.
    """

    def __init__(
        self,
        part: Part,
        source: Stream,
        target: Stream,
        time_base: Fraction,
        kind: str,
        *,
        joined_after: bool,
        joined_before: bool,
    ) -> None:
        super().__init__(part, source, target, time_base)
        run_in = PRE_ROLL_NS if kind in EDIT_LIST_CONTAINERS else _stated_delay(source)
        self.earliest = 0 if joined_after else -run_in
        self.latest = part.length if joined_before else None
        self.lead_ns = 0
        self.following: int | None = None
        self.reached: int | None = None

    def take(self, packet: av.Packet[Any]) -> list[av.Packet[Any]]:
        """Take the next packet; give it back moved, or nothing where it is left out."""
        if packet.pts is None:
            packet.pts = self.following
        if packet.pts is None:
            return []
        packet.dts = packet.pts
        self.following = packet.pts + (packet.duration or 0)
        start, end = self._from_zero(packet.pts), self._from_zero(self.following)
        if start < self.earliest or (packet.is_discard and start >= 0):
            if start < -PRE_ROLL_NS:
                self.lead_ns = max(self.lead_ns, -start)
            return []
        if self.latest is not None and end > self.latest:
            return []
        moved = self._move(packet)
        assert moved.pts is not None
        if self.reached is not None and moved.pts <= self.reached:
            moved.pts = moved.dts = self.reached + 1
        self.reached = moved.pts
        return [moved]

    def finish(self) -> list[av.Packet[Any]]:
        """Nothing waits."""
        return []

    @property
    def notes(self) -> list[str]:
        """A sentence where sound before the first picture was left out."""
        if not self.lead_ns:
            return []
        return [
            f"{self.part.path.name}: {format_seconds(self.lead_ns)} s of sound before the first "
            "picture was left out"
        ]


def _stated_delay(source: Stream) -> int:
    """Give the decoder's run-in (ns) that Matroska states beside the track: Opus alone.

    Source: RFC 7845, section 5.1: pre-skip, 16 bits little-endian at byte 10, in 1/48000 s.
    """
    header = source.codec_context.extradata or b""
    if not header.startswith(b"OpusHead") or len(header) < 12:
        return 0
    return int.from_bytes(header[10:12], "little") * NS // 48_000


class TextCopier(_Copier):
    """Copies a caption track; captions that start before zero are left out."""

    notes: tuple[str, ...] = ()

    def take(self, packet: av.Packet[Any]) -> list[av.Packet[Any]]:
        """Take the next packet; give it back moved, or nothing where it is left out."""
        if packet.pts is None or packet.pts < self.zero:
            return []
        packet.dts = packet.pts
        return [self._move(packet)]

    def finish(self) -> list[av.Packet[Any]]:
        """Nothing waits."""
        return []


Copier = PictureCopier | RankedCopier | SoundCopier | TextCopier


def display_ranks(part: Part, stream_index: int) -> list[int]:
    """Decode the whole part once; give each packet's place in display order.

    Raises MediaError unless every packet gives exactly one displayed frame: then the order
    cannot be told and a copy would not be exact.
    """
    arrived: list[int] = []
    count = 0
    with opened(part.path) as container:
        stream = container.streams[stream_index]
        assert isinstance(stream, av.VideoStream)
        stream.codec_context.copy_opaque = True
        stream.codec_context.thread_count = decoder_threads()
        stream.thread_type = "SLICE"
        for packet in packets(container, stream):
            if packet.size:
                packet.opaque = count
                count += 1
            arrived += [int(str(frame.opaque)) for frame in stream.decode(packet)]
    ranks = np.full(count, -1, np.int64)
    if len(arrived) == count == len(part.frame_ns) and set(arrived) == set(range(count)):
        ranks[arrived] = np.arange(count)
        return [int(rank) for rank in ranks]
    raise MediaError(
        str(part.path),
        f"its {count} packets give {len(arrived)} pictures, so the order in which they are shown "
        "cannot be copied exactly; re-encode the recording first",
    )
