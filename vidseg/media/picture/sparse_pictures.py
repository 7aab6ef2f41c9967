"""Pictures taken sparsely over a recording, small and upright, to look the whole of it over."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt
from av import VideoFrame

from vidseg.media.read.frames import upright
from vidseg.media.read.keyframes import keyframes, sparse_frames
from vidseg.model.clock import NS
from vidseg.model.progress import Progress
from vidseg.model.recording import Part, Recording

Picture = npt.NDArray[np.uint8]

MOST = 300
"""Pictures looked at in a recording, shared out by length."""

CLOSEST_NS = NS // 4
"""Two pictures are no closer than this: nothing moves in between."""

FEW_KEYS = 0.6
"""With fewer key frames than this share of the pictures wanted, others are decoded too."""

LONG_SIDE = 640
"""Pictures are averaged down until neither side is longer (px)."""

SMALL = (64, 36)


@dataclass(frozen=True, slots=True)
class SparsePicture:
    """One picture: case-wide frame ``frame`` starting at ``at`` (ns, case time), upright.

    It hangs on key frame ``key`` (case-wide; its own number where that is not known).
    ``full`` is its size (width, height) in px. ``gray``, shape (h, w), is its brightness with
    sides of at most ``LONG_SIDE``; ``small``, shape (36, 64, 3), the whole picture in RGB.
    """

    frame: int
    key: int
    at: int
    full: tuple[int, int]
    gray: Picture = field(repr=False)
    small: Picture = field(repr=False)


def take_samples(recording: Recording, progress: Progress | None = None) -> list[SparsePicture]:
    """Give pictures from start to end, about evenly apart, ``MOST`` at most.

    Key frames, which decode alone, serve where there are enough of them. Frames that do not
    decode are passed over. ``progress`` gets the fraction done. Raises MediaError for a file
    that cannot be opened.
    """
    base, reached = 0, 0.0
    total = sum(part.length for part in recording.parts)
    samples: list[SparsePicture] = []
    for part in recording.parts:
        wanted = _wanted(part, total)
        taken: set[int] = set()
        for index, key, frame in _frames(part, wanted, taken):
            at = part.start + int(part.frame_ns[index])
            samples.append(_sample(frame, part, base + index, base + key, at))
            reached = max(reached, (base + index) / recording.n_frames)
            if progress is not None:
                progress(reached)
        base += len(part.frame_ns)
    if progress is not None:
        progress(1.0)
    return sorted(samples, key=lambda sample: sample.frame)


def _wanted(part: Part, total: int) -> list[int]:
    """Choose indices of frames about evenly apart in time, none closer than ``CLOSEST_NS``."""
    share = round(MOST * part.length / total)
    count = max(1, min(share, part.length // CLOSEST_NS, len(part.frame_ns)))
    times = (np.arange(count) + 0.5) * part.length / count
    places = np.searchsorted(part.frame_ns, times.astype(np.int64), side="right") - 1
    return sorted({int(place) for place in places})


def _frames(
    part: Part, wanted: list[int], taken: set[int]
) -> Iterator[tuple[int, int, VideoFrame]]:
    """Yield the index of a frame, that of the key frame it hangs on, and the frame."""
    with keyframes(part) as found:
        for index in wanted:
            got = found.read(index, taken)
            if got is not None:
                taken.add(got[0])
                yield got[0], *got
    if len(taken) >= FEW_KEYS * len(wanted):
        return
    near = int(part.length / len(wanted) / 2)
    times = [int(part.frame_ns[index]) for index in taken]
    missing = [
        index
        for index in wanted
        if index not in taken
        and all(abs(int(part.frame_ns[index]) - time) >= near for time in times)
    ]
    with keyframes(part) as found:
        keys = {index: found.before(index) for index in missing}
    for index, frame in sparse_frames(part, missing, pass_over=True):
        key = keys.get(index)
        yield index, index if key is None else key, frame


def _sample(frame: VideoFrame, part: Part, number: int, key: int, at: int) -> SparsePicture:
    picture = averaged_down(frame, part, LONG_SIDE)
    gray = np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), np.uint8)
    small = np.asarray(cv2.resize(picture, SMALL, interpolation=cv2.INTER_AREA), np.uint8)
    return SparsePicture(number, key, at, size_upright(frame, part), gray, small)


def averaged_down(frame: VideoFrame, part: Part, side: int) -> Picture:
    """Give the upright picture in RGB, shape (h, w, 3), neither side longer than ``side`` px."""
    scale = min(1.0, side / max(frame.width, frame.height))
    width, height = (max(8, round(length * scale)) for length in (frame.width, frame.height))
    rgb = frame.reformat(width, height, "rgb24", interpolation="AREA").to_ndarray()
    return upright(np.asarray(rgb, np.uint8), part.rotation)


def size_upright(frame: VideoFrame, part: Part) -> tuple[int, int]:
    """Give width and height (px) of the whole picture as it is shown."""
    turned = part.rotation % 180 != 0
    return (frame.height, frame.width) if turned else (frame.width, frame.height)
