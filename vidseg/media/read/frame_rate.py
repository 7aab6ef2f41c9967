"""Frame times to frame rate, last frame's length and gaps (pure arithmetic)."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

import numpy as np

from vidseg.model.clock import NS, frame_to_ns
from vidseg.model.recording import FrameTimes

STANDARD = (
    *(Fraction(whole) for whole in (25, 30, 50, 60, 24, 15, 10, 12, 20, 5, 100, 120, 48, 1)),
    *(Fraction(labels * 1000, 1001) for labels in (30, 60, 24, 120, 15)),
)
"""Rates in use; those of 1001 are the NTSC family (SMPTE ST 12-1)."""

_EXACT_NS = 2.0
_NEAR = Fraction(1, 20)
_SAME = 4e-4  # 30 and 30000/1001 differ by 1e-3


def constant_rate(
    frame_ns: FrameTimes, tick_ns: Fraction, claimed: Iterable[Fraction | None]
) -> Fraction | None:
    """Give the rate (frames/s) at which all frames lie on one even grid, or None.

    ``claimed`` is what the container says. A rate that gives every time exactly is taken, the
    container's first. Else ``tick_ns``, one unit of the file's time base in ns, explains how
    far a frame may lie off its place, and a standard rate goes before an odd one.
    """
    names = [rate for rate in claimed if rate is not None and rate > 0]
    count = len(frame_ns)
    if count < 2:
        return names[0] if names else None
    mean = Fraction((count - 1) * NS, int(frame_ns[-1]))
    usual = [rate for rate in names if rate in STANDARD]
    odd = [mean.limit_denominator(limit) for limit in (1, 1001, 100_000)]
    tried = [*usual, *STANDARD, *names, *odd]
    off = {rate: _furthest(frame_ns, rate) for rate in tried if abs(rate / mean - 1) < _NEAR}
    exact = [rate for rate in (*names, *tried) if off.get(rate, NS) <= _EXACT_NS]
    if exact:
        return exact[0]
    if 2 * tick_ns * mean > NS:
        return None
    allowed = float(tick_ns) + _EXACT_NS
    return next((rate for rate in tried if off.get(rate, NS) <= allowed), None)


def broken_rate(
    frame_ns: FrameTimes, tick_ns: Fraction, claimed: Iterable[Fraction | None]
) -> tuple[Fraction, int] | None:
    """Give the even rate at which all but a few frames follow each other, and how many do not.

    None where more than one frame in ten follows at another distance, or where no claimed or
    standard rate fits the others.
    """
    usual = usual_gap(frame_ns)
    if usual is None or 2 * tick_ns > usual:
        return None
    apart = np.diff(frame_ns)
    even = np.abs(apart - usual) <= 2 * float(tick_ns) + _EXACT_NS
    if even.mean() < 0.9:
        return None
    period = float(apart[even].mean())
    for rate in (*(rate for rate in claimed if rate), *STANDARD):
        if abs(NS / float(rate) / period - 1) < _SAME:
            return rate, int((~even).sum())
    return None


def _furthest(frame_ns: FrameTimes, rate: Fraction) -> float:
    """Give how far (ns) any frame lies off the grid of ``rate``.

    Float64 holds whole ns up to 104 days, and the products round by far less than one.
    """
    grid = np.arange(len(frame_ns), dtype=np.float64) * (NS * rate.denominator / rate.numerator)
    return float(np.abs(grid - frame_ns).max())


def mean_rate(frame_ns: FrameTimes, length: int) -> Fraction:
    """Give the mean rate over ``length`` (ns) as a fraction with a denominator up to 1001."""
    return Fraction(len(frame_ns) * NS, length).limit_denominator(1001)


def usual_gap(frame_ns: FrameTimes) -> int | None:
    """Give the median distance between frames (ns); None for a single frame."""
    return int(np.median(np.diff(frame_ns))) if len(frame_ns) > 1 else None


def last_length(
    frame_ns: FrameTimes, stored: int | None, rate: Fraction | None, tick_ns: Fraction
) -> int:
    """Give how long the last frame is shown (ns).

    ``stored`` is what the file says. It is taken where it is sane (between 0.9 times the
    shortest and 5 times the usual distance); where it equals one frame at the constant
    ``rate`` but for rounding, the exact value is; else the usual distance is.
    """
    usual = usual_gap(frame_ns)
    exact = None
    if rate is not None:
        count = len(frame_ns)
        exact = max(1, frame_to_ns(count, rate) - int(frame_ns[-1]))
    if usual is None:
        return stored or exact or NS // 25
    sane = stored is not None and 0.9 * int(np.diff(frame_ns).min()) <= stored <= 5 * usual
    if stored is None or not sane:
        return exact or usual
    if exact is not None and abs(exact - stored) <= 2 * tick_ns + 1:
        return exact
    return stored


def gaps(frame_ns: FrameTimes, frames: int = 5) -> list[tuple[int, int]]:
    """List (start, length) in ns of distances above ``frames`` times the usual one."""
    usual = usual_gap(frame_ns)
    if usual is None:
        return []
    apart = np.diff(frame_ns)
    return [(int(frame_ns[i]), int(apart[i])) for i in np.flatnonzero(apart > frames * usual)]
