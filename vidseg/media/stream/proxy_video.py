"""Pictures encoded for a browser to show: H.264, 8 bit 4:2:0, upright, square pixels, small."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
from av.codec.context import Flags
from av.error import FFmpegError
from av.video.frame import PictureType

from vidseg.media.codec import avc
from vidseg.media.codec.bits import by_start_codes, joined
from vidseg.model.problem import MediaError
from vidseg.model.recording import Part

WIDEST_PX = 1280
"""Pictures are made no wider: a browser has to show them at four times the speed."""

_QUALITY = 23
_PRESET = "superfast"
_TURNS = {90: ("clock",), 180: ("clock", "clock"), 270: ("cclock",)}


@dataclass(frozen=True, slots=True)
class ShowForm:
    """How the pictures of a part are encoded: size in px, avcC record."""

    width: int
    height: int
    header: bytes


def show_form(part: Part) -> ShowForm:
    """Give the form in which ``part`` is shown. Raises MediaError where it cannot be encoded."""
    width, height = _size(part)
    try:
        context = _encoder(part, width, height)
    except FFmpegError as error:
        raise MediaError(str(part.path), f"its pictures cannot be encoded ({error})") from error
    return ShowForm(width, height, avc.write_header(context.extradata or b"", ()))


def encoded(
    part: Part, form: ShowForm, frames: Iterable[tuple[int, av.VideoFrame]]
) -> Iterator[tuple[int, bool, bytes]]:
    """Encode (number, frame), one after another; yield (number, starts anew, sample).

    One picture comes out for every one that goes in, in the same order, whatever is done to it;
    the first one starts anew. Raises MediaError where that fails.
    """
    context = _encoder(part, form.width, form.height)
    if avc.write_header(context.extradata or b"", ()) != form.header:
        raise MediaError(str(part.path), "the encoder does not give the same header twice")
    numbers: list[int] = []
    given = 0
    for packet in _packets(context, _fitted(part, form, frames, numbers)):
        units = [*by_start_codes(bytes(packet))]
        kept = [u for u in units if avc.kind(u) in avc.SLICES]
        yield numbers[given], any(avc.kind(u) in avc.STARTS for u in kept), joined(kept)
        given += 1
    if given != len(numbers):
        raise MediaError(str(part.path), f"{len(numbers)} pictures gave {given} encoded ones")


def _packets(context: Any, frames: Iterator[av.VideoFrame]) -> Iterator[Any]:
    for place, frame in enumerate(frames):
        frame.pts, frame.time_base = place, context.time_base
        frame.pict_type = PictureType.NONE if place else PictureType.I
        yield from context.encode(frame)
    yield from context.encode(None)


def _fitted(
    part: Part,
    form: ShowForm,
    frames: Iterable[tuple[int, av.VideoFrame]],
    numbers: list[int],
) -> Iterator[av.VideoFrame]:
    """Yield the frames as they are to be shown; note the number of each that goes in."""
    graph: _Graph | None = None
    for number, frame in frames:
        shape = (frame.width, frame.height, frame.format.name)
        if graph is None or graph.shape != shape:
            if graph is not None:
                yield from graph.rest()
            graph = _Graph(part, form, shape)
        numbers.append(number)
        yield from graph.through(frame)
    if graph is not None:
        yield from graph.rest()


class _Graph:
    """The filters between decoder and encoder, for pictures of one ``shape``."""

    def __init__(self, part: Part, form: ShowForm, shape: tuple[int, int, str]) -> None:
        self.shape, self._entered = shape, 0
        graph = av.filter.Graph()
        graph.threads = 1
        width, height = form.width, form.height
        if part.rotation in (90, 270):
            width, height = height, width
        self._source = graph.add_buffer(
            width=shape[0], height=shape[1], format=av.VideoFormat(shape[2]),
            time_base=Fraction(1, 1000),
        )  # fmt: skip
        last = self._source
        for name, options in (
            *([("yadif", "mode=send_frame:deint=interlaced")] if part.interlaced else []),
            ("scale", f"{width}:{height}:flags=bilinear:out_range=tv"),
            *[("transpose", turn) for turn in _TURNS.get(part.rotation, ())],
            ("setsar", "1"),
            ("format", "yuv420p"),
            ("buffersink", None),
        ):
            following = graph.add(name, options)
            last.link_to(following)
            last = following
        graph.configure()
        self._graph = graph

    def through(self, frame: av.VideoFrame) -> Iterator[av.VideoFrame]:
        frame.pts, frame.time_base = self._entered, Fraction(1, 1000)
        self._entered += 1
        self._graph.vpush(frame)
        yield from self._ready()

    def rest(self) -> Iterator[av.VideoFrame]:
        self._graph.vpush(None)
        yield from self._ready()

    def _ready(self) -> Iterator[av.VideoFrame]:
        while True:
            try:
                yield self._graph.vpull()
            except (av.error.BlockingIOError, av.error.EOFError):
                return


def _size(part: Part) -> tuple[int, int]:
    """Give the size as shown: pixels made square, turned, even, at most ``WIDEST_PX`` wide."""
    aspect = part.pixel_aspect if part.pixel_aspect > 0 else Fraction(1)
    width, height = part.width * aspect, Fraction(part.height)
    if part.rotation in (90, 270):
        width, height = height, width
    scale = min(Fraction(1), WIDEST_PX / width)
    return max(2, 2 * round(width * scale / 2)), max(2, 2 * round(height * scale / 2))


def _encoder(part: Part, width: int, height: int) -> Any:
    context: Any = av.CodecContext.create("libx264", "w")
    context.width, context.height, context.pix_fmt = width, height, "yuv420p"
    rate = min(max(part.rate, Fraction(1)), Fraction(240))
    context.time_base, context.framerate = 1 / rate, rate
    context.sample_aspect_ratio = Fraction(1)
    context.thread_count = 2
    context.flags |= Flags.global_header
    parameters = "bframes=0:scenecut=0:keyint=infinite"
    context.options = {
        "preset": _PRESET, "crf": str(_QUALITY), "forced-idr": "1", "a53cc": "0",
        "x264-params": parameters,
    }  # fmt: skip
    context.open()
    return context
