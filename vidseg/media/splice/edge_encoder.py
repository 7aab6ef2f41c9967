"""The edges of a spliced clip: frames encoded so that copied pictures can follow and precede."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import Any

import av
from av.codec.context import Flags
from av.error import FFmpegError
from av.video.frame import PictureType

from vidseg.media.codec import avc, hevc
from vidseg.media.codec.bits import by_start_codes
from vidseg.media.codec.payload import clean_units
from vidseg.media.splice.groups import NotSpliceable, Source

EDGE_QUALITY = 14
"""Constant rate factor of the edges: they are short, and are to look like the copied middle."""

_PIXEL_FORMATS = {
    "h264": ("yuv420p", "yuvj420p", "yuv422p", "yuvj422p", "yuv444p", "yuvj444p", "gray",
             "yuv420p10le", "yuv422p10le", "yuv444p10le", "gray10le"),
    "hevc": ("yuv420p", "yuvj420p", "yuv422p", "yuvj422p", "yuv444p", "yuvj444p", "gray",
             "yuv420p10le", "yuv422p10le", "yuv444p10le", "gray10le",
             "yuv420p12le", "yuv422p12le", "yuv444p12le", "gray12le"),
}  # fmt: skip
_PROFILES = {66: "baseline", 77: "main"}
_KEPT_MESSAGES = (137, 144, 147)
"""SEI messages that say how light is to be shown: mastering display, light level, transfer."""


class EdgeEncoder:
    """Encodes runs of frames like the source's, under parameter sets of another number.

    ``sets`` are its parameter sets, to be stored beside the source's. ``depth`` is the
    reordering that the whole clip states. Raises NotSpliceable where no encoder fits.
    """

    def __init__(
        self, source: Source, time_base: Fraction, depth: int, quality: int, threads: int
    ) -> None:
        self.source, self.syntax, self.time_base = source, source.syntax, time_base
        self.depth, self.quality, self.threads = depth, quality, threads
        part = source.part
        if part.pixel_format not in _PIXEL_FORMATS[self.syntax.name]:
            raise NotSpliceable(f"there is no encoder for {part.pixel_format} pictures")
        if part.interlaced and self.syntax.name == "hevc":
            raise NotSpliceable("interlaced HEVC pictures cannot be encoded here")
        try:
            self.number = self.syntax.free_number(source.sets)
            self._spare: Any = self._opened()
            _, own = self.syntax.read_header(self._spare.extradata or b"")
            if self.syntax.name == "h264":
                self.sets = avc.fitted(own, source.sets, depth)
            else:
                self.sets = hevc.fitted(own, source.sets, self.number)
        except (ValueError, IndexError, FFmpegError) as error:
            raise NotSpliceable(f"its edges cannot be encoded to match ({error})") from error

    def _opened(self) -> Any:
        part, stream = self.source.part, self.source.stream
        context: Any = av.CodecContext.create(self.syntax.encoder, "w")
        context.width, context.height = part.width, part.height
        context.pix_fmt = part.pixel_format
        context.time_base, context.framerate = self.time_base, part.rate
        if part.pixel_aspect > 0:
            context.sample_aspect_ratio = part.pixel_aspect
        given = stream.codec_context
        context.color_range, context.colorspace = given.color_range, given.colorspace
        context.color_primaries, context.color_trc = given.color_primaries, given.color_trc
        context.thread_count = self.threads
        context.flags |= Flags.global_header
        context.options = self._h264() if self.syntax.name == "h264" else self._hevc()
        if part.interlaced:
            context.flags |= Flags.interlaced_dct | Flags.interlaced_me
        context.open()
        return context

    def _h264(self) -> dict[str, str]:
        profile = _PROFILES.get(avc.profile_of(self.source.sets))
        reordered = int(self.depth > 0 and profile != "baseline")
        parameters = (
            f"sps-id={self.number}:keyint=infinite:scenecut=0:rc-lookahead=0:sync-lookahead=0:"
            f"mbtree=0:bframes={reordered}:b-adapt=0:weightp=0"
        )
        options = {"preset": "superfast", "crf": str(self.quality), "forced-idr": "1"}
        options |= {"a53cc": "0", "x264-params": parameters}
        return options | ({"profile": profile} if profile else {})

    def _hevc(self) -> dict[str, str]:
        parameters = (
            "log-level=error:info=0:keyint=-1:scenecut=0:rc-lookahead=0:bframes=0:b-adapt=0:"
            "open-gop=0:cutree=0:hrd=0:weightp=0:frame-threads=1"
        )
        if self.threads == 1:
            parameters += ":wpp=0:pools=none"
        elif self.threads:
            parameters += f":pools={self.threads}"
        options = {"preset": "ultrafast", "crf": str(self.quality), "forced-idr": "1"}
        return options | {"x265-params": parameters, "a53cc": "0", "udu_sei": "0"}

    def run(
        self, frames: Iterable[tuple[int, bool, av.VideoFrame]], *, other: bool = False
    ) -> Iterator[tuple[int, bool, list[bytes]]]:
        """Encode (timestamp, starts anew, frame); yield (timestamp, starts anew, NAL units).

        The result is in decoding order. ``other`` gives the first picture another refresh
        number than an encoder's first one has, by encoding it twice.
        """
        context, self._spare = self._spare or self._opened(), None
        early: int | None = None
        for pts, starts, frame in frames:
            frame.time_base = self.time_base
            frame.pict_type = PictureType.I if starts else PictureType.NONE
            if other and early is None:
                frame.pts = early = pts - 1
                yield from self._encoded(context, frame, early)
            frame.pts = pts
            yield from self._encoded(context, frame, early)
        yield from self._encoded(context, None, early)

    def _encoded(
        self, context: Any, frame: av.VideoFrame | None, early: int | None
    ) -> Iterator[tuple[int, bool, list[bytes]]]:
        for packet in context.encode(frame):
            if packet.pts != early:
                yield self._units(packet)

    def _units(self, packet: Any) -> tuple[int, bool, list[bytes]]:
        syntax, found = self.syntax, []
        for unit in by_start_codes(bytes(packet)):
            kind = syntax.kind(unit)
            if kind in syntax.sets or kind in syntax.left_out or _is_user_data(unit, syntax.sei):
                continue
            if syntax.name == "hevc" and kind in syntax.slices:
                unit = hevc.renumbered(unit, self.number)
            found.append(unit)
        if self.source.clean:
            found = clean_units(syntax, found)
        return packet.pts, any(syntax.kind(unit) in syntax.starts for unit in found), found


def _is_user_data(unit: bytes, sei: int) -> bool:
    """Say whether a unit is a message of the encoder about itself (SEI type 5)."""
    if sei == avc.SEI:
        return unit[0] & 31 == sei and unit[1] == 5
    return (unit[0] >> 1) & 63 == sei and unit[2] == 5


def light_messages(units: Iterable[bytes], sei: int) -> list[bytes]:
    """Give those of ``units`` that only say how light is to be shown (HDR)."""
    start = 1 if sei == avc.SEI else 2
    found = []
    for unit in units:
        number = unit[0] & 31 if sei == avc.SEI else (unit[0] >> 1) & 63
        if number == sei and unit[start] in _KEPT_MESSAGES:
            found.append(unit)
    return found
