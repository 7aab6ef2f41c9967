"""Encode pictures and sound with PyAV into a container with chosen structure and clock."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import av.filter
import numpy as np
from av.video.frame import PictureType

from synthetic_clips.encoding import AUDIO_CODECS, Encoding, add_video
from synthetic_clips.rotation import turn_video
from synthetic_clips.sound import SAMPLE_RATE, Sound

NS = 1_000_000_000
_KEEPS_NEGATIVE = {".mp4", ".mov"}
_SHIFT = Fraction(1, 1_000_000)


@contextmanager
def written_aside(path: Path) -> Iterator[Path]:
    """Yield a path beside ``path`` to write to; rename it to ``path`` when the block succeeds."""
    aside = path.with_name(f".{path.stem}.{os.getpid()}.part{path.suffix}")
    try:
        yield aside
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


def write_recording(
    path: Path,
    pictures: Iterable[av.VideoFrame],
    count: int,
    encoding: Encoding,
    *,
    times_ns: Sequence[int] | None = None,
    sound: Sound | None = None,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Write ``count`` pictures, and sound beneath them, to ``path`` (aside, then renamed).

    Picture ``i`` is shown at ``times_ns[i]``, or at ``i / rate``. Time 0 of ``sound`` is the
    first picture's; it begins ``audio_lead_s`` earlier. ValueError for what the container or
    codec cannot hold.
    """
    _refuse_impossible(path, encoding, times_ns, count)
    with written_aside(path) as aside:
        with av.open(str(aside), "w") as container:
            _fill(container, path, pictures, count, encoding, times_ns, sound, progress)
        if encoding.rotation:
            turn_video(aside, encoding.rotation)


def _refuse_impossible(
    path: Path, encoding: Encoding, times_ns: Sequence[int] | None, count: int
) -> None:
    suffix = path.suffix.lower()
    if suffix not in AUDIO_CODECS:
        raise ValueError(f"{path.name}: write one of {', '.join(AUDIO_CODECS)}")
    if count < 1:
        raise ValueError("a clip has at least one frame")
    if encoding.size[0] % 2 or encoding.size[1] % 2:
        raise ValueError(f"width and height are even, not {encoding.size}")
    if encoding.start_offset_s < 0 or encoding.audio_lead_s < 0:
        raise ValueError("start_offset_s and audio_lead_s are 0 or more")
    if encoding.rotation and suffix not in _KEEPS_NEGATIVE:
        raise ValueError("rotation is written to .mp4 and .mov only")
    if encoding.rotation not in (0, 90, 180, 270):
        raise ValueError(f"rotation is 0, 90, 180 or 270, not {encoding.rotation}")
    if suffix == ".avi" and (times_ns or encoding.start_offset_s or encoding.audio_lead_s):
        raise ValueError("AVI has no timestamps: no variable rate, start offset or audio lead")
    if encoding.gop > 600 and encoding.codec in ("mpeg2video", "mpeg4"):
        raise ValueError(f"{encoding.codec} has at most 600 frames from key frame to key frame")
    if times_ns is not None:
        if encoding.codec == "mpeg2video":
            raise ValueError("mpeg2video has a fixed rate")
        if len(times_ns) != count:
            raise ValueError(f"{len(times_ns)} times for {count} frames")
        if times_ns[0] < 0 or any(b <= a for a, b in pairwise(times_ns)):
            raise ValueError("times_ns must start at 0 or later and increase")


def _fill(
    container: av.container.OutputContainer,
    path: Path,
    pictures: Iterable[av.VideoFrame],
    count: int,
    encoding: Encoding,
    times_ns: Sequence[int] | None,
    sound: Sound | None,
    progress: Callable[[float], None] | None,
) -> None:
    video = add_video(container, encoding, variable=times_ns is not None)
    audio: Any = None
    if sound is not None:
        audio = container.add_stream(AUDIO_CODECS[path.suffix.lower()], rate=SAMPLE_RATE)
        audio.layout = "mono"
        if encoding.language:
            audio.metadata["language"] = encoding.language
    container.metadata.update(encoding.metadata)

    lead = Fraction(encoding.audio_lead_s).limit_denominator(1_000_000)
    offset = Fraction(encoding.start_offset_s).limit_denominator(1_000_000)
    keeps_negative = path.suffix.lower() in _KEEPS_NEGATIVE
    step = video.codec_context.time_base

    def moment(index: int) -> Fraction:
        if times_ns is not None and index < len(times_ns):
            return Fraction(times_ns[index], NS)
        if times_ns is not None:
            return Fraction(times_ns[-1], NS) + 1 / encoding.rate
        return index / encoding.rate

    blocks: Iterator[av.AudioFrame] = iter(())
    if sound is not None:
        blocks = _audio_frames(sound, lead, moment(count))
    pending = next(blocks, None)

    def write_sound(until: Fraction | None) -> None:
        nonlocal pending
        while pending is not None and (
            until is None or Fraction(pending.pts or 0, SAMPLE_RATE) - lead <= until
        ):
            for packet in audio.encode(pending):
                mux(packet, offset)
            pending = next(blocks, None)

    def mux(packet: av.Packet[Any], shift: Fraction) -> None:
        if packet.pts is None:
            return
        if packet.stream is audio and packet.pts < 0 and (shift or not keeps_negative):
            return  # encoder priming: most muxers would move every stream to make room for it
        if shift:
            _shift(packet, shift)
        container.mux(packet)

    forced = encoding.codec in ("mpeg2video", "mpeg4")  # these two miscount groups with B-frames
    for index, picture in enumerate(_as_fields(pictures) if encoding.interlaced else pictures):
        if forced and index % encoding.gop == 0:
            picture.pict_type = PictureType.I
        picture.pts = round(moment(index) / step)
        picture.time_base = step
        picture.duration = round((moment(index + 1) - moment(index)) / step)
        write_sound(moment(index))
        for packet in video.encode(picture):
            mux(packet, offset + lead)
        if progress is not None:
            progress((index + 1) / count)
    for packet in video.encode(None):
        mux(packet, offset + lead)
    write_sound(None)
    if audio is not None:
        for packet in audio.encode(None):
            mux(packet, offset)


def _as_fields(pictures: Iterable[av.VideoFrame]) -> Iterator[av.VideoFrame]:
    """Mark each picture as two fields, the upper one first."""
    graph: Any = None
    for picture in pictures:
        if graph is None:
            graph = av.filter.Graph()
            source = graph.add_buffer(
                width=picture.width,
                height=picture.height,
                format=picture.format.name,
                time_base=Fraction(1, 1000),
            )
            field, sink = graph.add("setfield", "tff"), graph.add("buffersink")
            source.link_to(field)
            field.link_to(sink)
            graph.configure()
        graph.push(picture)
        yield graph.pull()


def _shift(packet: av.Packet[Any], by: Fraction) -> None:
    scale = packet.time_base / _SHIFT
    if packet.pts is not None:
        packet.pts = round(packet.pts * scale + by / _SHIFT)
    if packet.dts is not None:
        packet.dts = round(packet.dts * scale + by / _SHIFT)
    packet.duration = round((packet.duration or 0) * scale)
    packet.time_base = _SHIFT


def _audio_frames(sound: Sound, lead: Fraction, end: Fraction) -> Iterator[av.AudioFrame]:
    block = SAMPLE_RATE // 10
    before, total = round(lead * SAMPLE_RATE), round((lead + end) * SAMPLE_RATE)
    for first in range(0, total, block):
        samples = sound.samples(first - before, min(block, total - first))
        frame = av.AudioFrame.from_ndarray(samples[np.newaxis, :], format="fltp", layout="mono")
        frame.sample_rate = SAMPLE_RATE
        frame.pts, frame.time_base = first, Fraction(1, SAMPLE_RATE)
        yield frame
