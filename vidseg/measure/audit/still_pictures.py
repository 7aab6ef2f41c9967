"""Where the picture shows nothing new: black, blank, frozen, a title, shown again; and fades."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from vidseg.measure.audit.track import Flags, Reals, Track, TrackRun, runs
from vidseg.model.finding import Finding

BLACK_LUMA, BLACK_SPREAD = 18.0, 8.0
BLANK_FLAT, BLANK_SPREAD = 0.97, 5.0
STILL_CHANGE, STILL_LOCAL = 0.08, 0.6
"""Up to here (luma steps from frame to frame, whole picture and liveliest tenth) nothing moves."""

FROZEN_S, BLANK_S, STILL_S = 0.5, 0.15, 0.4
HELD_CHANGE, HELD_LOCAL = 0.0045, 0.045
"""Half of the frames of a frozen span change by no more: an encoder repeats a held picture exactly,
and what only moves slowly not quite."""

LIVELY_LOCAL, LIVELY = 1.2, 6.0
"""A frozen span has movement around it: at least so much, and so many times its own."""

OTHER = 0.16
"""Histogram distance from which the picture after a jump shows something else altogether."""

AGAIN, AGAIN_WHOLE, AGAIN_LIVELY = 0.12, 0.4, 1.6
FADE_STEPS = 4
EVENLY = 4
"""So many repeated frames at an even distance are a change of frame rate."""


def still_findings(track: Track) -> tuple[list[Finding], Flags, Flags]:
    """Give the findings; where a jump is already explained by one; and where nothing moves.

    Both flags have shape (n,).
    """
    found: list[Finding] = []
    explained = np.zeros(len(track), np.bool_)
    black = (track.luma <= BLACK_LUMA) & (track.spread <= BLACK_SPREAD)
    blank = (track.flat >= BLANK_FLAT) & (track.spread <= BLANK_SPREAD) & ~black
    fades = list(_fades(track, black))
    for first, last in fades:
        found.append(_fade(track, first, last))
        explained[max(0, first - 1) : last + 2] = True
    taken = np.zeros(len(track), np.bool_)
    for first, last in runs(black):
        within = any(a <= first and last <= b for a, b in fades)
        taken[first:last] = True
        if not within or last - first >= track.frames(STILL_S):
            found.append(_plain(track, "black-span", first, last))
        _explain(explained, first, last)
    for first, last in runs(blank):
        if last - first >= track.frames(BLANK_S):
            taken[first:last] = True
            found.append(_plain(track, "blank-span", first, last))
            _explain(explained, first, last)
    still = _still(track)
    for found_first, found_last in runs(still & ~taken):
        first = _entry(track, max(0, found_first - 1))
        last = _exit(track, found_last)
        one = _stands(track, first, last, taken)
        if one is not None:
            found.append(one)
            taken[first:last] = True
            _explain(explained, first, last)
    return found, explained, taken


def _explain(explained: Flags, first: int, last: int) -> None:
    explained[max(0, first - 2) : first + 3] = True
    explained[max(0, last - 2) : last + 3] = True


def _plain(track: Track, code: str, first: int, last: int) -> Finding:
    luma, spread = track.luma[first:last], track.spread[first:last]
    return Finding(
        code,
        track.time(first),
        track.time(last),
        1.0 if last - first >= track.frames(BLANK_S) else 0.8,
        f"{last - first} frame(s), luma {luma.mean():.0f} of 255, spread at most "
        f"{spread.max():.1f}",
    )


def _still(track: Track) -> Flags:
    """Mark frames like the one before; the pop of a key frame within a still run is bridged."""
    change, local = track.change[:, 0], track.local[:, 0]
    still = (change < STILL_CHANGE) & (local < STILL_LOCAL)
    still[0] = False
    still[list(track.joins)] = False
    found = runs(still)
    for (a, b), (c, d) in pairwise(found):
        even = bool((local[b:c] <= 2.5 * change[b:c] + 2.0).all()) and change[b:c].max() < 5
        if track.key[b] and c - b <= 6 and min(b - a, d - c) >= 3 and even:
            still[b:c] = True
    return still


def _stands(track: Track, first: int, last: int, taken: Flags) -> Finding | None:
    """Judge a run in which every frame is like its first: a title, frozen, or only slow."""
    length = last - first
    jump_in = first > 0 and _other(track, first)
    jump_out = last < len(track) and _other(track, last)
    beside = (first > 0 and taken[first - 1]) or (last < len(track) and taken[last])
    at_edge = first == 0 or last == len(track)
    if (
        (jump_in or (first == 0 and jump_out) or (beside and (jump_in or jump_out)))
        and (jump_out or at_edge or beside)
        and length >= track.frames(STILL_S)
    ):
        return Finding(
            "still-picture",
            track.time(first),
            track.time(last),
            0.9 if jump_in and jump_out else 0.75,
            f"{length} frames without movement, unlike the picture before and after "
            f"(histogram distance {max(_apart(track, first), _apart(track, last)):.2f})",
        )
    if length < track.frames(FROZEN_S):
        return None
    reach = track.frames(0.6)
    outside = np.concatenate(
        [track.local[max(0, first - reach) : first + 1, 0], track.local[last : last + reach, 0]]
    )
    around = float(np.median(outside)) if len(outside) else 0.0
    inside = float(np.median(track.local[first + 1 : last, 0]))
    catch = float(track.local[last : last + 3, 0].max()) if last < len(track) else 0.0
    allowed = 3.0 if catch > 3 * max(around, 0.5) else 1.0  # it catches up when it goes on
    held = float(np.median(track.change[first + 1 : last, 0])) <= allowed * HELD_CHANGE
    lively = max(around, catch / 3)
    if not held or inside > allowed * HELD_LOCAL or lively < max(LIVELY_LOCAL, LIVELY * inside):
        return None
    plain = min(1.0, 0.55 + 0.1 * np.log2(around / max(inside, 0.05)) / 2)
    plain = min(1.0, plain + (0.2 if catch > 2.5 * around else 0.0))
    return Finding(
        "frozen-span",
        track.time(first),
        track.time(last),
        float(plain),
        f"{length} frames alike (liveliest tenth changes by {inside:.2f} luma steps a frame), "
        f"{around:.1f} before and after"
        + ("; the picture jumps when it goes on" if catch > 2.5 * around else ""),
    )


def _entry(track: Track, first: int) -> int:
    """Move the start of a still run back to a jump just before it: encoders need some frames
    to settle on a new picture."""
    for place in range(first, max(0, first - 4), -1):
        if _other(track, place):
            return place
    return first


def _exit(track: Track, last: int) -> int:
    """Move the end of a still run on to a jump just after it: encoders blend the last frames of a
    held picture with what follows."""
    local = track.local[:, 0]
    for place in range(last + 1, min(last + 4, len(track))):
        if local[place] > 3.0 and local[place] > 2.5 * local[last:place].max():
            return place
    return last


def _apart(track: Track, place: int) -> float:
    return float(track.histogram[place]) if 0 < place < len(track) else 0.0


def _other(track: Track, place: int) -> bool:
    around = np.delete(track.change[max(1, place - 6) : place + 7, 0], min(6, place - 1))
    usual = float(np.median(around)) if len(around) else 0.0
    step = float(track.raw[place])
    return _apart(track, place) >= OTHER and step > 6 and step > 3 * usual


def _fades(track: Track, black: Flags) -> Iterator[TrackRun]:
    """Yield runs in which the picture goes down to dark, out of it, or both, step by step."""
    if not len(track):
        return
    usual = float(np.median(track.luma[~black])) if not black.all() else 0.0
    ended = 0
    for first, last in runs(track.luma < 0.3 * usual):
        if first < ended:
            continue
        down = _ramp(track.luma, first, -1, usual)
        up = _ramp(track.luma, last - 1, 1, usual)
        if down is None and up is None:
            continue
        a = first if down is None else down
        b = last if up is None else up + 1
        ended = b
        yield a, b


def _ramp(luma: Reals, place: int, step: int, usual: float) -> int | None:
    """Follow the brightness outward from a dark place; None where it changes all at once."""
    top = place
    largest = 0.0
    flat = 0
    while 0 <= top + step < len(luma):
        rise = luma[top + step] - luma[top]
        if rise < 0.006 * usual:
            flat += 1
            if flat > 1:
                break
        else:
            flat = 0
        largest = max(largest, float(rise))
        top += step
    total = float(luma[top] - luma[place])
    inner = place
    while 0 <= inner - step < len(luma) and luma[inner - step] < luma[inner] - 0.006 * usual:
        largest = max(largest, float(luma[inner] - luma[inner - step]))
        inner -= step
    total += float(luma[place] - luma[inner])
    gradual = abs(top - inner) >= FADE_STEPS and total > 0.5 * usual and largest < 0.45 * total
    return top if gradual else None


def _fade(track: Track, first: int, last: int) -> Finding:
    luma = track.luma[first:last]
    return Finding(
        "fade",
        track.time(first),
        track.time(last),
        0.9,
        f"luma goes from {luma[0]:.0f} to {luma.min():.0f} and to {luma[-1]:.0f} within "
        f"{last - first} frames, step by step",
    )


def again_findings(track: Track, taken: Flags) -> list[Finding]:
    """Find frames shown again amid movement; ``taken``, (n,), is left out."""
    change, local = track.change[:, 0], track.local[:, 0]
    count, reach = len(track), 6
    again = np.zeros(count, np.bool_)
    low = _around(local, reach)
    whole = _around(change, reach)
    again = (local < AGAIN * low) & (change < AGAIN_WHOLE * whole) & (low > AGAIN_LIVELY) & ~taken
    again[0] = False
    again[list(track.joins)] = False
    found = [run for run in runs(again) if _amid(track, run, low)]
    groups = _evenly(found)
    return [
        _shown_again(track, *group[0]) if len(group) < EVENLY else _shown_evenly(track, group)
        for group in groups
    ]


def _evenly(found: list[TrackRun]) -> list[list[TrackRun]]:
    """Put runs that follow each other at an even distance into one group, others into their own."""
    groups: list[list[TrackRun]] = []
    at = 0
    while at < len(found):
        end = at + 2
        while end < len(found) and abs(_gap(found, end) - _gap(found, at + 1)) <= 1:
            end += 1
        if end - at >= EVENLY and end <= len(found):
            groups.append(found[at:end])
            at = end
        else:
            groups.append([found[at]])
            at += 1
    return groups


def _gap(found: list[TrackRun], place: int) -> int:
    return found[place][0] - found[place - 1][0]


def _shown_evenly(track: Track, group: list[TrackRun]) -> Finding:
    pace = float(np.median([_gap(group, place) for place in range(1, len(group))]))
    return Finding(
        "duplicated-frames",
        track.time(group[0][0]),
        track.time(group[-1][1]),
        0.9,
        f"one frame in about {pace:.0f} is like the one before, {len(group)} in all: footage of "
        "another frame rate",
    )


def _amid(track: Track, run: TrackRun, low: Reals) -> bool:
    """Say whether movement goes on right up to ``run`` and right after it.

    At a turning point movement slows down before it stops. Beside a key frame encoders save bits
    and repeat parts of the frame before.
    """
    first, last = run
    if last >= len(track) or first < 2 or track.key[first - 1 : last + 1].any():
        return False
    local = track.local[:, 0]
    beside = min(float(local[first - 1]), float(local[last]))
    inside = float(local[first:last].max())
    return inside < 0.3 * beside and beside > 0.4 * float(low[first:last].max())


def _around(signal: Reals, reach: int) -> Reals:
    """Give the 40th percentile of the ``reach`` values on each side, the place left out, (n,)."""
    padded = np.pad(signal, reach, mode="reflect" if len(signal) > reach else "edge")
    window = np.stack([padded[k : k + len(signal)] for k in range(2 * reach + 1) if k != reach])
    return np.asarray(np.percentile(window, 40, axis=0))


def _shown_again(track: Track, first: int, last: int) -> Finding:
    around = float(_around(track.local[max(0, first - 12) : last + 12, 0], 6).max())
    inside = float(track.local[first:last, 0].max())
    score = float(np.clip(0.5 + 0.5 * (1 - inside / max(AGAIN * around, 1e-6)), 0.5, 0.95))
    return Finding(
        "duplicated-frames",
        track.time(first),
        track.time(last),
        score,
        f"{last - first} frame(s) like the one before (liveliest tenth changes by "
        f"{inside:.2f} luma steps) while {around:.1f} is usual nearby",
    )
