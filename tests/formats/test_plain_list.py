import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vidseg.formats import plain_list
from vidseg.model.annotation import Cue, Edge, Frame, Mark, Sheet, Timecode
from vidseg.model.problem import FormatError, UsageError
from vidseg.model.span import Span

S = 1_000_000_000

Writer = Callable[[str], Path]


@pytest.fixture
def put(tmp_path: Path) -> Writer:
    def of(text: str) -> Path:
        path = tmp_path / "list.txt"
        path.write_bytes(text.encode())
        return path

    return of


def bare(marks: tuple[Mark, ...]) -> list[Mark]:
    return [replace(mark, source="", line=None) for mark in marks]


@pytest.mark.parametrize(
    ("line", "start", "end", "label"),
    [
        ("0:04:10 Capsulorhexis", 250 * S, None, "Capsulorhexis"),
        ("4:10 - 5:30 Capsulorhexis", 250 * S, 330 * S, "Capsulorhexis"),
        ("4:10–5:30 Capsulorhexis", 250 * S, 330 * S, "Capsulorhexis"),
        ("4:10 --> 5:30 Capsulorhexis", 250 * S, 330 * S, "Capsulorhexis"),
        ("4:10 to 5:30: Capsulorhexis", 250 * S, 330 * S, "Capsulorhexis"),
        ("[0:55] Hydrodissection", 55 * S, None, "Hydrodissection"),
        ("(12.5) Hydrodissection", 12_500_000_000, None, "Hydrodissection"),
        ("[0:55 - 1:20] Hydrodissection", 55 * S, 80 * S, "Hydrodissection"),
        ("[0:55] - [1:20] Hydrodissection", 55 * S, 80 * S, "Hydrodissection"),
        ("0:04:10,5 Capsulorhexis", 250_500_000_000, None, "Capsulorhexis"),
        ("12,5 - 20 Main incision", 12_500_000_000, 20 * S, "Main incision"),
        ("0:55 - Hydrodissection", 55 * S, None, "Hydrodissection"),
        ("0:55 - 5 mm incision", 55 * S, None, "5 mm incision"),
        ("0:55 5 mm incision", 55 * S, None, "5 mm incision"),
        ("9:50 - open Wound closure", 590 * S, Edge.OPEN, "Wound closure"),
        ("9:50 - Open conjunctiva", 590 * S, None, "Open conjunctiva"),
        ("9:50 - opening", 590 * S, None, "opening"),
        ("open - 0:30 Draping", Edge.OPEN, 30 * S, "Draping"),
        ("f82 - f840 Chop", Frame(82), Frame(840), "Chop"),
        (
            "00:04:10:12 - 00:05:10;12 Chop",
            Timecode("00:04:10:12"),
            Timecode("00:05:10;12"),
            "Chop",
        ),
        ("  4:10\tto-do", 250 * S, None, "to-do"),
    ],
)
def test_forms_of_a_line(put: Writer, line: str, start: object, end: object, label: str) -> None:
    sheet = plain_list.read(put(f"# c\n\n{line}\n"))
    assert not sheet.problems
    assert sheet.marks == (Mark(label, start, end, "", "list.txt", 3),)  # type: ignore[arg-type]
    assert sheet.starts_only == (end is None)


def test_notes_comments_and_mixed_ends(put: Writer) -> None:
    sheet = plain_list.read(
        put(
            "\ufeff# 0:05 not a row\r\n0:10 - 0:30 Main incision | temporal | clear\r\n\r\n"
            "0:35 Small pupil\r\n"
        )
    )
    assert not sheet.problems
    assert not sheet.starts_only
    assert sheet.marks == (
        Mark("Main incision", 10 * S, 30 * S, "temporal | clear", "list.txt", 2),
        Mark("Small pupil", 35 * S, None, "", "list.txt", 4),
    )


def test_every_bad_line_is_told(put: Writer) -> None:
    sheet = plain_list.read(
        put(
            "Chapters:\n0:75 x\n0:10 - 0:99 x\n12.5mm x\n1. Incision\n1) Incision\n[0:10 x\n"
            "[0:10 - (0:20) x\n0:10\n0:10 - 0:20 | note\n0:30 Main incision\nIncision 0:10\n"
        )
    )
    assert [(problem.code, problem.line) for problem in sheet.problems] == [
        *[("bad-row", 1), ("bad-time", 2), ("bad-time", 3), ("bad-time", 4), ("bad-time", 5)],
        *[("bad-row", 6), ("bad-row", 7), ("bad-row", 8), ("no-label", 9), ("no-label", 10)],
        ("bad-row", 12),
    ]
    assert [mark.line for mark in sheet.marks] == [11]
    assert "0:04:10 Capsulorhexis" in sheet.problems[0].message


def test_files_that_are_no_text(put: Writer, tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="is empty"):
        plain_list.read(put(" \n"))
    (tmp_path / "x.txt").write_bytes("0:10 Größe".encode("latin-1"))
    with pytest.raises(FormatError, match="byte 8"):
        plain_list.read(tmp_path / "x.txt")


def test_captions_run_until_the_next(put: Writer) -> None:
    captions = plain_list.read_captions(
        put("[0:55] Now the rhexis | slowly\n[1:00 - 1:02.5] it runs\n[1:10] good\n")
    )
    assert not captions.problems
    assert captions.cues == (
        Cue(Span(55 * S, 60 * S), "Now the rhexis | slowly"),
        Cue(Span(60 * S, 62_500_000_000), "it runs"),
        Cue(Span(70 * S, 70 * S + plain_list.LAST_CUE_NS), "good"),
    )


def test_captions_that_cannot_be_placed(put: Writer) -> None:
    captions = plain_list.read_captions(
        put("[f12] a\n0:10 b\n0:10 c\n0:20\n0:30 d\n0:25 e\nfree text\n0:40 - open f\n")
    )
    assert [(problem.code, problem.line) for problem in captions.problems] == [
        *[("bad-time", 1), ("ends-before-start", 2), ("bad-cue", 4), ("ends-before-start", 5)],
        *[("bad-row", 7), ("bad-time", 8)],
    ]
    assert [cue.text for cue in captions.cues] == ["c", "e"]


def test_captions_of_which_no_line_can_be_read(put: Writer) -> None:
    captions = plain_list.read_captions(put("0:00808 - 0:02:55 access_phase\n"))
    assert captions.cues == ()
    assert [problem.code for problem in captions.problems] == ["bad-time"]


def test_written_list(tmp_path: Path) -> None:
    path = tmp_path / "out.txt"
    sheet = Sheet(
        "x",
        (
            Mark("Main incision", 10 * S, 30 * S + 1, "temporal\nclear"),
            Mark("Small | pupil", 35_500_000_000, None, attributes=(("hand", "left"),)),
            Mark("Wound closure", Frame(9), Edge.OPEN),
        ),
        annotator="R1",
    )
    assert plain_list.write(sheet, path) == (
        "2 rows with line breaks, spaces around a text, ' | ' in the step, or control characters: "
        "written with spaces, ' / ' or \ufffd.",
        "Not held: the extra columns of 1 row.",
        "Not held: the name of the annotator.",
    )
    assert path.read_text(encoding="utf-8") == (
        "0:00:10 - 0:00:30.000000001 Main incision | temporal clear\n"
        "0:00:35.500 Small / pupil\n"
        "f9 - open Wound closure\n"
    )


@pytest.mark.parametrize("label", ["- x", "-", ": x", "--> 0:10", "- 0:20 x", ") x", "x |"])
def test_a_step_that_would_be_misread_is_said(tmp_path: Path, label: str) -> None:
    path = tmp_path / "out.txt"
    sentences = plain_list.write(Sheet("x", (Mark(label, S, None, "n"),), starts_only=True), path)
    assert [sentence[:38] for sentence in sentences] == ["1 row where the step begins like a tim"]


def test_start_and_end_in_different_ways_are_said(tmp_path: Path) -> None:
    sheet = Sheet("x", (Mark("x", S, Frame(40)),))
    assert "different ways" in plain_list.write(sheet, tmp_path / "out.txt")[0]


def test_points_alone_read_as_starts_and_that_is_said(tmp_path: Path) -> None:
    sheet = Sheet("x", (Mark("small_pupil", S, None),))
    path = tmp_path / "out.txt"
    assert plain_list.write(sheet, path) == (
        "No row has an end, so the list reads as one of starts only.",
    )
    assert plain_list.read(path).starts_only


def test_rows_that_no_list_can_hold(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="has no label"):
        plain_list.write(Sheet("x", (Mark("", 0, None),)), tmp_path / "out.txt")


def test_an_empty_list_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "out.txt"
    assert plain_list.write(Sheet("x", ()), path) == ()
    assert plain_list.read(path).marks == ()


WORDS = st.text("abcÄß 5-:.,()", min_size=1, max_size=10).map(str.strip)
LABELS = st.builds(lambda first, rest: first + rest, st.sampled_from("aÖz"), WORDS)
TIMED = st.tuples(st.integers(0, 10**14), st.none() | st.integers(0, 10**14) | st.just(Edge.OPEN))
FRAMES = st.tuples(
    st.builds(Frame, st.integers(0, 10**6)), st.none() | st.builds(Frame, st.integers(0, 10**6))
)
CODES = st.sampled_from([Timecode("01:00:00:00"), Timecode("0:59:59;29")])
OPENED = st.tuples(st.just(Edge.OPEN), st.integers(0, 10**14) | CODES)


@settings(max_examples=100)
@given(
    st.lists(
        st.tuples(TIMED | FRAMES | st.tuples(CODES, st.none() | CODES) | OPENED, LABELS, WORDS),
        max_size=4,
    ),
    st.booleans(),
)
def test_what_is_written_reads_back_the_same(
    rows: list[tuple[tuple[object, object], str, str]], starts_only: bool
) -> None:
    marks = [Mark(label, *times, note) for times, label, note in rows]  # type: ignore[arg-type]
    if starts_only:
        marks = [replace(mark, end=None) for mark in marks]
    else:
        marks.append(Mark("wound_closure", 0, Edge.OPEN))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.txt"
        assert plain_list.write(Sheet("x", tuple(marks), starts_only=starts_only), path) == ()
        back = plain_list.read(path)
    assert not back.problems
    assert bare(back.marks) == marks
    assert back.starts_only == starts_only


@settings(max_examples=100)
@given(
    st.text(st.characters(exclude_categories=("Cs",)), max_size=12),  # type: ignore[arg-type]
    st.text(st.sampled_from(" |-:[(5)]\nax"), max_size=12),
)
def test_a_silent_write_is_an_exact_one(label: str, note: str) -> None:
    mark = Mark(label, S, 2 * S, note)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.txt"
        try:
            told = plain_list.write(Sheet("x", (mark,)), path)
        except UsageError:
            exact = not label.strip()
        else:
            exact = bool(told) or bare(plain_list.read(path).marks) == [mark]
    assert exact
