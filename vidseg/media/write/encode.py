"""Pictures of a clip: decoded exactly and encoded anew as H.264."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from typing import Any

import av
import av.container
from av.codec.context import Flags
from av.video.frame import PictureType

from vidseg.media.read.frames import decode
from vidseg.media.read.threads import encoder_threads
from vidseg.model.clock import ns_to_pts
from vidseg.model.problem import MediaError
from vidseg.model.recording import Part
from vidseg.model.stretch import Stretch

Paint = Callable[[int, av.VideoFrame], av.VideoFrame] | None

_KEPT_FORMATS = (
    "yuv420p", "yuvj420p", "yuv422p", "yuvj422p", "yuv444p", "yuvj444p", "nv12", "nv16", "nv21",
    "yuv420p10le", "yuv422p10le", "yuv444p10le", "gray", "gray10le",
)  # fmt: skip
"""Pixel formats that x264 encodes as they are; others are converted."""

_FINE_TIME_BASE = Fraction(1, 90_000)
_PRESET = "veryfast"
KEY_FRAME_EVERY_S = 2


def pixel_format(part: Part) -> str:
    """Give the pixel format a clip of ``part`` is encoded in.

    As it is where x264 can; else the nearest it can: deep formats 4:2:0 in 10 bit, others
    4:2:0 in 8 bit. Odd sizes need unsampled chroma.
    """
    odd = part.width % 2 or part.height % 2
    if part.pixel_format in _KEPT_FORMATS and not odd:
        return part.pixel_format
    deep = any(c.bits > 8 for c in av.VideoFormat(part.pixel_format).components)
    if odd:
        return "yuv444p10le" if deep else "yuv444p"
    return "yuv420p10le" if deep else "yuv420p"


def clip_time_base(pieces: Sequence[Stretch]) -> Fraction:
    """Give the clock of a clip: the source's own, so that times stay exact, where it has one."""
    bases = {piece.part.time_base for piece in pieces}
    base = bases.pop()
    return base if not bases and 0 < base <= Fraction(1, 10) else _FINE_TIME_BASE


def add_pictures(
    target: av.container.OutputContainer,
    part: Part,
    head: av.VideoFrame,
    time_base: Fraction,
    quality: int,
) -> av.VideoStream:
    """Add an H.264 track like ``part``; ``head`` is a frame of it, ``quality`` x264's crf.

    Size, pixel shape, colour facts, rotation and fields are those of the source. Groups of
    pictures are closed and two seconds long, for jumping about in a player.
    """
    stream = target.add_stream(
        "libx264",
        rate=part.rate,
        options={"crf": str(quality), "preset": _PRESET, "forced-idr": "1", "a53cc": "0"},
    )
    context = stream.codec_context
    context.width, context.height = head.width, head.height
    context.pix_fmt = pixel_format(part)
    context.time_base = time_base
    context.thread_count = encoder_threads()
    context.gop_size = max(1, round(part.rate * KEY_FRAME_EVERY_S))
    if part.pixel_aspect > 0:
        context.sample_aspect_ratio = part.pixel_aspect
    context.color_range = head.color_range
    context.colorspace = head.colorspace
    context.color_primaries = head.color_primaries
    context.color_trc = head.color_trc
    if part.interlaced:
        context.flags |= Flags.interlaced_dct | Flags.interlaced_me
    if part.rotation:
        stream.set_display_rotation(-part.rotation)
    return stream


def picture_packets(
    stream: av.VideoStream,
    pieces: Sequence[Stretch],
    time_base: Fraction,
    paint: Paint = None,
    damaged: list[int] | None = None,
) -> Iterator[av.Packet[Any]]:
    """Yield the encoded frames of ``pieces``, the first one at time 0, each with its length.

    ``paint`` gets the place of a piece and a frame of it, and gives the frame to be encoded.
    ``damaged`` takes the starts (ns, case time) of frames that the decoder calls damaged.
    The first frame of every piece is a key frame. Raises MediaError where the picture size
    changes or a frame does not decode.
    """
    size = (pieces[0].part.width, pieces[0].part.height)
    lengths: dict[int, int] = {}
    total = ns_to_pts(pieces[-1].offset + pieces[-1].length, time_base)
    encoded = _encoded(stream, pieces, time_base, size, lengths, paint, damaged)
    yield from with_lengths(encoded, lengths, total)


def with_lengths(
    found: Iterable[av.Packet[Any]], lengths: dict[int, int], total: int
) -> Iterator[av.Packet[Any]]:
    """Give each packet its length from ``lengths`` (by timestamp, taken out as it is used).

    The last one lasts until ``total``, the length of the clip.
    """
    started: int | None = None
    held: av.Packet[Any] | None = None
    for packet in found:
        assert packet.pts is not None
        assert packet.dts is not None
        started = packet.dts if started is None else started
        packet.duration = lengths.pop(packet.pts)
        if held:
            yield held
        held = packet
    if held and held.dts is not None and started is not None:
        # MP4 ends where the last packet in decode order ends, which need not be the last shown
        held.duration = max(held.duration or 0, total + started - held.dts)
        yield held


def _encoded(
    stream: av.VideoStream,
    pieces: Sequence[Stretch],
    time_base: Fraction,
    size: tuple[int, int],
    lengths: dict[int, int],
    paint: Paint,
    damaged: list[int] | None,
) -> Iterator[av.Packet[Any]]:
    """Encode the frames; note each one's length in ``lengths`` by its timestamp."""
    for place, piece in enumerate(pieces):
        starts = piece.part.frame_ns
        for index, frame in decode(piece.part, piece.first, piece.last):
            if (frame.width, frame.height) != size:
                raise MediaError(
                    str(piece.part.path),
                    f"the picture is {frame.width}x{frame.height} at frame {index} and "
                    f"{size[0]}x{size[1]} before; one clip cannot hold both",
                )
            if damaged is not None and frame.is_corrupt:
                damaged.append(piece.part.start + int(starts[index]))
            frame = paint(place, frame) if paint else frame
            start = int(starts[index]) - piece.start + piece.offset
            end = piece.end if index + 1 == piece.last else int(starts[index + 1])
            frame.pts = ns_to_pts(start, time_base)
            frame.time_base = time_base
            lengths[frame.pts] = ns_to_pts(end - piece.start + piece.offset, time_base) - frame.pts
            frame.pict_type = PictureType.I if index == piece.first else PictureType.NONE
            yield from stream.encode(frame)
    yield from stream.encode(None)
