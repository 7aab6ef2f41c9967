"""Decoding runs of frames: from the first packet, or from a keyframe before a moment."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

from av import VideoFrame
from av.container import InputContainer
from av.error import FFmpegError
from av.packet import Packet
from av.stream import Stream
from av.video.stream import VideoStream

from vidseg.media.read.opening import opened, video_stream

BACKS_S: tuple[float, ...] = (0.0, 1.0, 3.0, 10.0, 30.0)
"""How far before the wanted moment to seek, in seconds, one after another until it is met."""

Frames = Generator[VideoFrame, None, None]

MOST_ERRORS = 10_000


def packets(container: InputContainer, *streams: Stream) -> Iterator[Packet[Any]]:
    """Yield the packets of ``streams`` (all when none), going on after damaged places.

    A stream that a transport stream begins further on, unlisted, is none of them: PyAV knows the
    streams there are at opening, and raises IndexError at the end of a file in which more came up.
    Ends at the end of the file, or where the same damage is met twice without a packet between.
    """
    errors = 0
    stuck = False
    while errors < MOST_ERRORS:
        try:
            for packet in container.demux(*streams):
                stuck = False
                yield packet
        except IndexError:
            return
        except FFmpegError:
            if stuck:
                return
            stuck = True
            errors += 1
        else:
            return


def decoded(found: Iterator[Packet[Any]]) -> Iterator[VideoFrame]:
    """Yield the frames that decode; packets that do not are passed over."""
    for packet in found:
        try:
            frames = packet.decode()
        except FFmpegError:
            continue
        for frame in frames:
            if isinstance(frame, VideoFrame):
                yield frame


def frames_from_start(path: Path, *, threads: bool = True) -> Frames:
    """Yield every frame that decodes, in display order. ``threads`` False uses one thread."""
    with opened(path) as container:
        video = video_stream(container, path)
        _set_threads(video, threads)
        yield from decoded(packets(container, video))


def frames_from_key(path: Path, target: int, back_s: float, *, threads: bool = True) -> Frames:
    """Yield frames from a keyframe at or before timestamp ``target`` (time base units) onward.

    Seeks ``back_s`` seconds before ``target``. Frames shown before that keyframe, which may
    lack what they refer to, are passed over. Yields nothing where the seek lands behind
    ``target`` or no keyframe is found: then try a larger ``back_s``, or from the start.
    """
    with opened(path) as container:
        video = video_stream(container, path)
        _set_threads(video, threads)
        base = video.time_base or Fraction(1, 90_000)
        try:
            container.seek(target - int(Fraction(back_s) / base), stream=video, backward=True)
        except FFmpegError:
            return
        found = packets(container, video)
        for packet in found:
            if packet.is_keyframe and packet.pts is not None:
                break
        else:
            return
        key = packet.pts
        if key > target:
            return
        for frame in decoded(_chain(packet, found)):
            if frame.pts is not None and frame.pts >= key:
                yield frame


def _chain(first: Packet[Any], rest: Iterator[Packet[Any]]) -> Iterator[Packet[Any]]:
    yield first
    yield from rest


def _set_threads(video: VideoStream, threads: bool) -> None:
    if threads:
        video.thread_type = "AUTO"
    else:
        video.codec_context.thread_count = 1
