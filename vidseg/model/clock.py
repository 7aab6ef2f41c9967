"""Time as whole nanoseconds: text to ns, pts to ns, frame numbers and SMPTE timecode.

Every time inside vidseg is an ``int`` count of nanoseconds from the first displayed frame.
Rates are ``fractions.Fraction`` (30000/1001), never floats. Functions here raise ``ValueError``
with a message that says what was expected.

Sources: SMPTE ST 12-1 for drop-frame counting (checked in tests against published labels);
W3C WebVTT and common practice for the textual forms.
"""

from __future__ import annotations

import re
from fractions import Fraction

from vidseg.model.bounds import bounded_ns, shown

NS = 1_000_000_000
"""Nanoseconds in a second."""

TIME_FORMS = "seconds (12.5), m:ss (4:10), h:mm:ss (0:04:10) with an optional fraction"
TIMECODE_FORMS = "h:mm:ss:ff, or h:mm:ss;ff for drop-frame"

_CLOCK = re.compile(r"(?:(?:([0-9]+):)?([0-9]+):)?([0-9]+)(?:[.,]([0-9]+))?")
_LONGEST_WRITTEN = 40
"""Characters of the longest text still looked at as a time."""
_TIMECODE = re.compile(r"([0-9]{1,2}):([0-9]{2}):([0-9]{2})([:;])([0-9]{2,3})")


def ratio_round(numerator: int, denominator: int) -> int:
    """Round ``numerator / denominator`` to the nearest whole number, halves upward."""
    return (2 * numerator + denominator) // (2 * denominator)


def pts_to_ns(pts: int, time_base: Fraction) -> int:
    """Turn a presentation timestamp in ``time_base`` units of a second into nanoseconds."""
    return ratio_round(pts * time_base.numerator * NS, time_base.denominator)


def ns_to_pts(ns: int, time_base: Fraction) -> int:
    """Turn nanoseconds into the nearest timestamp in ``time_base`` units of a second."""
    return ratio_round(ns * time_base.denominator, time_base.numerator * NS)


def frame_to_ns(frame: int, rate: Fraction) -> int:
    """Give the start in ns of frame number ``frame`` (from 0) at a constant ``rate`` (frames/s)."""
    return ratio_round(frame * rate.denominator * NS, rate.numerator)


def parse_time(text: str) -> int:
    """Read a written time: ``12.5``, ``4:10``, ``0:04:10.250``, decimal comma allowed.

    Returns nanoseconds. Raises ValueError for anything else, for a sixtieth field of 60 or
    more (``0:75``) where a larger unit stands before it, for more than nine decimals, and for
    more hours than any recording has.
    """
    written = text.strip()
    match = _CLOCK.fullmatch(written) if len(written) <= _LONGEST_WRITTEN else None
    if match is None:
        raise ValueError(f"not a time: {shown(written)}; expected {TIME_FORMS}")
    hours, minutes, seconds, fraction = match.groups()
    if fraction is not None and len(fraction) > 9:
        raise ValueError(f"not a time: {written!r}; at most nine decimals are held")
    if minutes is not None and int(seconds) > 59:
        raise ValueError(f"not a time: {written!r}; seconds after a colon go from 0 to 59")
    if hours is not None and int(minutes) > 59:
        raise ValueError(f"not a time: {written!r}; minutes after hours go from 0 to 59")
    whole = (int(hours or 0) * 60 + int(minutes or 0)) * 60 + int(seconds)
    return bounded_ns(whole * NS + int((fraction or "").ljust(9, "0")), written)


def format_time(ns: int, decimals: int = 3) -> str:
    """Write nanoseconds as ``h:mm:ss.fff`` (rounded, halves upward); ``decimals`` from 0 to 9."""
    sign = "-" if ns < 0 else ""
    units = ratio_round(abs(ns), 10 ** (9 - decimals))
    whole, fraction = divmod(units, 10**decimals)
    minutes, seconds = divmod(whole, 60)
    hours, minutes = divmod(minutes, 60)
    tail = f".{fraction:0{decimals}d}" if decimals else ""
    return f"{sign}{hours}:{minutes:02d}:{seconds:02d}{tail}"


def format_seconds(ns: int) -> str:
    """Write nanoseconds as decimal seconds, exactly: at least three decimals, at most nine."""
    sign = "-" if ns < 0 else ""
    whole, fraction = divmod(abs(ns), NS)
    digits = f"{fraction:09d}"
    return f"{sign}{whole}.{digits[:3]}{digits[3:].rstrip('0')}"


def nominal_rate(rate: Fraction) -> int:
    """Give the number of timecode labels a second: 30 for 30000/1001, 25 for 25."""
    return ratio_round(rate.numerator, rate.denominator)


def dropped_labels(rate: Fraction) -> int:
    """Give the labels skipped at each minute but every tenth in drop-frame: 2 at 29.97, 4 at 59.94.

    Raises ValueError where drop-frame is not defined (any rate but 30000/1001 and 60000/1001).
    """
    if rate not in (Fraction(30000, 1001), Fraction(60000, 1001)):
        raise ValueError(f"drop-frame timecode is defined at 29.97 and 59.94 only, not at {rate}")
    return nominal_rate(rate) // 15


def timecode_to_frame(text: str, rate: Fraction) -> int:
    """Read an SMPTE label (``01:00:00:00``, ``;`` before the frames = drop-frame).

    Returns the frame count from 00:00:00:00 at ``rate``. Raises ValueError for a label that
    is malformed or that does not exist (``00:01:00;00``).
    """
    match = _TIMECODE.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"not a timecode: {text.strip()!r}; expected {TIMECODE_FORMS}")
    hours, minutes, seconds = (int(match[i]) for i in (1, 2, 3))
    frames, labels = int(match[5]), nominal_rate(rate)
    if minutes > 59 or seconds > 59 or frames >= labels:
        raise ValueError(
            f"not a timecode at {rate} frames/s: {text.strip()!r}; minutes and seconds go to 59, "
            f"frames to {labels - 1}"
        )
    total_minutes = hours * 60 + minutes
    count = (total_minutes * 60 + seconds) * labels + frames
    if match[4] == ":":
        return count
    drop = dropped_labels(rate)
    if minutes % 10 and seconds == 0 and frames < drop:
        raise ValueError(f"no such label in drop-frame timecode: {text.strip()!r}")
    return count - drop * (total_minutes - total_minutes // 10)
