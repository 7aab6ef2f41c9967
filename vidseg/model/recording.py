"""A recording: one or several files on one case clock, with the exact time of every frame."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from vidseg.model.annotation import Cue
from vidseg.model.problem import Problem
from vidseg.model.span import Span, Spans

FrameTimes = npt.NDArray[np.int64]
FrameRange = tuple[int, int]
"""Frame numbers ``[first, last)``, of a part or case-wide as is said."""


@dataclass(frozen=True, slots=True)
class AudioTrack:
    """Facts of one audio stream; times in ns relative to the part's first displayed frame."""

    index: int
    codec: str
    rate_hz: int
    channels: int
    language: str
    start_ns: int
    length_ns: int


@dataclass(frozen=True, slots=True)
class CaptionTrack:
    """Facts of one subtitle stream."""

    index: int
    codec: str
    language: str


@dataclass(frozen=True, slots=True)
class Chapter:
    """A chapter found in a file: ``span`` in ns relative to the part's first displayed frame."""

    span: Span
    title: str


@dataclass(frozen=True, slots=True)
class Part:
    """One file of a recording.

    ``start`` is where the part lies on the case clock (ns). ``frame_ns``, shape (n_frames,),
    int64, rises strictly and starts at 0: the start of every displayed frame relative to the
    first. The file's first ``skipped`` frames (``skipped_ns``) repeat the end of the part before
    and are left out.
    ``length`` (ns) is the end of the last frame. ``first_pts`` is the first displayed
    frame's timestamp in ``time_base`` units. ``pts_order`` is False where timestamps are
    missing or unordered (some AVI), so that frames are numbered in decode order instead.
    ``doubts`` are plain sentences, each a thing that makes times doubtful; ``tags`` the
    metadata as (place, key, value).
    """

    path: Path
    start: int
    length: int
    frame_ns: FrameTimes = field(repr=False)
    width: int
    height: int
    container: str
    codec: str
    profile: str
    pixel_format: str
    rate: Fraction
    time_base: Fraction
    first_pts: int
    pts_order: bool = True
    constant_rate: bool = True
    interlaced: bool = False
    rotation: int = 0
    pixel_aspect: Fraction = Fraction(1)
    size_bytes: int = 0
    skipped: int = 0
    skipped_ns: int = 0
    audio: tuple[AudioTrack, ...] = ()
    captions: tuple[CaptionTrack, ...] = ()
    chapters: tuple[Chapter, ...] = ()
    timecode: str | None = None
    tags: tuple[tuple[str, str, str], ...] = ()
    doubts: tuple[str, ...] = ()

    @property
    def span(self) -> Span:
        """Where the part lies on the case clock."""
        return Span(self.start, self.start + self.length)


@dataclass(frozen=True, slots=True)
class Recording:
    """Parts in order on one case clock. Raises ValueError when empty or out of order.

    ``clock`` says where the parts' places come from: a single part, starts the user declared,
    timecode tracks that agree, or nothing (the parts are taken to touch).
    """

    parts: tuple[Part, ...]
    clock: Literal["single", "declared", "timecode", "touching"] = "single"

    def __post_init__(self) -> None:
        if not self.parts:
            raise ValueError("a recording has at least one part")
        for before, after in zip(self.parts, self.parts[1:], strict=False):
            if after.start < before.start + before.length:
                raise ValueError(f"{after.path.name} starts before {before.path.name} ends")

    @property
    def length(self) -> int:
        """End of the last part on the case clock, in ns (holes included)."""
        return self.parts[-1].span.end

    @property
    def recorded(self) -> Spans:
        """The time for which there is footage."""
        return Spans(part.span for part in self.parts)

    @property
    def n_frames(self) -> int:
        """Frames in all parts."""
        return sum(len(part.frame_ns) for part in self.parts)

    def first_frame(self, part: int) -> int:
        """Give the case-wide number of the first frame of part number ``part``."""
        return sum(len(p.frame_ns) for p in self.parts[:part])

    def frame_at(self, at: int) -> int:
        """Give the frame boundary nearest to ``at`` (ns, case time), ties to the earlier.

        The result goes from 0 to ``n_frames``: ``n_frames`` is the end of the last frame.
        """
        best, distance, base = 0, abs(at - self.parts[0].start), 0
        for number, part in enumerate(self.parts):
            local = at - part.start
            place = int(np.searchsorted(part.frame_ns, local))
            for index in (place - 1, place):
                if 0 <= index < len(part.frame_ns):
                    apart = abs(int(part.frame_ns[index]) - local)
                    if apart < distance:
                        best, distance = base + index, apart
            base += len(part.frame_ns)
            last = number == len(self.parts) - 1
            touching = not last and self.parts[number + 1].start == part.span.end
            if not touching and abs(local - part.length) < distance:
                best, distance = base, abs(local - part.length)
        return best

    def frame_start(self, frame: int) -> int:
        """Give the case time (ns) at which frame ``frame`` starts; ``n_frames`` gives the end.

        Raises IndexError outside ``[0, n_frames]``.
        """
        if not 0 <= frame <= self.n_frames:
            raise IndexError(f"frame {frame} of {self.n_frames}")
        base = 0
        for part in self.parts:
            if frame < base + len(part.frame_ns):
                return part.start + int(part.frame_ns[frame - base])
            base += len(part.frame_ns)
        return self.length

    def snap(self, at: int) -> int:
        """Move ``at`` (ns) to the nearest frame boundary, ties to the earlier."""
        return self.frame_start(self.frame_at(at))


@dataclass(frozen=True, slots=True)
class Captions:
    """Captions of a case: cues in case time, in file order, and the problems met reading them."""

    source: str
    cues: tuple[Cue, ...]
    language: str = ""
    problems: tuple[Problem, ...] = ()
