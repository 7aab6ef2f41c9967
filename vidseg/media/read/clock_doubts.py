"""What makes a recording's times doubtful, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from vidseg.media.read import frame_rate
from vidseg.media.read.frame_list import FrameList
from vidseg.model.clock import NS, format_time
from vidseg.model.recording import AudioTrack, FrameTimes


@dataclass(frozen=True, slots=True)
class ClockEvidence:
    """What was measured: ``tick_ns`` is one time base unit, ``zero`` the first frame's stored
    time, ``header_ns`` the length the header claims (all ns); ``rate`` None when it varies;
    ``broken`` is a rate that all but so many frames keep."""

    frame_ns: FrameTimes
    length: int
    rate: Fraction | None
    broken: tuple[Fraction, int] | None
    tick_ns: Fraction
    zero: int
    frames: FrameList
    audio: tuple[AudioTrack, ...]
    header_ns: int | None
    video_streams: int


def doubts(evidence: ClockEvidence) -> tuple[str, ...]:
    """Give the doubts as sentences, most serious first; none for a sound recording."""
    return (
        *_damage(evidence),
        *_clock(evidence),
        *_shape(evidence),
    )


def _damage(e: ClockEvidence) -> Iterator[str]:
    packets = e.frames.packets
    header = e.header_ns
    end = max([e.length, *(t.start_ns + t.length_ns for t in e.audio)]) + max(0, e.zero)
    if header is not None and header - end > NS // 2:
        yield (
            f"The header promises {format_time(header)} but the last frame that decodes ends at "
            f"{format_time(e.length)}: the file is cut short or damaged."
        )
    if packets.lost:
        yield (
            f"The file's header counts {packets.lost} picture(s) more than are found: they are "
            "lost, and as an AVI counts time in pictures, all that follows comes too early."
        )
    if e.frames.undecodable:
        yield (
            f"{e.frames.undecodable} stored picture(s) cannot be decoded and are not counted as "
            "frames."
        )
    if packets.damaged:
        yield (
            f"{len(packets.damaged)} stored picture(s) are marked as damaged: what is seen there "
            "may be wrong."
        )
    if packets.hidden:
        yield (
            f"{packets.hidden} stored frame(s) are hidden by an edit list: players do not show "
            "them, but they are in the file."
        )


def _clock(e: ClockEvidence) -> Iterator[str]:
    if not e.frames.ordered:
        yield (
            "Timestamps are missing or out of order: frames are numbered in the order in which "
            "they decode, at a constant rate."
        )
    elif e.broken is not None:
        rate, uneven = e.broken
        yield (
            f"The frame rate is {float(rate):.3f} frames/s but for {uneven} place(s) where frames "
            "are missing or come early or late: every frame's own time is used."
        )
    elif e.rate is None:
        yield (
            f"The frame rate varies (on average {_mean(e):.3f} frames/s): every frame's own time "
            "is used, never its number divided by a rate."
        )
    if e.frames.untimed:
        yield (
            f"{e.frames.untimed} frame(s) have no time of their own (missing, repeated or out of "
            "order) and are not counted."
        )
    found = frame_rate.gaps(e.frame_ns)
    for start, length in found[:5]:
        yield f"No frame for {format_time(length)} after {format_time(start)}: a gap in the times."
    if len(found) > 5:
        yield f"{len(found) - 5} more gap(s) in the frame times."
    if e.tick_ns >= 1_000_000 and e.rate is not None and (NS / e.rate) % e.tick_ns:
        yield (
            f"Times are stored in steps of {float(e.tick_ns) / 1e6:g} ms: each may be off by up "
            "to half a step."
        )
    if e.frames.ordered and 2 * abs(e.zero) >= (frame_rate.usual_gap(e.frame_ns) or NS // 25):
        yield (
            f"The first frame is stored at {format_time(e.zero)}, not at zero: times here count "
            "from the first frame, other programs may count from elsewhere."
        )


def _shape(e: ClockEvidence) -> Iterator[str]:
    for track in e.audio:
        apart = track.length_ns - e.length
        if abs(apart) > NS // 2:
            more = "longer" if apart > 0 else "shorter"
            yield (
                f"Sound (stream {track.index}) is {format_time(abs(apart))} {more} than the "
                "pictures."
            )
    if len(e.frame_ns) == 1:
        yield "There is only one frame."
    if e.video_streams > 1:
        yield f"There are {e.video_streams} picture streams; the first is used."


def _mean(e: ClockEvidence) -> float:
    return float(frame_rate.mean_rate(e.frame_ns, e.length))
