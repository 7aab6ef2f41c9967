"""Half-open intervals of time, ``[start, end)`` in whole nanoseconds, and their algebra."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from operator import attrgetter


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """One interval ``[start, end)`` in ns. Raises ValueError unless ``end > start``."""

    start: int
    end: int

    def __post_init__(self) -> None:
        if self.end <= self.start:
            raise ValueError(f"a span must end after it starts: [{self.start}, {self.end})")

    @property
    def length(self) -> int:
        """Length in ns, always above zero."""
        return self.end - self.start

    def overlaps(self, other: Span) -> bool:
        """Say whether the two share any time (touching is not sharing)."""
        return self.start < other.end and other.start < self.end

    def holds(self, at: int) -> bool:
        """Say whether the instant ``at`` (ns) lies in ``[start, end)``."""
        return self.start <= at < self.end


_EDGES = attrgetter("start", "end")


@dataclass(frozen=True, slots=True, init=False)
class Spans:
    """A set of time: sorted, disjoint spans; touching ones are merged by construction.

    ``|`` unites, ``&`` intersects, ``-`` subtracts; ``length`` is the total in ns. Empty is fine.
    """

    items: tuple[Span, ...]

    def __init__(self, items: Iterable[Span] = ()) -> None:
        merged: list[Span] = []
        for span in sorted(items, key=_EDGES):
            if merged and span.start <= merged[-1].end:
                if span.end > merged[-1].end:
                    merged[-1] = Span(merged[-1].start, span.end)
            else:
                merged.append(span)
        object.__setattr__(self, "items", tuple(merged))

    def __iter__(self) -> Iterator[Span]:
        return iter(self.items)

    def __len__(self) -> int:
        return len(self.items)

    @property
    def length(self) -> int:
        """Total length in ns."""
        return sum(span.length for span in self.items)

    def __or__(self, other: Spans) -> Spans:
        return Spans((*self.items, *other.items))

    def __and__(self, other: Spans) -> Spans:
        found: list[Span] = []
        i = j = 0
        while i < len(self.items) and j < len(other.items):
            a, b = self.items[i], other.items[j]
            if a.overlaps(b):
                found.append(Span(max(a.start, b.start), min(a.end, b.end)))
            if a.end <= b.end:
                i += 1
            else:
                j += 1
        return Spans(found)

    def __sub__(self, other: Spans) -> Spans:
        kept: list[Span] = []
        j = 0
        for a in self.items:
            start = a.start
            while j < len(other.items) and other.items[j].end <= start:
                j += 1
            k = j
            while k < len(other.items) and other.items[k].start < a.end:
                if other.items[k].start > start:
                    kept.append(Span(start, other.items[k].start))
                start = max(start, other.items[k].end)
                k += 1
            if start < a.end:
                kept.append(Span(start, a.end))
        return Spans(kept)

    def holds(self, at: int) -> bool:
        """Say whether the instant ``at`` (ns) lies in one of the spans."""
        index = bisect_right(self.items, at, key=lambda span: span.start) - 1
        return index >= 0 and self.items[index].holds(at)

    def covers(self, span: Span) -> bool:
        """Say whether all of ``span`` lies in these spans."""
        index = bisect_right(self.items, span.start, key=lambda item: item.start) - 1
        return index >= 0 and span.end <= self.items[index].end


Kept = Sequence[tuple[Span, int]]
"""What a copy holds, in order: spans of case time, each with where it starts in the copy (ns)."""
