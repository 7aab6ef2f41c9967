"""One part of a recording, kept open: its coded pictures by frame number, and its frames."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from types import TracebackType
from typing import Any

import av
import numpy as np
from av.error import FFmpegError

from vidseg.media.codec.bits import by_lengths, by_start_codes, joined
from vidseg.media.codec.parameter_sets import SYNTAXES
from vidseg.media.codec.payload import clean_header, clean_units
from vidseg.media.read.opening import opened, video_stream
from vidseg.media.read.reader import BACKS_S, packets
from vidseg.model.clock import NS, ns_to_pts, pts_to_ns
from vidseg.model.recording import Part


class NotSpliceable(Exception):  # noqa: N818 - it is a finding, not a fault
    """A clip cannot be made by copying; the reason is one clause for the user."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


@dataclass(frozen=True, slots=True)
class CodedPicture:
    """One coded picture: its frame number in the part (None: not a displayed frame).

    ``kind`` is the type of its slices, ``units`` what a file stores of it, ``sample`` those
    units as a file stores them.
    """

    index: int | None
    kind: int
    starts: bool
    units: tuple[bytes, ...]
    sample: bytes


class Source:
    """A part of a recording, open for reading pictures and frames any number of times.

    Raises NotSpliceable where the codec, or the way the file holds it, is not one that can be
    spliced, MediaError where it cannot be opened. ``clean`` leaves out of the header and of
    every picture what decoding does not need (see ``payload``).
    """

    def __init__(self, part: Part, *, clean: bool = False) -> None:
        syntax = SYNTAXES.get(part.codec)
        if syntax is None:
            raise NotSpliceable(f"{part.codec} pictures are not spliced, H.264 and HEVC are")
        if not part.pts_order:
            raise NotSpliceable("its pictures carry no usable times")
        self.part, self.syntax, self.clean = part, syntax, clean
        self._opening = opened(part.path)
        container = self._opening.__enter__()
        try:
            self.container = container
            self.stream = video_stream(container, part.path)
            context = self.stream.codec_context
            self.depth = int(context.has_b_frames or 0)
            self.header = context.extradata or b""
            if clean:
                self.header = clean_header(syntax, self.header)
            try:
                self.length_bytes, sets = syntax.read_header(self.header)
            except (ValueError, IndexError) as error:
                raise NotSpliceable(f"its decoder header cannot be read ({error})") from error
            if not sets:
                raise NotSpliceable("its decoder header holds no parameter sets")
            self.sets = tuple(dict.fromkeys(sets))
            context.thread_count = 1
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the file."""
        self._opening.__exit__(None, None, None)

    def __enter__(self) -> Source:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def index_of(self, pts: int | None) -> int | None:
        """Give the number of the frame with timestamp ``pts``; None where none is displayed."""
        if pts is None:
            return None
        at = pts_to_ns(pts - self.part.first_pts, self.part.time_base)
        place = int(np.searchsorted(self.part.frame_ns, at))
        if place < len(self.part.frame_ns) and int(self.part.frame_ns[place]) == at:
            return place
        return None

    def start_between(self, first: int, last: int) -> CodedPicture | None:
        """Give the first picture of frames ``[first, last)`` at which decoding can start."""
        beyond = 0
        for picture in self.pictures(first):
            if picture.index is None:
                continue
            if picture.starts and first <= picture.index < last:
                return picture
            beyond = beyond + 1 if picture.index >= last else beyond
            if beyond > 64 or (picture.starts and picture.index >= last):
                return None
        return None

    def pictures(self, index: int) -> Iterator[CodedPicture]:
        """Yield coded pictures in decoding order from a key picture at or before ``index`` on.

        Raises NotSpliceable where parameter sets change and where a picture is damaged.
        """
        for packet in self._packets_from(index):
            if packet.size:
                yield self._picture(packet)

    def _picture(self, packet: av.Packet[Any]) -> CodedPicture:
        data, syntax = bytes(packet), self.syntax
        index = None if packet.is_discard else self.index_of(packet.pts)
        if packet.has_sidedata("new_extradata"):
            raise NotSpliceable("its parameter sets change within the clip")
        try:
            if self.length_bytes is None:
                units = [*by_start_codes(data)]
            else:
                units = [*by_lengths(data, self.length_bytes)]
        except ValueError as error:
            raise NotSpliceable(f"its data is damaged within the clip ({error})") from error
        kinds = [syntax.kind(unit) for unit in units]
        for unit, kind in zip(units, kinds, strict=True):
            if kind in syntax.sets and unit not in self.sets:
                raise NotSpliceable("its parameter sets change within the clip")
        slices = {kind for kind in kinds if kind in syntax.slices}
        if packet.is_corrupt or len(slices & syntax.starts) > 1:
            index = None
        kind = min(slices, default=-1)
        if self.length_bytes is None:
            dropped = syntax.sets | syntax.left_out
            units = [u for u, k in zip(units, kinds, strict=True) if k not in dropped]
        if self.clean:
            units = clean_units(syntax, units)
        if self.clean or self.length_bytes != 4:
            data = joined(units)
        return CodedPicture(
            index, kind, bool(slices) and slices <= syntax.starts, tuple(units), data
        )

    def _packets_from(self, index: int, *, seek: bool = True) -> Iterator[av.Packet[Any]]:
        """Yield packets from a key one at or before frame ``index``; all where none is found."""
        part = self.part
        target = part.first_pts + ns_to_pts(int(part.frame_ns[index]), part.time_base)
        for back_s in BACKS_S if seek else ():
            if back_s * NS > part.frame_ns[index]:
                break
            try:
                self.container.seek(
                    target - int(back_s / part.time_base), stream=self.stream, backward=True
                )
            except FFmpegError:
                continue
            found = packets(self.container, self.stream)
            key = next((p for p in found if p.is_keyframe and p.pts is not None), None)
            if key is not None and key.pts is not None and key.pts <= target:
                yield key
                yield from found
                return
        with opened(part.path) as container:
            stream = video_stream(container, part.path)
            stream.codec_context.thread_count = 1
            yield from packets(container, stream)

    def frames(self, first: int, last: int) -> Iterator[tuple[int, av.VideoFrame]]:
        """Yield (index, frame) for exactly the frames ``[first, last)``.

        Raises NotSpliceable where one does not decode.
        """
        wanted = first
        for seek in (True, False):
            for index, frame in self._decoded(wanted, seek=seek):
                if index > wanted:
                    break
                if index == wanted:
                    yield index, frame
                    wanted += 1
                if wanted == last:
                    return
        raise NotSpliceable("frames at its edges do not decode one after another")

    def _decoded(self, first: int, *, seek: bool) -> Iterator[tuple[int, av.VideoFrame]]:
        """Decode in this thread alone: what another one logs while its decoder is closed blocks."""
        key: int | None = None
        for packet in self._packets_from(first, seek=seek):
            key = packet.pts if key is None else key
            try:
                frames = packet.decode()
            except FFmpegError:
                continue
            for frame in frames:
                assert isinstance(frame, av.VideoFrame)
                index = self.index_of(frame.pts)
                if index is not None and (key is None or (frame.pts or 0) >= key):
                    yield index, frame
