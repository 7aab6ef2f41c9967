"""Rows made of marks and marks of rows: what was not changed is written as it was."""

from dataclasses import replace
from pathlib import Path

import pytest

from vidseg.formats import read_sheet, write_sheet
from vidseg.mark.rows import MarkRow
from vidseg.mark.sheet_rows import Desk, marks_of, origins_of, with_ends
from vidseg.measure.case.resolve import resolve
from vidseg.model.annotation import TO_BE_CONFIRMED, Edge, Frame, Mark, Sheet, Timecode

S = 1_000_000_000
SHEET = Sheet(
    "made.json",
    (
        Mark("Capsulorhexis", Timecode("00:00:01:00"), Frame(50), "n", attributes=(("hand", "l"),)),
        Mark("wound_closure", 580 * S + 13, Edge.OPEN),
        Mark("hydrodissection", Edge.OPEN, 3 * S),
        Mark("no such step", 5 * S, 6 * S),
        Mark("cortex_removal", Timecode("00:00:20:30"), 20 * S),
        Mark(
            "iol_insertion",
            30 * S,
            31 * S,
            f"{TO_BE_CONFIRMED}; quiet",
            attributes=(("evidence", "e"),),
        ),
        Mark("nucleus_division", 40 * S, None),
        Mark("intracameral_antibiotic", 50 * S, None, TO_BE_CONFIRMED),
    ),
)


def unchanged(sheet: Sheet, desk: Desk) -> tuple[Mark, ...]:
    origins = origins_of(sheet, desk)
    marks = marks_of([origin.row for origin in origins.values()], origins, desk, "made.json")
    return tuple(replace(mark, source="", line=None) for mark in marks)


def test_what_nobody_changed_is_written_as_it_was(desk: Desk) -> None:
    assert unchanged(SHEET, desk) == SHEET.marks


def test_rows_lie_where_the_check_lays_them(desk: Desk) -> None:
    """The same marks resolved by `vidseg check` lie at the same frames."""
    rows = [origin.row for origin in origins_of(SHEET, desk).values()]
    annotation, _ = resolve(SHEET, desk.procedure, desk.recording)
    spans = {(row.label, row.start_ns, row.end_ns) for row in rows}
    for segment in annotation.segments:
        assert (segment.step.code, segment.span.start, segment.span.end) in spans
    for event in annotation.events:
        assert (event.step.code, event.at, None) in spans


def test_states_of_rows(desk: Desk) -> None:
    rows = {origin.row.label: origin.row for origin in origins_of(SHEET, desk).values()}
    assert rows["capsulorhexis"].start_ns == S
    assert rows["wound_closure"].open_end
    assert rows["wound_closure"].end_ns == desk.recording.length
    assert rows["hydrodissection"].open_start
    assert rows["hydrodissection"].start_ns == 0
    assert rows["cortex_removal"].start_ns is None
    assert rows["iol_insertion"].draft
    assert rows["iol_insertion"].note == "quiet"
    assert rows["intracameral_antibiotic"].draft
    assert rows["intracameral_antibiotic"].note == ""
    assert [label for label, row in rows.items() if desk.running(row)] == ["nucleus_division"]


def test_a_changed_edge_leaves_the_other_as_written(desk: Desk) -> None:
    origins = origins_of(SHEET, desk)
    first, *_ = origins.values()
    moved = replace(first.row, end_ns=4 * S, note="")
    (mark,) = marks_of([moved], origins, desk, "made.json")
    assert (mark.label, mark.start, mark.end) == ("Capsulorhexis", Timecode("00:00:01:00"), 4 * S)
    closed = replace(first.row, open_end=True, end_ns=desk.recording.length)
    (mark,) = marks_of([closed], origins, desk, "made.json")
    assert mark.end is Edge.OPEN


def test_an_open_edge_can_be_closed(desk: Desk) -> None:
    origins = origins_of(SHEET, desk)
    rows = {origin.row.label: origin.row for origin in origins.values()}
    at_edge = replace(rows["hydrodissection"], open_start=False)
    (mark,) = marks_of([at_edge], origins, desk, "made.json")
    assert mark.start == 0
    at_end = replace(rows["wound_closure"], open_end=False)
    (mark,) = marks_of([at_end], origins, desk, "made.json")
    assert mark.end == desk.recording.length


def test_confirming_takes_the_words_away(desk: Desk) -> None:
    origins = origins_of(SHEET, desk)
    rows = {origin.row.label: origin.row for origin in origins.values()}
    confirmed = replace(rows["iol_insertion"], draft=False)
    (mark,) = marks_of([confirmed], origins, desk, "made.json")
    assert mark.note == "quiet"
    assert mark.attributes == (("evidence", "e"),)


def test_a_list_of_starts_gets_the_ends_that_the_durations_use(desk: Desk, tmp_path: Path) -> None:
    sheet = Sheet(
        "list.txt",
        (
            Mark("capsulorhexis", 10 * S, None),
            Mark("hydrodissection", 20 * S, None),
            Mark("end", 25 * S, None),
            Mark("iol_insertion", 30 * S, None),
        ),
        starts_only=True,
    )
    marks = with_ends(sheet, desk).marks
    assert [(mark.label, mark.start, mark.end) for mark in marks] == [
        ("capsulorhexis", 10 * S, 20 * S),
        ("hydrodissection", 20 * S, 25 * S),
        ("iol_insertion", 30 * S, desk.recording.length),
    ]


@pytest.mark.parametrize("suffix", [".json", ".csv", ".tsv"])
def test_what_nobody_changed_passes_through_a_file(desk: Desk, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"made{suffix}"
    write_sheet(SHEET, path)
    assert unchanged(read_sheet(path), desk) == SHEET.marks


def test_on_the_timecode_clock_a_changed_time_is_a_frame(desk: Desk) -> None:
    timecode = replace(desk, clock="timecode")
    (mark,) = marks_of([MarkRow("a", "capsulorhexis", 2 * S, 3 * S)], {}, timecode, "made.json")
    assert (mark.start, mark.end) == (Frame(50), Frame(75))
