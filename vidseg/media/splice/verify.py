"""The check of a spliced clip, before it gets its name.

Every stored picture is counted and hashed: copied ones must be those of the source byte by
byte. Every encoded edge is decoded, from the last start before it to the end of the first
copied group behind it, and so are the clip's first and last groups; what comes out is compared
with the source frame by frame. Between them lie only copied pictures that refer to one another.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from math import inf, log10
from pathlib import Path
from threading import Lock
from typing import Any

import av
import av.logging
import cv2
import numpy as np
from av.error import FFmpegError

from vidseg.media.read.opening import opened, video_stream
from vidseg.media.splice.groups import NotSpliceable
from vidseg.media.splice.splicing import Coded, Splice
from vidseg.media.write.cover import Cover, Plane
from vidseg.model.progress import Progress

FAILED = "the spliced clip did not pass its check"
LEAST_PSNR_DB = 40.0


class NotBlack(NotSpliceable):
    """What was painted over is not evenly black after coding; ``strays`` as Cover's."""

    def __init__(self, strays: int) -> None:
        super().__init__(f"{FAILED}: a covered place is not black (off by {strays})")
        self.strays = strays


def verify_splice(
    path: Path, splice: Splice, *, full: bool, progress: Progress | None = None
) -> None:
    """Compare the file at ``path`` with what ``splice`` meant to write and with the source.

    ``full`` decodes every picture. Raises NotSpliceable with the difference found.
    """
    coded = splice.coded
    regions = [(0, len(coded))] if full else to_decode(coded)
    with _decoder_messages() as messages:
        _Check(path, splice, regions, progress).run()
    if messages:
        raise NotSpliceable(f"{FAILED}: the decoder says {messages[0][2].strip()!r}")


class _Listeners:
    """How many threads listen to the decoders; FFmpeg's log level is one for all of them."""

    lock = Lock()
    count = 0
    level: int | None = None


@contextmanager
def _decoder_messages() -> Iterator[list[tuple[int, str, str]]]:
    """Collect the errors that decoders report in this thread."""
    with _Listeners.lock:
        if not _Listeners.count:
            _Listeners.level = av.logging.get_level()
            av.logging.set_level(av.logging.ERROR)
        _Listeners.count += 1
    try:
        with av.logging.Capture(local=True) as messages:
            yield messages
    finally:
        with _Listeners.lock:
            _Listeners.count -= 1
            if not _Listeners.count:
                av.logging.set_level(_Listeners.level)


def to_decode(coded: Sequence[Coded]) -> list[tuple[int, int]]:
    """Give the places in decoding order, ``[from, to)``, that are to be decoded."""
    starts = [place for place, picture in enumerate(coded) if picture.starts]
    found: list[tuple[int, int]] = []
    groups = list(zip(starts, [*starts[1:], len(coded)], strict=True))
    wanted = {0, len(groups) - 1}
    for place, (start, _) in enumerate(groups):
        if coded[start].own:
            wanted |= {place - 1, place, place + 1}
    for place in sorted(wanted):
        if 0 <= place < len(groups):
            start, end = groups[place]
            if found and found[-1][1] == start:
                found[-1] = (found[-1][0], end)
            else:
                found.append((start, end))
    return found


class _Check:
    def __init__(
        self, path: Path, splice: Splice, regions: list[tuple[int, int]], progress: Progress | None
    ) -> None:
        self.path, self.splice, self.regions, self.progress = path, splice, regions, progress
        self.expected: Iterator[tuple[int, av.VideoFrame]] = iter(())
        self.covered: dict[int, Cover] = {}
        self.own = {picture.number for picture in splice.coded if picture.own}

    def run(self) -> None:
        coded = self.splice.coded
        place = 0
        ahead = iter(self.regions)
        region = next(ahead, None)
        with opened(self.path) as container:
            stream = video_stream(container, self.path)
            stream.codec_context.thread_count = 1  # so that all it says is said in this thread
            for packet in container.demux(stream):
                if not packet.size:
                    continue
                if place >= len(coded):
                    raise NotSpliceable(f"{FAILED}: it stores more pictures than frames")
                self._same_bytes(packet, place)
                if region is not None and place == region[0]:
                    self._begin(region)
                if region is not None and region[0] <= place < region[1]:
                    self._compare(stream, packet)
                    if place + 1 == region[1]:
                        self._compare(stream, None)
                        self._end()
                        stream.codec_context.flush_buffers()
                        region = next(ahead, None)
                place += 1
                if self.progress:
                    self.progress(place / len(coded))
        if place != len(coded) or place != len(self.splice.times):
            raise NotSpliceable(
                f"{FAILED}: {place} pictures are stored in place of {len(self.splice.times)}"
            )

    def _same_bytes(self, packet: av.Packet[Any], place: int) -> None:
        if packet.is_discard:
            raise NotSpliceable(f"{FAILED}: a picture is hidden")
        if hashlib.sha256(bytes(packet)).digest() != self.splice.coded[place].digest:
            raise NotSpliceable(f"{FAILED}: picture {place} was stored otherwise")

    def _begin(self, region: tuple[int, int]) -> None:
        coded = self.splice.coded[region[0] : region[1]]
        numbers = sorted(p.number for p in coded if p.number >= coded[0].number)
        self.expected = self._source_frames(numbers)

    def _source_frames(self, numbers: list[int]) -> Iterator[tuple[int, av.VideoFrame]]:
        """Yield (number in the clip, the source's frame); ``numbers`` rise by one."""
        base = 0
        for place, piece in enumerate(self.splice.pieces):
            count = piece.last - piece.first
            low, high = max(numbers[0] - base, 0), min(numbers[-1] + 1 - base, count)
            if low < high:
                source = self.splice.sources.of(piece)
                cover = self.splice.covers[place]
                for index, frame in source.frames(piece.first + low, piece.first + high):
                    number = base + index - piece.first
                    if cover is not None:
                        self.covered[number] = cover
                        frame = cover.painted(frame, piece.part)
                    yield number, frame
            base += count

    def _compare(self, stream: av.VideoStream, packet: av.Packet[Any] | None) -> None:
        try:
            frames = stream.decode(packet)
        except FFmpegError as error:
            raise NotSpliceable(f"{FAILED}: {error.strerror}") from error
        for frame in frames:
            number, wanted = next(self.expected, (None, None))
            if number is None or wanted is None:
                raise NotSpliceable(f"{FAILED}: more frames are shown than were cut")
            self._same_time(frame, stream, number)
            if frame.is_corrupt:
                raise NotSpliceable(f"{FAILED}: frame {number} is damaged")
            cover = self.covered.pop(number, None)
            if cover is not None and (strays := cover.strays(frame)):
                raise NotBlack(strays)
            if number in self.own:
                like = psnr(frame, wanted)
                if like < LEAST_PSNR_DB:
                    raise NotSpliceable(
                        f"{FAILED}: frame {number} differs from the source ({like:.1f} dB)"
                    )
            elif not same(frame, wanted):
                raise NotSpliceable(f"{FAILED}: frame {number} is not the source's")

    def _same_time(self, frame: av.VideoFrame, stream: av.VideoStream, number: int) -> None:
        at = (frame.pts or 0) * (stream.time_base or 0)
        wanted = self.splice.times[number] * self.splice.time_base
        if frame.pts is None or abs(at - wanted) > 0.00051:
            raise NotSpliceable(f"{FAILED}: frame {number} is not shown in its time")

    def _end(self) -> None:
        missing = next(self.expected, None)
        if missing is not None:
            raise NotSpliceable(f"{FAILED}: frame {missing[0]} is not shown")


def planes(frame: av.VideoFrame) -> list[Plane]:
    """Give the samples of a frame, plane by plane, without the padding: views, (rows, bytes)."""
    found: list[Plane] = []
    depth = 2 if frame.format.components[0].bits > 8 else 1
    for plane in frame.planes:
        rows = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)
        found.append(rows[: plane.height, : plane.width * depth])
    return found


def same(one: av.VideoFrame, other: av.VideoFrame) -> bool:
    """Say whether two frames are alike in every sample."""
    if one.format.name != other.format.name or (one.width, one.height) != (
        other.width,
        other.height,
    ):
        return False
    return all(np.array_equal(a, b) for a, b in zip(planes(one), planes(other), strict=True))


def psnr(one: av.VideoFrame, other: av.VideoFrame) -> float:
    """Give the peak signal-to-noise ratio of two frames in dB over all samples.

    Infinite for equal frames, 0 for those of different form.
    """
    if one.format.name != other.format.name or (one.width, one.height) != (
        other.width,
        other.height,
    ):
        return 0.0
    bits = one.format.components[0].bits
    total, count = 0.0, 0
    for a, b in zip(planes(one), planes(other), strict=True):
        if bits > 8:
            a, b = a.view(np.uint16), b.view(np.uint16)
        total += cv2.norm(a, b, cv2.NORM_L2SQR)
        count += a.size
    peak = (1 << bits) - 1
    return inf if total == 0 else 10 * log10(peak * peak * count / total)
