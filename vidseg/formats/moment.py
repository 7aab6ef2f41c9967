"""A written moment: text to nanoseconds, frame number, timecode or open edge, and back.

What is taken in any time cell: ``12.5``, ``4:10``, ``0:04:10.250`` (decimal comma allowed), an
SMPTE label ``00:04:10:12`` (``;`` = drop-frame), ``f1234`` or ``frame 1234``, ``part2 0:03:10``
for a time on the clock of the second part, and ``open``.
"""

from __future__ import annotations

import re
from decimal import ROUND_HALF_UP, Decimal

from vidseg.model.annotation import Edge, Frame, InPart, Moment, Timecode
from vidseg.model.bounds import LONGEST_NS, bounded_frame, bounded_ns, shown
from vidseg.model.clock import NS, TIME_FORMS, TIMECODE_FORMS, format_seconds, parse_time

MOMENT_FORMS = (
    f"{TIME_FORMS}; a timecode ({TIMECODE_FORMS}); a frame (f1234); a time in a part "
    "(part2 0:03:10); or `open`"
)

_FRAME = re.compile(r"(?:f|frame)\s*([0-9]{1,12})", re.IGNORECASE)
_PART = re.compile(r"part\s*([0-9]{1,3})[\s:]+(.+)", re.IGNORECASE)
_WHOLE = re.compile(r"([0-9]{1,12})")
_TIMECODE = re.compile(r"[0-9]{1,2}:[0-5][0-9]:[0-5][0-9][:;][0-9]{2,3}")
_CLOCK_LIKE = re.compile(r"[0-9]+(?::[0-9]+){0,2}(?:[.,][0-9]+)?")
_LONGEST = 40
"""Characters of the longest text still looked at as a time."""


def parse_moment(text: str) -> Moment | Edge:
    """Read a written moment. Raises ValueError that says what was expected."""
    written = text.strip()
    if written.casefold() == Edge.OPEN:
        return Edge.OPEN
    if len(written) <= _LONGEST:
        if match := _FRAME.fullmatch(written):
            return Frame(bounded_frame(int(match[1]), written))
        match = _PART.fullmatch(written)
        if match and int(match[1]) and _CLOCK_LIKE.fullmatch(match[2]):
            return InPart(int(match[1]), parse_time(match[2]))
        if _TIMECODE.fullmatch(written):
            return Timecode(written)
        if _CLOCK_LIKE.fullmatch(written):
            return parse_time(written)
    raise ValueError(f"not a time: {shown(written)}; expected {MOMENT_FORMS}")


def parse_frame(text: str) -> Moment | Edge:
    """Read a cell of a frame column: a whole number from 0, ``f1234`` or ``open``.

    Raises ValueError that says what was expected.
    """
    written = text.strip()
    if written.casefold() == Edge.OPEN:
        return Edge.OPEN
    if match := _FRAME.fullmatch(written) or _WHOLE.fullmatch(written):
        return Frame(bounded_frame(int(match[1]), written))
    raise ValueError(
        f"not a frame number: {shown(written)}; expected a whole number from 0, or `open`"
    )


def is_moment(text: str) -> bool:
    """Say whether the text reads as a moment."""
    try:
        parse_moment(text)
    except ValueError:
        return False
    return True


def moment_text(moment: Moment | Edge | None) -> str:
    """Write a moment so that ``parse_moment`` gives it back exactly; None becomes empty text.

    Nanoseconds become decimal seconds, a frame ``f1234``, a timecode stays as written.
    """
    if moment is None:
        return ""
    if isinstance(moment, Edge):
        return moment.value
    if isinstance(moment, Frame):
        return f"f{moment.number}"
    if isinstance(moment, Timecode):
        return moment.text
    if isinstance(moment, InPart):
        return f"part{moment.part} {format_seconds(moment.at)}"
    return format_seconds(moment)


def seconds_to_ns(seconds: float) -> int:
    """Turn a number of seconds, as a spreadsheet holds it, into the nearest nanosecond.

    The shortest decimal that gives the number counts (12.1, not 12.0999999999999996). Raises
    ValueError for infinity, not-a-number and times before zero.
    """
    number = Decimal(repr(seconds))
    if not number.is_finite() or number < 0:
        raise ValueError(f"not a time: {seconds!r}; expected seconds from 0")
    return _nearest_ns(number, repr(seconds))


def days_to_ns(days: float) -> int:
    """Turn a fraction of a day, as a spreadsheet holds times, into the nearest nanosecond.

    The seventeen digits kept for a time below a day leave an error far below a nanosecond in
    the first hours, so a time typed to the millisecond comes out exactly. Raises ValueError as
    ``seconds_to_ns`` does.
    """
    number = Decimal(repr(days))
    if not number.is_finite() or number < 0:
        raise ValueError(f"not a time: {days!r} days; expected a time from 0")
    return _nearest_ns(number * 86_400, f"{days!r} days")


def _nearest_ns(seconds: Decimal, written: str) -> int:
    # bounded before it is spelt out: 1e300 s would be a number of 309 digits
    if seconds > LONGEST_NS // NS:
        return bounded_ns(LONGEST_NS + 1, written)
    return int((seconds * NS).to_integral_value(ROUND_HALF_UP))
