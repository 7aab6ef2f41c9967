"""What a file's own times, counts and headers say about its clock."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from vidseg.model.clock import NS, format_time
from vidseg.model.finding import Finding
from vidseg.model.recording import Part
from vidseg.model.survey import PartSurvey

GAP_FRAMES = 5
"""A distance of more than so many frames is a gap; from 1.5 frames on, frames are missing."""

EVEN = 0.9
"""Share of distances that must be alike for single long ones to count as missing frames."""

APART = NS // 2
"""Sound and picture, header and content may differ by so much (ns)."""

MOST_LISTED = 40
FIELDS = 0.2


def clock_findings(part: Part, seen: PartSurvey) -> Iterator[Finding]:
    """Yield what is found in one part, in ns of case time."""
    yield from _distances(part)
    yield from _times(part, seen)
    yield from _sound(part)
    yield from _end(part, seen)
    yield from _damage(part, seen)
    yield from _fields(part, seen)


def _distances(part: Part) -> Iterator[Finding]:
    if len(part.frame_ns) < 3:
        return
    apart = np.diff(part.frame_ns)
    usual = float(np.median(apart))
    tick = float(part.time_base * NS)
    alike = np.abs(apart - usual) <= max(2 * tick + 2, 0.02 * usual)
    long = apart > GAP_FRAMES * usual
    for place in np.flatnonzero(long):
        start = part.start + int(part.frame_ns[place])
        yield Finding(
            "time-gap",
            start,
            start + int(apart[place]),
            1.0,
            f"no frame for {format_time(int(apart[place]))}, "
            f"{apart[place] / usual:.0f} times the usual distance",
        )
    if not part.pts_order or part.constant_rate:
        return
    if float(alike.mean()) < EVEN:
        yield _variable(part, apart)
        return
    missing = (apart > 1.5 * usual) & ~long
    yield from _missing(part, apart, np.flatnonzero(missing), usual)


def _missing(part: Part, apart: np.ndarray, places: np.ndarray, usual: float) -> Iterator[Finding]:
    lost = np.round(apart / usual).astype(np.int64) - 1
    if len(places) > MOST_LISTED:
        first, last = int(places[0]), int(places[-1])
        yield Finding(
            "dropped-frames",
            part.start + int(part.frame_ns[first]),
            part.start + int(part.frame_ns[last + 1]),
            1.0,
            f"{int(lost[places].sum())} frames missing in {len(places)} places",
        )
        return
    for place in places:
        yield Finding(
            "dropped-frames",
            part.start + int(part.frame_ns[place]),
            part.start + int(part.frame_ns[place + 1]),
            1.0,
            f"{int(lost[place])} frame(s) missing: {apart[place] / 1e6:.1f} ms from one to the "
            f"next instead of {usual / 1e6:.1f} ms",
        )


def _variable(part: Part, apart: np.ndarray) -> Finding:
    low, middle, high = (float(x) / 1e6 for x in np.percentile(apart, [5, 50, 95]))
    values, counts = np.unique(np.round(apart / 1e6).astype(np.int64), return_counts=True)
    order = np.argsort(-counts)[:4]
    common = ", ".join(f"{values[i]} ms {100 * counts[i] / len(apart):.0f} %" for i in order)
    return Finding(
        "variable-rate",
        part.start,
        part.start + part.length,
        1.0,
        f"distance of frames {low:.1f} / {middle:.1f} / {high:.1f} ms (5th, 50th, 95th "
        f"percentile), shortest {apart.min() / 1e6:.1f}, longest {apart.max() / 1e6:.1f}; most "
        f"often {common}",
    )


def _times(part: Part, seen: PartSurvey) -> Iterator[Finding]:
    if not part.pts_order:
        yield Finding(
            "repeated-times",
            part.start,
            part.start + part.length,
            1.0,
            "times are missing or out of order all over: frames are numbered in the order in "
            "which they decode",
        )
        return
    if not seen.untimed:
        return
    edges = np.append(part.frame_ns, part.length)
    places = [int(seen.frame[min(count, len(seen.frame)) - 1]) if count else 0
              for count in seen.untimed]  # fmt: skip
    groups: list[list[int]] = []
    for place in places:
        if groups and place - groups[-1][-1] <= 2 * GAP_FRAMES:
            groups[-1].append(place)
        else:
            groups.append([place])
    for group in groups:
        yield Finding(
            "repeated-times",
            part.start + int(edges[group[0]]),
            part.start + int(edges[group[-1] + 1]),
            1.0,
            f"{len(group)} frame(s) whose time is missing, repeated or goes back",
        )


def _sound(part: Part) -> Iterator[Finding]:
    for track in part.audio:
        late, early = track.start_ns, track.start_ns + track.length_ns - part.length
        if abs(early) <= APART and abs(late) <= APART:
            continue
        if track.length_ns <= 0:
            continue
        end = min(part.length, max(0, track.start_ns + track.length_ns))
        where = (end, part.length) if abs(early) > APART else (0, max(0, min(late, part.length)))
        yield Finding(
            "sound-length",
            part.start + where[0],
            part.start + where[1],
            1.0,
            f"sound (stream {track.index}) starts {track.start_ns / 1e9:+.2f} s from the first "
            f"picture and lasts {format_time(track.length_ns)}, the pictures last "
            f"{format_time(part.length)}",
        )


def _end(part: Part, seen: PartSurvey) -> Iterator[Finding]:
    if seen.promised is None:
        return
    sound = (track.start_ns + track.length_ns for track in part.audio)
    there = max([part.length, *sound])
    if seen.promised - there > APART:
        end = part.start + part.length
        yield Finding(
            "cut-short",
            end,
            end,
            1.0,
            f"the header promises {format_time(seen.promised)}, the last picture ends at "
            f"{format_time(part.length)}",
        )


def _damage(part: Part, seen: PartSurvey) -> Iterator[Finding]:
    edges = np.append(part.frame_ns, part.length)
    bad = seen.frame[seen.corrupt]
    if seen.undecodable:
        absent = np.setdiff1d(np.arange(len(part.frame_ns)), seen.frame)
        bad = np.union1d(bad, absent)
    if not len(bad):
        return
    split = np.flatnonzero(np.diff(bad) > 2 * GAP_FRAMES) + 1
    for group in np.split(bad, split)[:MOST_LISTED]:
        yield Finding(
            "damaged-frames",
            part.start + int(edges[group[0]]),
            part.start + int(edges[group[-1] + 1]),
            1.0,
            f"{len(group)} frame(s) decode with errors or not at all",
        )


def _fields(part: Part, seen: PartSurvey) -> Iterator[Finding]:
    if seen.fields >= FIELDS or seen.flagged >= 0.5:
        says = "says so" if seen.flagged >= 0.5 else "does not say so"
        yield Finding(
            "interlaced",
            part.start,
            part.start + part.length,
            1.0 if seen.flagged >= 0.5 else 0.8,
            f"lines alternate between two moments in {100 * seen.fields:.0f} % of the frames "
            f"looked at; the file {says}",
        )
