"""The frames of a recording looked at as possible stills, and what was measured of each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from statistics import median

from av import VideoFrame

from vidseg.media.picture.sharpness import (
    FrameQuality,
    Luma,
    central_luma,
    luma_quality,
    thumbnail,
)
from vidseg.media.read.keyframes import keyframes, sparse_frames
from vidseg.model.progress import Progress
from vidseg.model.recording import FrameRange, Recording

REACH = 60
"""Frames behind a key frame that are still cheap to get at: two seconds at 30 frames/s."""


@dataclass(frozen=True, slots=True)
class MeasuredFrame:
    """What was measured of one frame."""

    quality: FrameQuality
    thumbnail: Luma

    @property
    def light_fault(self) -> str:
        """``black`` where nearly all is, ``blown out`` where half is, else empty."""
        if self.quality.black >= 0.9:
            return "black"
        if self.quality.blown_out >= 0.5:
            return "blown out"
        return ""


class Candidates:
    """The pictures measured so far, by case-wide frame number; ``keyframes`` stand alone."""

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        self.pictures: dict[int, MeasuredFrame] = {}
        self.keyframes: set[int] = set()

    def look_at_keyframes(
        self, ranges: Iterable[FrameRange], count: int, progress: Progress | None = None
    ) -> None:
        """Measure up to ``count`` key frames spread over each range, or close before it."""
        targets = [number for span in ranges for number in spread(span, count)]
        wanted = by_part(self.recording, targets)
        total = sum(len(local) for _, _, local in wanted)
        done = 0
        with ExitStack() as opened:
            for number, base, local in wanted:
                reader = opened.enter_context(keyframes(self.recording.parts[number]))
                known = {frame - base for frame in self.pictures}
                for index in local:
                    found = reader.read(index, skip=known)
                    if found is not None:
                        known.add(found[0])
                        self.keyframes.add(base + found[0])
                        self.pictures[base + found[0]] = _measure(found[1])
                    done += 1
                    if progress is not None:
                        progress(done / total)

    def look_between_keyframes(self, ranges: Iterable[FrameRange], count: int) -> None:
        """Measure up to ``count`` frames in each range that lie not far behind a key frame.

        Where a range hardly has such frames, any evenly spread ones are taken, at whatever
        cost: in a recording without key frames all is decoded once.
        """
        numbers: set[int] = set()
        for first, last in ranges:
            targets = spread((first, last), count)
            near = {n for n in self._within_reach(targets) if first <= n < last}
            cheap = near | {n for n in self.keyframes if first <= n < last}
            numbers.update(near if len(cheap) >= 2 else targets)
        self.look_at(numbers)

    def look_at(self, numbers: Iterable[int], progress: Progress | None = None) -> None:
        """Measure exactly these frames; what is damaged is passed over."""
        wanted = by_part(self.recording, (n for n in numbers if n not in self.pictures))
        total = sum(len(local) for _, _, local in wanted)
        done = 0
        for number, base, local in wanted:
            part = self.recording.parts[number]
            for index, frame in sparse_frames(part, local, pass_over=True):
                self.pictures[base + index] = _measure(frame)
                done += 1
                if progress is not None:
                    progress(done / total)

    def inside(self, ranges: Sequence[FrameRange]) -> list[int]:
        """List the measured frames in ``ranges``, rising."""
        return sorted(
            number
            for number in self.pictures
            if any(first <= number < last for first, last in ranges)
        )

    def usual_sharpness(self) -> float:
        """Give the median sharpness of what is neither black nor blown out; 0 without any."""
        values = [p.quality.sharpness for p in self.pictures.values() if not p.light_fault]
        return median(values) if values else 0.0

    def _within_reach(self, targets: Sequence[int]) -> set[int]:
        """Pull each target back to within ``REACH`` of the key frame before it.

        Several that share one are spread over its reach. Targets without one are left out.
        """
        sharing: dict[int, list[int]] = {}
        for number, base, local in by_part(self.recording, targets):
            with keyframes(self.recording.parts[number]) as found:
                for index in local:
                    key = found.before(index)
                    if key is not None and key <= index:
                        sharing.setdefault(base + key, []).append(base + index)
        return {
            min(target, key + REACH * place // len(group))
            for key, group in sharing.items()
            for place, target in enumerate(group, start=1)
        }


def spread(span: FrameRange, count: int) -> list[int]:
    """Spread ``count`` frame numbers evenly over a range; fewer where it is shorter."""
    first, last = span
    return sorted(
        {first + (2 * place + 1) * (last - first) // (2 * count) for place in range(count)}
    )


def by_part(recording: Recording, numbers: Iterable[int]) -> list[tuple[int, int, list[int]]]:
    """Sort case-wide frame numbers into (part number, its first frame, indices in the part).

    Raises IndexError for a frame that does not exist.
    """
    rest = sorted(set(numbers))
    if rest and not 0 <= rest[0] <= rest[-1] < recording.n_frames:
        raise IndexError(f"frames {rest[0]} to {rest[-1]} of {recording.n_frames}")
    found = []
    for number, part in enumerate(recording.parts):
        base = recording.first_frame(number)
        local = [n - base for n in rest if base <= n < base + len(part.frame_ns)]
        if local:
            found.append((number, base, local))
    return found


def _measure(frame: VideoFrame) -> MeasuredFrame:
    luma = central_luma(frame)
    return MeasuredFrame(luma_quality(luma), thumbnail(luma))
