"""Where a written moment lies on the case clock: nanoseconds, frame numbers, timecode, parts."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from vidseg.model.annotation import Frame, InPart, Moment, Timecode
from vidseg.model.clock import NS, format_time, frame_to_ns, timecode_to_frame
from vidseg.model.recording import Recording

Clock = Literal["recording", "timecode"]
"""Which clock written times are read on."""

SNAP_TOLERANCE_NS = 1_000_000
"""A written time this close to a frame (1 ms, the rounding of a written time) is on it."""


@dataclass(frozen=True, slots=True)
class Ruler:
    """What moments are measured against: the recording, or a frame rate and a length (ns)."""

    recording: Recording | None = None
    rate: Fraction | None = None
    length_ns: int | None = None
    clock: Clock = "recording"

    @property
    def end(self) -> int | None:
        """Where the case clock ends (ns), if known."""
        return self.recording.length if self.recording is not None else self.length_ns

    def place(self, moment: Moment) -> int:
        """Put a moment on the case clock (ns).

        Raises ValueError for a timecode that does not exist at the rate, IndexError for a frame
        outside the recording, and LookupError where the recording or a rate is needed.
        """
        if self.clock == "timecode" and isinstance(moment, int | Timecode):
            return self._by_timecode(moment)
        if isinstance(moment, int):
            return moment
        if isinstance(moment, InPart):
            return self._in_part(moment)
        if isinstance(moment, Timecode):
            rate = self.recording.parts[0].rate if self.recording is not None else self.rate
            if rate is None:
                raise LookupError(f"timecode {moment.text} needs the recording or a frame rate")
            moment = Frame(timecode_to_frame(moment.text, rate))
        if self.recording is not None:
            if moment.number > self.recording.n_frames:
                raise IndexError(
                    f"frame {moment.number} lies outside the recording of "
                    f"{self.recording.n_frames} frames"
                )
            return self.recording.frame_start(moment.number)
        if self.rate is None:
            raise LookupError(f"frame {moment.number} needs the recording or a frame rate")
        return frame_to_ns(moment.number, self.rate)

    def _in_part(self, moment: InPart) -> int:
        if self.recording is None:
            raise LookupError(f"a time in part {moment.part} needs the recording")
        parts = self.recording.parts
        if moment.part > len(parts):
            raise IndexError(f"there is no part {moment.part}; the recording has {len(parts)}")
        part = parts[moment.part - 1]
        # the time counts from the file's own first frame, skipped or not
        own = moment.at - part.skipped_ns
        if own > part.length:
            raise IndexError(
                f"{format_time(moment.at)} lies outside part {moment.part}, which is "
                f"{format_time(part.length + part.skipped_ns)} long"
            )
        return part.start + max(0, own)

    def _by_timecode(self, moment: int | Timecode) -> int:
        """Place a recorder's label, or a time read off its clock, by the timecode tracks."""
        if self.recording is None:
            raise LookupError("times on the timecode clock need the recording")
        for part in self.recording.parts:
            if part.timecode is None:
                raise LookupError(f"{part.path.name} has no timecode track")
            zero = timecode_to_frame(part.timecode, part.rate)
            if isinstance(moment, Timecode):
                at = frame_to_ns(timecode_to_frame(moment.text, part.rate) - zero, part.rate)
            else:
                at = moment - _clock_time(part.timecode, part.rate)
            at -= part.skipped_ns
            if -SNAP_TOLERANCE_NS <= at <= part.length + SNAP_TOLERANCE_NS:
                return part.start + min(max(0, at), part.length)
        written = moment.text if isinstance(moment, Timecode) else format_time(moment)
        first = self.recording.parts[0]
        raise IndexError(
            f"{written} lies outside the recording, whose timecode starts at {first.timecode} and "
            f"which is {format_time(self.recording.length)} long"
        )


def _clock_time(label: str, rate: Fraction) -> int:
    """Give the time that a label reads as: hours, minutes, seconds, and frames as a fraction."""
    hours, minutes, seconds, frames = (int(part) for part in label.replace(";", ":").split(":"))
    return ((hours * 60 + minutes) * 60 + seconds) * NS + frame_to_ns(frames, rate)
