"""The pictures of a spliced clip: copied groups between newly encoded edges.

Copied is, of every range, what lies between the first picture at which decoding can start and
the last place before the end at which the pictures decoded so far are those shown so far. The
frames before and behind are encoded. Decoding times are the frame times, moved back by as many
frames as the pictures are reordered.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
import av.container
from av.stream import Stream

from vidseg.media.codec import avc
from vidseg.media.codec.bits import joined
from vidseg.media.splice.edge_encoder import EDGE_QUALITY, EdgeEncoder, light_messages
from vidseg.media.splice.groups import CodedPicture, NotSpliceable, Source
from vidseg.media.write.cover import Cover
from vidseg.media.write.encode import KEY_FRAME_EVERY_S, clip_time_base, with_lengths
from vidseg.model.clock import ns_to_pts
from vidseg.model.recording import Part
from vidseg.model.stretch import Stretch

MOST_DEPTH = 16
"""Frames that a picture is reordered over at most."""

MOST_WAITING = 100
"""Pictures kept waiting for a clean place; no codec reorders over so many."""


class DeeperOrder(Exception):  # noqa: N818 - it leads to another try
    """The pictures are reordered over more frames than was stated; ``depth`` is needed."""

    def __init__(self, depth: int) -> None:
        super().__init__(depth)
        self.depth = depth


@dataclass(frozen=True, slots=True)
class Coded:
    """One picture of the clip, in decoding order: its frame number in the clip, and its hash.

    ``own`` says that it was encoded, ``starts`` that decoding can start at it.
    """

    number: int
    own: bool
    starts: bool
    digest: bytes


@dataclass(frozen=True, slots=True)
class _Run:
    """Frames ``[first, last)`` of a part, to be encoded; ``number`` is the first in the clip."""

    source: Source
    first: int
    last: int
    number: int
    cover: Cover | None


class Sources:
    """The parts of a recording, each opened once when it is first needed.

    ``clean`` as for ``Source``.
    """

    def __init__(self, threads: int, *, clean: bool = False) -> None:
        self.threads, self.clean = threads, clean
        self._open: dict[int, Source] = {}

    def of(self, piece: Stretch) -> Source:
        """Give the open source of ``piece``. Raises NotSpliceable, MediaError."""
        if piece.number not in self._open:
            self._open[piece.number] = Source(piece.part, clean=self.clean)
        return self._open[piece.number]

    def close(self) -> None:
        """Close all."""
        for source in self._open.values():
            source.close()
        self._open.clear()


class Splice:
    """The plan of one clip's pictures, and their packets.

    ``covers`` has for each of ``pieces`` what is painted over its frames (None: nothing); those
    are all encoded. Raises NotSpliceable where not one picture can be copied.
    """

    def __init__(
        self,
        pieces: Sequence[Stretch],
        sources: Sources,
        quality: int,
        depth: int = 0,
        covers: Sequence[Cover | None] = (),
    ) -> None:
        self.pieces, self.sources = pieces, sources
        self.covers = covers or [None] * len(pieces)
        self.time_base = clip_time_base(pieces)
        self.times, self.total = _times(pieces, self.time_base)
        self.starts: list[CodedPicture | None] = []
        lead: Source | None = None
        reasons: list[str] = []
        for place, piece in enumerate(pieces):
            source = sources.of(piece)
            if self.covers[place] is not None:
                self.starts.append(None)
                reasons.append("masks or black lie over them")
                continue
            start = source.start_between(piece.first, piece.last)
            if start is not None and lead is not None and source.sets != lead.sets:
                start = None
                reasons.append("parts with other parameter sets cannot share one picture track")
            elif (
                start is not None
                and lead is not None
                and start.kind not in source.syntax.refresh
                and self.covers[place - 1] is None
            ):
                # it ends what is before it, and decoders have been seen to drop what then waits
                start = None
                reasons.append("an open group of pictures is not copied behind copied ones")
            elif start is not None and next(self._copied(source, start, piece.last), None) is None:
                start = None
                reasons.append("a single picture is not worth copying")
            elif start is not None:
                lead = lead or source
            else:
                reasons.append("no picture at which decoding can start lies within the frames")
            self.starts.append(start)
        if lead is None:
            raise NotSpliceable(reasons[0])
        self.lead, self.reason = lead, "; ".join(dict.fromkeys(reasons))
        for piece in pieces:
            if _shape(piece.part) != _shape(lead.part):
                raise NotSpliceable("its parts differ in picture size or pixel format")
        self.depth = max(depth, lead.depth)
        self.encoder = EdgeEncoder(
            lead, self.time_base, self.depth, min(quality, EDGE_QUALITY), sources.threads
        )
        self.coded: list[Coded] = []

    def add_track(self, target: av.container.OutputContainer) -> Stream:
        """Add the picture track to ``target``: the source's facts, both kinds of headers."""
        stream = target.add_stream_from_template(self.lead.stream, opaque=True)
        syntax, context = self.lead.syntax, stream.codec_context
        context.extradata = syntax.write_header(self.lead.header, self.encoder.sets)
        if target.format.name in ("mp4", "mov"):
            context.codec_tag = self._tag()
        stream.time_base = self.time_base
        return stream

    def _tag(self) -> str:
        """Name the track: the second name where the copied pictures hold parameter sets too."""
        syntax = self.lead.syntax
        inside = self.lead.length_bytes is not None and any(
            syntax.kind(unit) in syntax.sets
            for start in self.starts
            if start is not None
            for unit in start.units
        )
        return syntax.tags[inside]

    def packets(self, stream: Stream) -> Iterator[av.Packet[Any]]:
        """Yield the packets in decoding order, the first frame at time 0.

        Raises DeeperOrder for another try with more depth, NotSpliceable, MediaError.
        """
        ends = [*self.times[1:], self.total]
        lengths = {start: end - start for start, end in zip(self.times, ends, strict=True)}
        yield from with_lengths(self._dated(stream), lengths, self.total)

    def _dated(self, stream: Stream) -> Iterator[av.Packet[Any]]:
        times, depth = self.times, self.depth
        step = times[1] - times[0] if len(times) > 1 else max(1, self.total)
        self.coded.clear()
        for place, (coded, data) in enumerate(self._pictures()):
            self.coded.append(coded)
            if place >= len(times):
                raise NotSpliceable("it holds more pictures than frames")
            if place - coded.number > depth:
                raise DeeperOrder(place - coded.number)
            packet = av.Packet(data)
            packet.stream, packet.time_base = stream, self.time_base
            packet.pts = times[coded.number]
            packet.dts = (
                times[place - depth] if place >= depth else times[0] - (depth - place) * step
            )
            packet.is_keyframe = coded.starts
            yield packet

    def _pictures(self) -> Iterator[tuple[Coded, bytes]]:
        waiting: list[_Run] = []
        number = 0
        for piece, start, cover in zip(self.pieces, self.starts, self.covers, strict=True):
            source = self.sources.of(piece)
            count = piece.last - piece.first
            if start is None:
                waiting.append(_Run(source, piece.first, piece.last, number, cover))
                number += count
                continue
            assert start.index is not None
            if start.index > piece.first:
                waiting.append(_Run(source, piece.first, start.index, number, None))
            yield from self._encoded(waiting, start)
            waiting = []
            reached = start.index
            for picture in self._copied(source, start, piece.last):
                assert picture.index is not None
                coded = Coded(
                    number + picture.index - piece.first,
                    False,
                    picture.starts,
                    hashlib.sha256(picture.sample).digest(),
                )
                reached += 1
                yield coded, picture.sample
            if reached < piece.last:
                begun = number + reached - piece.first
                waiting.append(_Run(source, reached, piece.last, begun, None))
            number += count
        yield from self._encoded(waiting, None)

    def _copied(self, source: Source, start: CodedPicture, limit: int) -> Iterator[CodedPicture]:
        """Yield the pictures from ``start`` on up to the last clean place before ``limit``.

        Pictures come in decoding order, each with its ``index`` in the order of showing. A place is
        clean where those decoded so far are exactly the frames from ``start`` up to some frame:
        copying may end there, for nothing shown earlier is still to come and nothing shown later
        has been decoded. The last one is never itself a start: refresh pictures in a row must
        differ in their number (ITU-T H.264, 7.4.3, idr_pic_id), and only that of our own can be
        chosen.
        """
        assert start.index is not None
        # ``given``: the first frame not yielded yet; ``waiting``: decoded since the last clean
        # place; ``top``: the last frame, as shown, of all that were decoded.
        given, top, begun = start.index, start.index - 1, False
        waiting: list[CodedPicture] = []
        for picture in source.pictures(start.index):
            begun = begun or (picture.index == start.index and picture.starts)
            if not begun:
                continue
            if picture.index is None:
                raise NotSpliceable("it holds damaged or hidden pictures")
            if picture.index < start.index:
                # Leading pictures of HEVC refer to what lies before the start, which a decoder
                # that begins here has not got; after a refresh of H.264 there are none.
                if source.syntax.name == "hevc":
                    continue
                raise NotSpliceable("pictures before a start are stored behind it")
            top = max(top, picture.index)
            waiting.append(picture)
            # ``top`` never falls: from here on every clean place would hold a frame behind the
            # limit. What waits is left to the encoder.
            if top >= limit or len(waiting) > MOST_WAITING:
                return
            # Decoded are the yielded frames, up to ``given - 1``, and as many more as wait, all
            # from ``given`` to ``top``. If no two are the same frame, they fill these frames where
            # their number does, and can never be more.
            if given + len(waiting) - 1 > top:
                raise NotSpliceable("two of its pictures have the same time")
            if given + len(waiting) - 1 == top:
                # a start waits for its follower: without one it would be the last
                ready = len(waiting) - waiting[-1].starts
                yield from waiting[:ready]
                given += ready
                waiting = waiting[ready:]

    def _encoded(
        self, runs: Sequence[_Run], following: CodedPicture | None
    ) -> Iterator[tuple[Coded, bytes]]:
        """Encode ``runs`` as one; ``following`` is the copied picture behind them."""
        if not runs:
            return
        syntax = self.lead.syntax
        single = sum(run.last - run.first for run in runs) == 1
        other = following is not None and single and self._refresh_number(following) == 0
        ends = syntax.end and following is not None and following.kind not in syntax.refresh
        light = light_messages(self._any_start().units, syntax.sei)
        numbers = {self.times[run.number + i]: run.number + i for run in runs
                   for i in range(run.last - run.first)}  # fmt: skip
        held: tuple[int, bool, list[bytes]] | None = None
        for encoded in self.encoder.run(self._frames(runs), other=other):
            if held is not None:
                yield self._own(held, numbers, light)
            held = encoded
        if held is not None:
            if ends:
                held[2].append(syntax.end)
            yield self._own(held, numbers, light)

    def _own(
        self, encoded: tuple[int, bool, list[bytes]], numbers: dict[int, int], light: list[bytes]
    ) -> tuple[Coded, bytes]:
        pts, starts, units = encoded
        data = joined([*light, *units] if starts else units)
        return Coded(numbers[pts], True, starts, hashlib.sha256(data).digest()), data

    def _frames(self, runs: Sequence[_Run]) -> Iterator[tuple[int, bool, av.VideoFrame]]:
        for run in runs:
            every = max(1, round(run.source.part.rate * KEY_FRAME_EVERY_S))
            for index, frame in run.source.frames(run.first, run.last):
                at = self.times[run.number + index - run.first]
                starts = (index - run.first) % every == 0 and (
                    index == run.first or run.last - index > MOST_DEPTH
                )
                if run.cover is not None:
                    frame = run.cover.painted(frame, run.source.part)
                yield at, starts, frame

    def _any_start(self) -> CodedPicture:
        return next(start for start in self.starts if start is not None)

    def _refresh_number(self, picture: CodedPicture) -> int | None:
        if self.lead.syntax.name != "h264":
            return None
        unit = next(unit for unit in picture.units if avc.kind(unit) in avc.STARTS)
        return avc.refresh_number(unit, self.lead.sets)


def _times(pieces: Sequence[Stretch], time_base: Fraction) -> tuple[list[int], int]:
    """Give the time of every frame of the clip, and its end, in ``time_base`` units."""
    times: list[int] = []
    for piece in pieces:
        shift = piece.offset - piece.start
        for at in piece.part.frame_ns[piece.first : piece.last].tolist():
            times.append(ns_to_pts(at + shift, time_base))
    return times, ns_to_pts(pieces[-1].offset + pieces[-1].length, time_base)


def _shape(part: Part) -> tuple[object, ...]:
    return part.codec, part.width, part.height, part.pixel_format, part.interlaced
