"""Runs of frames: which stretch of which file a clip is made of."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from vidseg.model.problem import UsageError
from vidseg.model.recording import Part, Recording
from vidseg.model.span import Span


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames ``[first, last)`` of one part, played from ``offset`` (ns) of the clip.

    ``start`` and ``end`` are their times in ns within the part, ``number`` the part's place in
    the recording.
    """

    part: Part
    number: int
    first: int
    last: int
    offset: int

    @property
    def start(self) -> int:
        """Start of the first frame, ns within the part."""
        return int(self.part.frame_ns[self.first])

    @property
    def end(self) -> int:
        """End of the last frame, ns within the part."""
        if self.last == len(self.part.frame_ns):
            return self.part.length
        return int(self.part.frame_ns[self.last])

    @property
    def length(self) -> int:
        """Length in ns."""
        return self.end - self.start

    @property
    def span(self) -> Span:
        """Where the stretch lies on the case clock."""
        return Span(self.part.start + self.start, self.part.start + self.end)


def stretches(recording: Recording, ranges: Iterable[tuple[int, int]]) -> tuple[Stretch, ...]:
    """Split ranges of case-wide frame numbers ``[first, last)`` at the joins between parts.

    Stretches follow one another without pause: time in which nothing was recorded is left out.
    Raises UsageError for an empty range or one beyond the recording.
    """
    found: list[Stretch] = []
    offset = 0
    for first, last in ranges:
        if not 0 <= first < last <= recording.n_frames:
            raise UsageError(
                f"no clip of frames {first} to {last}: the recording has frames 0 to "
                f"{recording.n_frames}, and a clip has at least one"
            )
        base = 0
        for number, part in enumerate(recording.parts):
            count = len(part.frame_ns)
            low, high = max(first - base, 0), min(last - base, count)
            if low < high:
                found.append(Stretch(part, number, low, high, offset))
                offset += found[-1].length
            base += count
    if not found:
        raise UsageError("a clip has at least one range of frames")
    return tuple(found)
