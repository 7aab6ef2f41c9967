"""A draft as what leaves: an annotation to confirm, a table of measures, reasons as text."""

from __future__ import annotations

from vidseg.export.tables import csv_text
from vidseg.measure.draft import Draft, DraftRow
from vidseg.measure.draft.course import Course
from vidseg.measure.draft.measures import Measured
from vidseg.measure.draft.rows import UNSPOKEN
from vidseg.model.annotation import TO_BE_CONFIRMED, Mark, Sheet
from vidseg.model.clock import format_time

ANNOTATOR = "draft from narration"
MEASURE_COLUMNS = ("time", "quantity", "value", "unit", "value_si", "unit_si", "caption")


def draft_sheet(draft: Draft, source: str, case: str | None = None) -> Sheet:
    """Make an annotation of a draft: a row per visit and event, in order of time.

    Every row carries ``confidence`` and ``evidence`` (captions' times and what was heard).
    """
    marks = [
        Mark(
            row.step.code,
            row.span.start,
            row.span.end,
            "; ".join((TO_BE_CONFIRMED, *row.notes)),
            attributes=(
                ("confidence", f"{row.confidence:.2f}"),
                ("evidence", evidence_text(draft, row)),
            ),
        )
        for row in draft.rows
    ]
    for event in draft.events:
        heard = f"{format_time(draft.cues[event.cue].span.start)} “{event.heard}”"
        marks.append(
            Mark(
                event.step.code,
                event.at,
                None,
                TO_BE_CONFIRMED,
                attributes=(("confidence", f"{event.confidence:.2f}"), ("evidence", heard)),
            )
        )
    marks.sort(key=_start)
    return Sheet(source, tuple(marks), procedure=draft.procedure, case=case, annotator=ANNOTATOR)


def timetable_sheet(course: Course, end: int, source: str, procedure: str) -> Sheet:
    """Make an annotation of what is usual in a case of length ``end`` (ns), nothing of it known."""
    told = f"usual in {course.cases} cases" if course.cases else "usual by the vocabulary"
    marks = tuple(
        Mark(
            code,
            span.start,
            span.end,
            f"{TO_BE_CONFIRMED}; a timetable: {told}, nothing of this case is in it",
            attributes=(("confidence", f"{share / 2:.2f}"),),
        )
        for code, span, share in course.timetable(end)
    )
    return Sheet(source, marks, procedure=procedure, annotator=ANNOTATOR)


def _start(mark: Mark) -> int:
    assert isinstance(mark.start, int)
    return mark.start


def evidence_text(draft: Draft, row: DraftRow) -> str:
    """Write what speaks for a row: time and reason of each of its captions, if any."""
    if not row.cues:
        return UNSPOKEN
    parts = []
    for cue in row.cues:
        whys = [c.why for c in draft.clues if c.cue == cue and c.step == row.step.code]
        parts.append(f"{format_time(draft.cues[cue].span.start)} {'; '.join(whys)}")
    return " | ".join(parts)


def measures_csv(measures: tuple[Measured, ...], draft: Draft) -> str:
    """Write measures as CSV text: as said and in SI, each with its caption."""
    rows = []
    for measured in measures:
        si = measured.si
        rows.append(
            {
                "time": format_time(measured.at),
                "quantity": measured.quantity,
                "value": measured.value,
                "unit": measured.unit,
                "value_si": "" if si is None else f"{si[0]:.6g}",
                "unit_si": "" if si is None else si[1],
                "caption": " ".join(draft.cues[measured.cue].text.split()),
            }
        )
    return csv_text(list(MEASURE_COLUMNS), rows)


def explanation(draft: Draft) -> str:
    """Write, caption by caption, what it was taken to say and which row it supports."""
    support: dict[int, list[str]] = {}
    for number, row in enumerate(draft.rows, 1):
        for cue in row.cues:
            support.setdefault(cue, []).append(f"row {number} ({row.step.code})")
    lines = [f"told {draft.telling.value}", *draft.warnings]
    for number, caption in enumerate(draft.cues):
        lines.append(f"{format_time(caption.span.start)}  {' '.join(caption.text.split())}")
        found = sorted((c for c in draft.clues if c.cue == number), key=lambda c: -c.weight)
        for clue in found[:4]:
            lines.append(f"    {clue.step} {clue.weight:.1f} [{clue.sense.value}] {clue.why}")
        for event in draft.events:
            if event.cue == number:
                lines.append(f"    event {event.step.code}: “{event.heard}”")
        for event in draft.suggested:
            if event.cue == number:
                lines.append(f"    perhaps {event.step.code}: “{event.heard}”")
        if number in support:
            lines.append(f"    → {', '.join(support[number])}")
    return "\n".join(lines)
