"""Can a recording's clock be trusted: everything that is found, in order of time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vidseg.measure.audit.clock import clock_findings
from vidseg.measure.audit.cuts import Jump, jumps
from vidseg.measure.audit.speed import faster_findings, paced_findings
from vidseg.measure.audit.still_pictures import again_findings, still_findings
from vidseg.measure.audit.track import Flags, Track, as_track
from vidseg.model.clock import format_time
from vidseg.model.finding import Finding
from vidseg.model.recording import Recording
from vidseg.model.survey import Survey

SAME, SAME_SHARE = 4.0, 0.45
"""Two parts overlap where their small pictures differ by at most so many luma steps on average,
and by at most this share of what pictures at other places differ by."""

LEAST_OVERLAP = 5
LATE = 1.5


def audit(survey: Survey, recording: Recording) -> tuple[Finding, ...]:
    """Judge what ``survey`` measured of ``recording``.

    Findings come in order of start, times in ns of case time. Raises ValueError where survey
    and recording do not belong together.
    """
    if len(survey.parts) != len(recording.parts):
        raise ValueError("the survey is of another recording")
    track = as_track(survey, recording)
    found = [
        finding
        for part, seen in zip(recording.parts, survey.parts, strict=True)
        for finding in clock_findings(part, seen)
    ]
    still, explained, taken = still_findings(track)
    paced, marked = paced_findings(track, taken)
    found += [*still, *paced, *again_findings(track, taken | marked)]
    cuts = jumps(track, explained | marked | _late(track))
    shown_twice = _overlaps(survey, recording)
    found += [_cut(track, jump) for jump in cuts if not _at(jump, track, shown_twice)]
    found += shown_twice
    found += faster_findings(track, taken | marked)
    return tuple(sorted(found, key=lambda f: (f.start, f.end, f.code)))


def _late(track: Track) -> Flags:
    """Mark, (n,), frames that come late by the file's own times: a jump there is no surprise."""
    late = np.zeros(len(track), np.bool_)
    late[1:] = np.diff(track.start) > LATE * track.every
    late[list(track.joins)] = False
    return late


def _at(jump: Jump, track: Track, overlaps: list[Finding]) -> bool:
    return any(finding.start == track.time(jump.place) for finding in overlaps)


def _cut(track: Track, jump: Jump) -> Finding:
    at = track.time(jump.place)
    joined = jump.place in track.joins
    return Finding(
        "jump-at-join" if joined else "hard-cut",
        int(track.end[jump.place - 1]) if joined else at,
        at,
        jump.score,
        f"the picture changes by {jump.change:.1f} luma steps on average and {jump.local:.1f} in "
        f"its liveliest tenth, {jump.ratio:.1f} times as much as movement nearby explains",
    )


def _overlaps(survey: Survey, recording: Recording) -> list[Finding]:
    found = []
    for number, (before, after) in enumerate(zip(survey.parts, survey.parts[1:], strict=False), 1):
        match = _overlap(before.tail, after.head)
        if match is None:
            continue
        frames, apart, usual = match
        part = recording.parts[number]
        length = int(part.frame_ns[min(frames, len(part.frame_ns) - 1)])
        found.append(
            Finding(
                "overlapping-parts",
                part.start,
                part.start + length,
                float(np.clip(1 - apart / usual, 0, 1)),
                f"the first {frames} frames ({format_time(length)}) of {part.path.name} show the "
                f"end of {recording.parts[number - 1].path.name} again: they differ by "
                f"{apart:.1f} luma steps, other moments by {usual:.1f}",
            )
        )
    return found


def _overlap(
    tail: npt.NDArray[np.uint8], head: npt.NDArray[np.uint8]
) -> tuple[int, float, float] | None:
    """Find from which of the last pictures on the next part's first ones are the same.

    ``tail`` and ``head`` have shape (k, h, w). Returns how many are the same, how much they
    differ on average and how much pictures do elsewhere (luma steps); None without a match.
    """
    most = min(len(tail), len(head))
    if most < 2 * LEAST_OVERLAP:
        return None
    last, first = tail[-most:].astype(np.int16), head[:most].astype(np.int16)
    apart = np.array(
        [np.abs(last[-size:] - first[:size]).mean() for size in range(LEAST_OVERLAP, most + 1)]
    )
    best = int(np.argmin(apart))
    usual = float(np.median(apart))
    if apart[best] > SAME or apart[best] > SAME_SHARE * usual:
        return None
    return best + LEAST_OVERLAP, float(apart[best]), usual
