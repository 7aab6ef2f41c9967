"""Suspicion that a stretch runs faster or slower than it was filmed.

Faster: all movement, that of the whole picture and that of its liveliest tenth, grows at once by
a large factor and falls back later. Twice the speed is no more than what working faster looks
like, and is not reported; nor can a recording that is speeded up from end to end be told from
its pictures. Slower: pictures are shown again at an even pace.
"""

from __future__ import annotations

import numpy as np

from vidseg.measure.audit.track import Flags, Reals, Track, TrackRun, runs
from vidseg.model.finding import Finding

WINDOW_S, SIDE_S = 1.6, 2.4
LEAST_S = 1.8
FASTER, FASTER_AFTER = 2.4, 1.7
"""How many times the movement before, and after, that within a stretch must be."""

SUDDEN = 0.6
"""Share of the growth (its logarithm) that must happen within half a second."""

CALMER, LEAN = 0.7, 0.88
"""In footage at half speed the second of nearly all (``LEAN``) pairs of frames changes less."""

PACES = (2, 3, 4, 5, 6)
LOW, LIVELY, STEADY = 0.3, 0.9, 0.85
"""Frames shown again change by at most ``LOW`` times what the others do, which is at least
``LIVELY`` luma steps in the liveliest tenth, in at least ``STEADY`` of the rounds."""


def faster_findings(track: Track, taken: Flags) -> list[Finding]:
    """List stretches in which all movement is suddenly faster; ``taken``, (n,), is left out."""
    signals = [_without(s, taken) for s in (track.change[:, 0], track.local[:, 0], track.shift)]
    side, window, half = track.frames(SIDE_S), track.frames(WINDOW_S), track.frames(0.5)
    count = len(track)
    if count < 2 * side + window:
        return []
    found: list[Finding] = []
    place = side
    while place < count - window:
        grown = [_ratio(s, (place - side, place), (place, place + window)) for s in signals]
        at_once = [_ratio(s, (place - half, place), (place, place + half)) for s in signals[:2]]
        if (
            min(grown[:2]) < FASTER
            or grown[2] < FASTER_AFTER
            or min(np.log(at_once)) < SUDDEN * np.log(FASTER)
        ):
            place += 2
            continue
        end = _falls_back(signals, place, window, half)
        if end is None:
            place += window
            continue
        before, after = (place - side, place), (end, min(count, end + side))
        up = [_ratio(s, before, (place, end)) for s in signals]
        down = [_ratio(s, after, (place, end)) for s in signals]
        if (
            end - place >= track.frames(LEAST_S)
            and min(up[:2]) >= FASTER
            and min(down[:2]) >= FASTER_AFTER
        ):
            found.append(_faster(track, (place, end), min(up[:2]), min(down[:2])))
            place = end
        place += window // 2
    return found


def _without(signal: Reals, taken: Flags) -> Reals:
    kept = signal.copy()
    kept[taken] = np.nan
    return kept


def _ratio(signal: Reals, before: TrackRun, after: TrackRun) -> float:
    """Give how many times the median of ``before`` that of ``after`` is; 1 where unknown."""
    parts = [signal[max(0, a) : b] for a, b in (before, after)]
    parts = [part[~np.isnan(part)] for part in parts]
    if min(len(part) for part in parts) < 5:
        return 1.0
    low, high = (float(np.median(part)) for part in parts)
    return (high + 0.02) / (low + 0.02)


def _falls_back(signals: list[Reals], place: int, window: int, half: int) -> int | None:
    """Find where the movement that began at ``place`` drops again, all at once."""
    count = len(signals[0])
    best: tuple[float, int] | None = None
    for end in range(place + window, count - half, 2):
        drop = min(
            _ratio(s, (end, min(count, end + window)), (end - window, end)) for s in signals[:2]
        )
        sharp = min(_ratio(s, (end, end + half), (end - half, end)) for s in signals[:2])
        if drop >= FASTER_AFTER and sharp >= FASTER_AFTER**SUDDEN:
            if best is None or sharp > best[0]:
                best = (sharp, end)
        elif best is not None and end > best[1] + half:
            break
    return None if best is None else best[1]


def _faster(track: Track, run: TrackRun, up: float, down: float) -> Finding:
    return Finding(
        "speeded-up",
        track.time(run[0]),
        track.time(run[1]),
        float(min(0.7, 0.3 + 0.1 * (min(up, 2 * down) - FASTER))),
        f"all movement is {up:.1f} times as fast as before and {down:.1f} times as fast as after; "
        "a suspicion only: quick work looks alike",
    )


def paced_findings(track: Track, taken: Flags) -> tuple[list[Finding], Flags]:
    """List stretches in which frames are shown again at an even pace; and mark them, (n,)."""
    local = track.local[:, 0]
    count = len(track)
    window = max(48, track.frames(2.0))
    pace = np.zeros(count, np.int64)
    marked = np.zeros(count, np.bool_)
    for first in range(1, count - window + 1, 4):
        if taken[first : first + window].any():
            continue
        found = _pace(local[first : first + window])
        if found:
            fill = pace[first : first + window]
            fill[fill == 0] = found
    findings = []
    for every in PACES:
        for first, last in runs(pace == every):
            if last - first < window:
                continue
            marked[max(0, first - 2) : last + 2] = True
            findings.append(_paced(track, first, last, every))
    return findings, marked


def _pace(local: Reals) -> int:
    """Give after how many frames the pattern of moving and repeated frames comes again, or 0."""
    pairs = local[: len(local) // 2 * 2].reshape(-1, 2)
    for calm, moving in ((pairs[:, 1], pairs[:, 0]), (pairs[:, 0], pairs[:, 1])):
        # compression blurs the pattern; that nearly all of many pairs lean one way is no chance
        lean = float(np.median(calm)) <= CALMER * float(np.median(moving))
        if lean and float((calm < moving).mean()) >= LEAN:
            return 2
    for every in PACES:
        rounds = local[: len(local) // every * every].reshape(-1, every)
        usual = np.median(rounds, axis=0)
        top = float(usual.max())
        low = usual <= LOW * top
        if top < LIVELY or not low.any():
            continue
        quiet = rounds[:, low].max(axis=1) <= 0.5 * rounds[:, ~low].min(axis=1)
        alike = usual[~low].min() > 0.5 * top
        if alike and float(quiet.mean()) >= STEADY:
            return every
    return 0


def _paced(track: Track, first: int, last: int, every: int) -> Finding:
    local = track.local[first:last, 0]
    copies = float((local <= 0.5 * np.percentile(local, 90)).mean())
    slow = copies >= 0.4
    again = "every picture is shown again" if slow else "some pictures are shown again"
    return Finding(
        "slowed-down" if slow else "duplicated-frames",
        track.time(max(0, first - 1)),
        track.time(last),
        0.85 if slow else 0.75,
        f"{again}: the pattern repeats every {every} frames, {100 * copies:.0f} % of the frames "
        "are like the one before",
    )
