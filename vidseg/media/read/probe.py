"""From files to a Recording: facts, and the exact time of every displayed frame."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np

from vidseg.media.read import facts, frame_rate
from vidseg.media.read.clock_doubts import ClockEvidence, doubts
from vidseg.media.read.frame_list import FrameList, list_frames
from vidseg.media.read.opening import opened, picture_streams, video_stream
from vidseg.media.read.parts import join_parts
from vidseg.model.clock import NS, frame_to_ns, pts_to_ns
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.progress import Progress
from vidseg.model.recording import FrameTimes, Part, Recording


def open_recording(
    paths: Sequence[Path], progress: Progress | None = None, starts: Sequence[int] = ()
) -> Recording:
    """Read ``paths``, in order, as one recording: see ``join_parts`` for its clock.

    ``starts`` (ns, from any common origin) says when each part began, where that is declared.
    ``progress`` gets the fraction done. Raises MediaError, and UsageError without a path.
    """
    if not paths:
        raise UsageError("name at least one recording")
    parts: list[Part] = []
    for number, path in enumerate(paths):

        def done(fraction: float, number: int = number) -> None:
            if progress is not None:
                progress((number + fraction) / len(paths))

        parts.append(read_part(path, 0, done))
    return join_parts(parts, starts)


def read_part(
    path: Path, start: int = 0, progress: Progress | None = None, *, thorough: bool = False
) -> Part:
    """Read one file: its facts, and the exact start of every displayed frame.

    ``start`` is where the part lies on the case clock (ns). Packets are listed, and only the
    file's two ends are decoded unless its timestamps cannot be trusted. ``thorough`` decodes
    everything, and so leaves out frames lost to damage that nothing marks. ``progress`` gets
    the fraction done. Raises MediaError where the file is missing, not media, without pictures,
    without index or without a single frame that decodes.
    """
    path = Path(path)
    frames = list_frames(path, progress, thorough=thorough)
    if frames is None:
        raise MediaError(str(path), "not one frame of the picture stream can be decoded")
    with opened(path) as container:
        video = video_stream(container, path)
        base = video.time_base or Fraction(1, 90_000)
        tick_ns = base * NS
        context = video.codec_context
        claimed = (video.guessed_rate, video.average_rate, video.base_rate)
        broken: tuple[Fraction, int] | None = None
        first_pts = frames.pts[0] if frames.ordered else (frames.head.pts or 0)
        if frames.ordered:
            frame_ns = _relative(frames.pts, base)
            rate = frame_rate.constant_rate(frame_ns, tick_ns, claimed)
            if rate is None:
                broken = frame_rate.broken_rate(frame_ns, tick_ns, claimed)
        else:
            rate = next((r for r in (video.average_rate, video.guessed_rate) if r), Fraction(25))
            frame_ns = np.array(
                [frame_to_ns(i, rate) for i in range(len(frames.pts))], dtype=np.int64
            )
        stored = _stored_length(frames, base, rate)
        last = frame_rate.last_length(frame_ns, stored, rate, tick_ns)
        length = int(frame_ns[-1]) + last
        zero = pts_to_ns(first_pts, base)
        audio = facts.audio_tracks(container, frames.packets.others, zero)
        evidence = ClockEvidence(
            frame_ns=frame_ns,
            length=length,
            rate=rate,
            broken=broken,
            tick_ns=tick_ns,
            zero=zero,
            frames=frames,
            audio=audio,
            header_ns=_header_length(container.duration, video.duration, base),
            video_streams=len(picture_streams(container)),
        )
        part = Part(
            path=path,
            start=start,
            length=length,
            frame_ns=frame_ns,
            width=frames.head.width,
            height=frames.head.height,
            container=container.format.name,
            codec=context.name,
            profile=str(context.profile or ""),
            pixel_format=frames.head.format.name,
            rate=rate or (broken[0] if broken else frame_rate.mean_rate(frame_ns, length)),
            time_base=base,
            first_pts=first_pts,
            pts_order=frames.ordered,
            constant_rate=rate is not None,
            interlaced=frames.interlaced,
            rotation=-frames.head.rotation % 360,
            pixel_aspect=video.sample_aspect_ratio or Fraction(1),
            size_bytes=path.stat().st_size,
            audio=audio,
            captions=facts.caption_tracks(container),
            chapters=facts.chapters(container, zero),
            timecode=facts.timecode(container, video),
            tags=facts.tags(container),
            doubts=doubts(evidence),
        )
    frame_ns.setflags(write=False)
    if progress is not None:
        progress(1.0)
    return part


def _relative(pts: list[int], base: Fraction) -> FrameTimes:
    return np.array([pts_to_ns(p - pts[0], base) for p in pts], dtype=np.int64)


def _stored_length(frames: FrameList, base: Fraction, rate: Fraction | None) -> int | None:
    if not frames.ordered or (rate is None and frames.packets.spaced):
        return None
    duration = frames.packets.durations.get(frames.pts[-1])
    return pts_to_ns(duration, base) if duration else None


def _header_length(whole: int | None, picture: int | None, base: Fraction) -> int | None:
    if picture:
        return pts_to_ns(picture, base)
    return whole * 1000 if whole else None
