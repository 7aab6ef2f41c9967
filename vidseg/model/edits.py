"""What was done to a recording after the operation, and the clock of the operation behind it.

The recording clock is the time on which marks are written. The operative clock is the time that
truly passed. Between two neighbouring edits the one is a straight line over the other:

- removed: at an instant of the recording, time is missing; its length is known, or it is not
- speed: a span shown ``factor`` times as fast took ``factor`` times as long
- inserted: a span (title card, talk, replay) took no operative time at all
- pause: at an instant the recorder stood still; the time passed, but nothing was done in it

One pause and one removal may stand at one instant: footage was cut there, and some of it counts
as time in which nothing was done.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from vidseg.model.bounds import LONGEST_H, LONGEST_NS
from vidseg.model.clock import format_time, ratio_round
from vidseg.model.span import Span, Spans


@dataclass(frozen=True, slots=True)
class Removed:
    """Footage cut out at ``at`` (ns, recording clock). ``length`` in ns; None is unknown."""

    at: int
    length: int | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Speed:
    """Footage in ``span`` (recording clock) plays ``factor`` times as fast as it happened."""

    span: Span
    factor: Fraction
    note: str = ""


@dataclass(frozen=True, slots=True)
class Inserted:
    """Material in ``span`` (recording clock) that is no part of the operation."""

    span: Span
    note: str = ""


@dataclass(frozen=True, slots=True)
class Pause:
    """The recorder stood still at ``at`` for ``length`` ns (None: unknown); nothing was done."""

    at: int
    length: int | None
    note: str = ""


Edit = Removed | Speed | Inserted | Pause


@dataclass(frozen=True, slots=True)
class _Piece:
    """A straight stretch: recording [start, end) takes ``factor`` of operative time from ``op``."""

    start: int
    end: int
    op: int
    factor: Fraction


class EditMap:
    """Recording clock to operative clock and back, by declared edits.

    Raises ValueError for edits that overlap or lie outside ``[0, length]``. Without edits it is
    the identity.
    """

    def __init__(self, edits: Iterable[Edit], length: int) -> None:
        self.edits: tuple[Edit, ...] = tuple(sorted(edits, key=_place))
        self.length = length
        _refuse_overlaps(self.edits, length)
        self._pieces = _pieces(self.edits, length)
        self._starts = [piece.start for piece in self._pieces]

    def start_of(self, at: int) -> int:
        """Map the start of something at ``at``: what was removed there lies before it."""
        return self._map(at, bisect_right(self._starts, at) - 1) if self._pieces else 0

    def end_of(self, at: int) -> int:
        """Map the end of something at ``at``: what was removed there lies after it."""
        index = bisect_right(self._starts, at) - 1
        if index > 0 and self._starts[index] == at:
            index -= 1
        return self._map(at, index) if self._pieces else 0

    def _map(self, at: int, index: int) -> int:
        piece = self._pieces[max(0, index)]
        part = (min(at, piece.end) - piece.start) * piece.factor
        return piece.op + ratio_round(part.numerator, part.denominator)

    def back(self, op: int) -> int | None:
        """Give the recording time of an operative instant; None where it was not kept."""
        for piece in self._pieces:
            if piece.factor and piece.op <= op <= self._map(piece.end, self._pieces.index(piece)):
                part = Fraction(op - piece.op) / piece.factor
                return piece.start + ratio_round(part.numerator, part.denominator)
        return None

    def span(self, span: Span) -> Span | None:
        """Map a span; None where nothing of it took operative time."""
        start, end = self.start_of(span.start), self.end_of(span.end)
        return Span(start, end) if end > start else None

    def spans(self, spans: Spans) -> Spans:
        """Map a set of time, span by span."""
        return Spans(mapped for span in spans if (mapped := self.span(span)) is not None)

    def pauses(self) -> Spans:
        """Give the operative time in which the recorder stood still (known lengths only)."""
        return Spans(
            Span(before, before + edit.length)
            for edit in self.edits
            if isinstance(edit, Pause) and edit.length
            for before in [self.end_of(edit.at) if edit.at else 0]
        )

    def unknown_at(self) -> tuple[int, ...]:
        """Give the recording times at which footage of unknown length is missing."""
        return tuple(
            edit.at for edit in self.edits if isinstance(edit, Removed) and edit.length is None
        )


def _place(edit: Edit) -> tuple[int, int]:
    if isinstance(edit, Speed | Inserted):
        return edit.span.start, 1
    return edit.at, 0


def describe(edit: Edit) -> str:
    """Name an edit and where it is, for messages."""
    kind = type(edit).__name__.lower()
    if isinstance(edit, Speed | Inserted):
        factor = f" x{edit.factor}" if isinstance(edit, Speed) else ""
        return f"{kind}{factor} {format_time(edit.span.start)} to {format_time(edit.span.end)}"
    length = "unknown length" if edit.length is None else format_time(edit.length)
    return f"{kind} at {format_time(edit.at)} ({length})"


def _refuse_overlaps(edits: Sequence[Edit], length: int) -> None:
    busy: Edit | None = None
    instants: dict[tuple[int, type[Edit]], Edit] = {}
    for edit in edits:
        stretched = isinstance(edit, Speed | Inserted)
        end = edit.span.end if isinstance(edit, Speed | Inserted) else edit.at
        if _place(edit)[0] < 0 or end > length:
            raise ValueError(
                f"{describe(edit)} lies outside the recording of {format_time(length)}"
            )
        place = (end, type(edit))
        if not stretched and (other := instants.setdefault(place, edit)) is not edit:
            raise ValueError(f"{describe(edit)} stands with {describe(other)} at one instant")
        if isinstance(busy, Speed | Inserted) and _place(edit)[0] < busy.span.end:
            inside = stretched or isinstance(busy, Inserted) or _place(edit)[0] > busy.span.start
            if inside:
                raise ValueError(f"{describe(edit)} overlaps {describe(busy)}")
        if stretched:
            busy = edit


def _pieces(edits: Sequence[Edit], length: int) -> list[_Piece]:
    pieces: list[_Piece] = []
    at = op = 0

    def add(end: int, factor: Fraction) -> None:
        nonlocal at, op
        if end > at:
            pieces.append(_Piece(at, end, op, factor))
            part = (end - at) * factor
            op += ratio_round(part.numerator, part.denominator)
            at = end

    for edit in edits:
        if isinstance(edit, Speed):
            add(edit.span.start, Fraction(1))
            add(edit.span.end, edit.factor)
        elif isinstance(edit, Inserted):
            add(edit.span.start, Fraction(1))
            add(edit.span.end, Fraction(0))
        else:
            add(edit.at, Fraction(1))
            op += edit.length or 0
    add(length, Fraction(1))
    if op > LONGEST_NS:
        raise ValueError(
            f"with them the operation lasts {format_time(op)}, and none is longer than "
            f"{LONGEST_H:,} h"
        )
    return pieces
