"""Words on their way into a shared copy: what may identify someone stays out unless allowed."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import TypeVar

from vidseg.measure.privacy.identifiers import Identifier, find_identifiers
from vidseg.measure.privacy.person_names import Manner
from vidseg.model.annotation import Annotation, Edge, Event, Mark, Segment, Sheet
from vidseg.model.clock import format_time
from vidseg.model.recording import Captions

Labelled = TypeVar("Labelled", Segment, Event)


@dataclass(frozen=True, slots=True)
class Sifted:
    """One finding: the ``identifier`` in ``text``, where that stands, and whether it may stay."""

    where: str
    text: str
    identifier: Identifier
    allowed: bool


def folded(text: str) -> str:
    """Write a finding as it is compared with what a person allows."""
    return text.strip().casefold()


class Sieve:
    """Checks text after text and keeps what it ``found``.

    ``known`` are words of the vocabulary in use, ``allowed`` findings that a person lets stay,
    as they were shown, big and small letters alike.
    """

    def __init__(self, known: Collection[str] = (), allowed: Collection[str] = ()) -> None:
        self.known = known
        self.allowed = set(map(folded, allowed))
        self.found: list[Sifted] = []

    def passes(self, text: str, where: str, manner: Manner = "prose") -> bool:
        """Check one text; False where something in it is not allowed, and then nothing of it is.

        ``manner`` as in ``find_identifiers``.
        """
        found = find_identifiers(text, self.known, manner)
        allowed = all(folded(one.text) in self.allowed for one in found)
        self.found += [Sifted(where, text, one, allowed) for one in found]
        return allowed

    def captions(self, captions: Captions) -> Captions:
        """Give the captions without those that do not pass."""
        kept = [
            cue
            for cue in captions.cues
            if self.passes(cue.text, f"caption at {format_time(cue.span.start)}")
        ]
        return replace(captions, source="", cues=tuple(kept), problems=())

    def notes(self, annotation: Annotation) -> Annotation:
        """Give the annotation without notes that do not pass, and without extra columns."""

        def clean(row: Labelled, at: int) -> Labelled:
            note = row.note
            if note and not self.passes(note, f"note at {format_time(at)}"):
                note = ""
            return replace(row, note=note, attributes=())

        return replace(
            annotation,
            segments=tuple(clean(s, s.span.start) for s in annotation.segments),
            events=tuple(clean(e, e.at) for e in annotation.events),
            excluded=tuple(clean(s, s.span.start) for s in annotation.excluded),
        )

    def counts(self, *, allowed: bool) -> dict[str, int]:
        """Count the findings of each letter that may stay, or that may not."""
        counts: dict[str, int] = {}
        for one in self.found:
            if one.allowed is allowed:
                letter = one.identifier.letter
                counts[letter] = counts.get(letter, 0) + 1
        return counts


def without_words(annotation: Annotation) -> Annotation:
    """Give an annotation without notes, extra columns, annotator and file name."""
    return replace(
        annotation,
        annotator="",
        source="",
        segments=tuple(replace(s, note="", attributes=()) for s in annotation.segments),
        events=tuple(replace(e, note="", attributes=()) for e in annotation.events),
        excluded=tuple(replace(s, note="", attributes=()) for s in annotation.excluded),
    )


def sheet_of(annotation: Annotation) -> Sheet:
    """Give an annotation as the rows of a file, labelled by codes."""
    rows = sorted((*annotation.segments, *annotation.excluded), key=lambda s: s.span)
    marks = [
        Mark(
            segment.step.code,
            Edge.OPEN if segment.open_start else segment.span.start,
            Edge.OPEN if segment.open_end else segment.span.end,
            segment.note,
        )
        for segment in rows
    ]
    marks += [Mark(event.step.code, event.at, None, event.note) for event in annotation.events]
    return Sheet("steps.csv", tuple(marks))
