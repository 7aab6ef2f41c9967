"""Exact frames by number, whatever the container's seeking does."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Sequence
from contextlib import closing

import numpy as np
import numpy.typing as npt
from av import VideoFrame

from vidseg.media.read.reader import Frames, frames_from_key, frames_from_start
from vidseg.model.clock import NS, format_time, ns_to_pts, pts_to_ns
from vidseg.model.problem import MediaError
from vidseg.model.recording import Part

Image = npt.NDArray[np.uint8]

ATTEMPTS: tuple[tuple[float | None, bool], ...] = (
    (0.0, True),
    (1.0, True),
    (1.0, False),
    (3.0, True),
    (10.0, True),
    (30.0, True),
    (30.0, False),
    (None, True),
    (None, False),
)
"""How far (s) before the wanted frame to seek (None: decode from the start), on how many threads.

Containers differ in where a seek lands (MPEG-TS and -PS: behind the moment asked for). Several
threads may lose good frames beside damaged ones at the end of a file; one does not.
"""

NEAR_FRAMES = 60
"""Up to so many frames ahead, decoding on is never dearer than seeking."""


def decode(part: Part, first: int, last: int) -> Generator[tuple[int, VideoFrame], None, None]:
    """Yield (index, frame) for exactly the frames ``[first, last)`` of ``part``, in order.

    ``index`` counts in ``part.frame_ns``. Raises IndexError for a range outside the part, and
    MediaError where a frame that was listed does not decode.
    """
    if not 0 <= first <= last <= len(part.frame_ns):
        raise IndexError(f"frames [{first}, {last}) of {len(part.frame_ns)}")
    wanted = first
    while wanted < last:
        reached = wanted
        for back_s, threads in ATTEMPTS:
            with closing(_run(part, wanted, last, back_s, threads)) as run:
                for index, frame in run:
                    yield index, frame
                    wanted = index + 1
            if wanted > reached:
                break
        if wanted == reached:
            at = format_time(int(part.frame_ns[wanted]))
            raise MediaError(
                str(part.path),
                f"frame {wanted} (at {at}) cannot be decoded: the data is damaged there",
            )


def pick(part: Part, indices: Sequence[int]) -> Iterator[tuple[int, VideoFrame]]:
    """Yield (index, frame) for each of ``indices``, sorted and once each, in one forward pass.

    Long stretches between wanted frames are jumped over. Raises IndexError for an index
    outside the part, and MediaError where a frame does not decode.
    """
    run: _Run | None = None
    try:
        for wanted in sorted(set(indices)):
            if not 0 <= wanted < len(part.frame_ns):
                raise IndexError(f"frame {wanted} of {len(part.frame_ns)}")
            if run is None or wanted - run.at > NEAR_FRAMES:
                run = _nearer(part, wanted, run)
            frame = run.advance(wanted) if run is not None else None
            yield (wanted, frame) if frame is not None else next(decode(part, wanted, wanted + 1))
    finally:
        if run is not None:
            run.close()


def upright(image: Image, rotation: int) -> Image:
    """Turn ``image``, shape (h, w) or (h, w, 3), clockwise by ``rotation`` (0, 90, 180, 270)."""
    return np.ascontiguousarray(np.rot90(image, -rotation // 90))


def _run(
    part: Part, first: int, last: int, back_s: float | None, threads: bool
) -> Generator[tuple[int, VideoFrame], None, None]:
    """Yield (index, frame) from ``first`` on, in order, as far as one attempt gets."""
    frames = _start(part, first, back_s, threads)
    if frames is None:
        return
    wanted = first
    with closing(frames):
        for index, frame in _numbered(part, frames):
            if index > wanted:
                return
            if index == wanted:
                yield index, frame
                wanted += 1
                if wanted == last:
                    return


def _start(part: Part, index: int, back_s: float | None, threads: bool) -> Frames | None:
    if back_s is None:
        return frames_from_start(part.path, threads=threads)
    if part.pts_order and back_s * NS <= part.frame_ns[index]:
        target = part.first_pts + ns_to_pts(int(part.frame_ns[index]), part.time_base)
        return frames_from_key(part.path, target, back_s, threads=threads)
    return None


class _Run:
    """One open run of decoded frames; ``at`` is the index reached."""

    def __init__(self, part: Part, frames: Frames) -> None:
        self._frames = frames
        self._numbered = _numbered(part, frames)
        self._latest: tuple[int, VideoFrame] | None = None
        self.at = -1
        self._step()

    def _step(self) -> None:
        self._latest = next(self._numbered, None)
        if self._latest is not None:
            self.at = self._latest[0]

    def advance(self, index: int) -> VideoFrame | None:
        """Decode on to frame ``index``; None where the run does not hold it."""
        while self._latest is not None and self._latest[0] < index:
            self._step()
        found = self._latest
        return found[1] if found is not None and found[0] == index else None

    def close(self) -> None:
        """Close the file."""
        self._frames.close()


def _nearer(part: Part, index: int, run: _Run | None) -> _Run | None:
    """Jump ahead to a keyframe at or before ``index``; stay with ``run`` where none is ahead."""
    for back_s, threads in ATTEMPTS:
        frames = _start(part, index, back_s, threads) if threads else None
        if frames is None or (back_s is None and run is not None):
            continue
        jumped = _Run(part, frames)
        if (-1 if run is None else run.at) < jumped.at <= index:
            if run is not None:
                run.close()
            return jumped
        jumped.close()
        if run is not None and 0 <= jumped.at <= run.at:
            return run
    return run


def _numbered(part: Part, run: Iterable[VideoFrame]) -> Iterator[tuple[int, VideoFrame]]:
    """Give the frames that are listed their index in ``part.frame_ns``."""
    if not part.pts_order:
        for number, frame in enumerate(run):
            if number >= part.skipped:
                yield number - part.skipped, frame
        return
    half_tick_ns = float(part.time_base * NS / 2)
    for frame in run:
        if frame.pts is None:
            continue
        at = pts_to_ns(frame.pts - part.first_pts, part.time_base)
        place = int(np.searchsorted(part.frame_ns, at - half_tick_ns))
        if place < len(part.frame_ns) and abs(int(part.frame_ns[place]) - at) <= half_tick_ns:
            yield place, frame
