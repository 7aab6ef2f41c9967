"""SubRip: no standard, so common practice, and webvtt-py as an independent reader."""

from __future__ import annotations

from pathlib import Path

import pytest
import webvtt as outside
from hypothesis import given
from hypothesis import strategies as st

from vidseg.formats import subrip
from vidseg.model.annotation import Cue, Frame, Mark, Sheet
from vidseg.model.problem import FormatError, Severity, UsageError
from vidseg.model.recording import Captions
from vidseg.model.span import Span

BROKEN = Path(__file__).parents[2] / "annotations" / "broken"
S = 1_000_000_000
MS = 1_000_000


def put(folder: Path, text: str | bytes) -> Path:
    path = folder / "case.srt"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def codes(sheet: Sheet | Captions) -> list[tuple[str, int | None]]:
    return [(problem.code, problem.line) for problem in sheet.problems]


def rows(sheet: Sheet) -> list[tuple[str, object, object, str]]:
    return [(mark.label, mark.start, mark.end, mark.note) for mark in sheet.marks]


@pytest.mark.parametrize(
    ("timing", "start", "end"),
    [
        ("00:00:01,000 --> 00:00:02,500", S, 2_500 * MS),
        ("00:00:01.000 --> 00:00:02.500", S, 2_500 * MS),
        ("0:04:10,250 --> 0:05:00,000", 250_250 * MS, 300 * S),
        ("100:00:01,000 --> 100:00:02,000", 360_001 * S, 360_002 * S),
        ("00:00:01,000 --> 00:00:02,000 X1:40 X2:600 Y1:20 Y2:50", S, 2 * S),
        (" 00:00:01,000-->00:00:02,000  ", S, 2 * S),
    ],
)
def test_timings(tmp_path: Path, timing: str, start: int, end: int) -> None:
    sheet = subrip.read(put(tmp_path, f"1\n{timing}\ncapsulorhexis\n"))
    assert rows(sheet) == [("capsulorhexis", start, end, "")]
    assert sheet.problems == ()


@pytest.mark.parametrize(
    "timing",
    [
        "00:00:60,000 --> 00:01:02,000",
        "00:60:00,000 --> 00:60:02,000",
        "00:01,000 --> 00:02,000",
        "00:00:01 --> 00:00:02",
        "00:00:01,00 --> 00:00:02,00",
        "00:00:01,000 --> ",
        "00:00:0x,000 --> 00:00:02,000",
        "00:00:01:000 --> 00:00:02:000",
    ],
)
def test_a_bad_cue_is_told_and_never_joins_the_one_before(tmp_path: Path, timing: str) -> None:
    text = f"1\n00:00:00,000 --> 00:00:01,000\nparacentesis\n\n2\n{timing}\ncapsulorhexis\n"
    sheet = subrip.read(put(tmp_path, text))
    assert codes(sheet) == [("bad-cue", 6)]
    assert sheet.problems[0].severity is Severity.ERROR
    assert timing.strip() in sheet.problems[0].message
    assert rows(sheet) == [("paracentesis", 0, S, "")]


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_encodings_and_line_ends(tmp_path: Path, ending: str, encoding: str) -> None:
    text = "\n1\n00:00:01,000 --> 00:00:02,000\nKapsulorhexis é\nnote\n \n2\n"
    text += "00:00:03,000 --> 00:00:04,000\nmain_incision"
    sheet = subrip.read(put(tmp_path, text.replace("\n", ending).encode(encoding)))
    assert rows(sheet) == [
        ("Kapsulorhexis é", S, 2 * S, "note"),
        ("main_incision", 3 * S, 4 * S, ""),
    ]
    assert [mark.line for mark in sheet.marks] == [3, 8]
    assert sheet.problems == ()


def test_text_that_is_not_utf8_stops_work(tmp_path: Path) -> None:
    text = "1\n00:00:01,000 --> 00:00:02,000\nKapsulorhexis é\n"
    with pytest.raises(FormatError) as caught:
        subrip.read(put(tmp_path, text.encode("cp1252")))
    assert caught.value.line == 3


@pytest.mark.parametrize(
    "text", ["WEBVTT\n\n00:01.000 --> 00:02.000\na\n", "start,end,step\n1,2,a\n"]
)
def test_other_formats_stop_work(tmp_path: Path, text: str) -> None:
    with pytest.raises(FormatError) as caught:
        subrip.read(put(tmp_path, text))
    assert caught.value.line == 1


def test_missing_numbers_are_one_warning(tmp_path: Path) -> None:
    text = "00:00:01,000 --> 00:00:02,000\na\n\n00:00:03,000 --> 00:00:04,000\nb\n"
    sheet = subrip.read(put(tmp_path, text))
    assert [mark.label for mark in sheet.marks] == ["a", "b"]
    assert [(p.code, p.severity, p.line) for p in sheet.problems] == [
        ("loose-cue", Severity.WARNING, 1)
    ]
    assert "2 cues" in sheet.problems[0].message


def test_everything_wrong_is_reported_in_one_go(tmp_path: Path) -> None:
    text = (
        "1\n00:00:01,000 --> 00:00:02,000\na\n\nlost text\n\n"
        "intro\n00:00:03,000 --> 00:00:04,000\nb\n3\n00:00:05,000 --> 00:00:06,000\nc\n\n"
        "4\n00:00:08,000 --> 00:00:07,000\nd\n\n"
        "5\n00:00:09,000 --> 00:00:10,000\n\n"
        "6\n00:00:11,000 --> 00:00:12,000 align:start\ne\n"
    )
    sheet = subrip.read(put(tmp_path, text))
    assert codes(sheet) == [
        ("bad-cue", 5),
        ("bad-cue", 7),
        ("bad-cue", 11),
        ("ends-before-start", 15),
        ("no-label", 19),
        ("loose-cue", 22),
    ]
    assert [(mark.label, mark.note) for mark in sheet.marks] == [
        ("a", ""),
        ("b", ""),
        ("c", ""),
        ("e", ""),
    ]


def test_captions_hold_plain_text(tmp_path: Path) -> None:
    payload = '{\\an8}<b>now</b> <I>the</I> <font color="#ff0000">rhexis</font>\nIOP < 20 & rising'
    text = f"1\n00:00:01,000 --> 00:00:02,000\n{payload}\n"
    captions = subrip.read_captions(put(tmp_path, text))
    assert captions.cues == (Cue(Span(S, 2 * S), "now the rhexis\nIOP < 20 & rising"),)
    assert captions.problems == ()


def test_written_file_letter_by_letter(tmp_path: Path) -> None:
    marks = (
        Mark("capsulorhexis", 250_250 * MS, 300 * S, "needle"),
        Mark("hydrodissection", 360_000 * S, 360_001 * S),
    )
    assert subrip.write(Sheet("case.csv", marks), tmp_path / "out.srt") == ()
    assert (tmp_path / "out.srt").read_bytes() == (
        b"1\n00:04:10,250 --> 00:05:00,000\ncapsulorhexis\nneedle\n\n"
        b"2\n100:00:00,000 --> 100:00:01,000\nhydrodissection\n"
    )


def test_what_cannot_be_held_is_told(tmp_path: Path) -> None:
    marks = (
        Mark("capsulorhexis", 0, S, "tear ---> out\n\n{\\an8}top"),
        Mark("capsular tension ring", 2 * S, None),
    )
    told = subrip.write(Sheet("case.csv", marks), tmp_path / "out.srt")
    for words in ("1 point", "1 text: blank lines", "1 line with `-->`", "markup"):
        assert sum(words in sentence for sentence in told) == 1, words
    again = subrip.read(tmp_path / "out.srt")
    assert rows(again) == [
        ("capsulorhexis", 0, S, "tear -> out\ntop"),
        ("capsular tension ring", 2 * S, 2 * S + MS, ""),
    ]
    assert again.problems == ()


def test_frame_numbers_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="frame number"):
        subrip.write(Sheet("x", (Mark("a", Frame(3), Frame(9)),)), tmp_path / "out.srt")
    assert list(tmp_path.iterdir()) == []


def test_an_empty_sheet(tmp_path: Path) -> None:
    told = subrip.write(Sheet("x", ()), tmp_path / "out.srt")
    assert told == ("There is no row, so the file is empty.",)
    assert (tmp_path / "out.srt").read_bytes() == b""


LETTERS = st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp"), exclude_characters="<>{}")
LINE = st.text(LETTERS).map(str.strip).filter(bool)


@st.composite
def sheets(draw: st.DrawFn) -> Sheet:
    widths = st.tuples(st.integers(0, 400_000_000), st.integers(1, 10_000_000))
    spans = sorted(
        draw(st.lists(widths, min_size=1, max_size=6)), key=lambda pair: (pair[0], -sum(pair))
    )
    return Sheet(
        "drawn",
        tuple(
            Mark(
                draw(LINE),
                start * MS,
                (start + width) * MS,
                "\n".join(draw(st.lists(LINE, max_size=2))),
            )
            for start, width in spans
        ),
    )


@given(sheet=sheets())
def test_written_and_read_again(sheet: Sheet, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("srt") / "out.srt"
    subrip.write(sheet, path)
    again = subrip.read(path)
    assert rows(again) == rows(sheet)
    assert again.problems == ()


def test_webvtt_py_reads_what_we_write(tmp_path: Path) -> None:
    marks = (
        Mark("capsulorhexis", 250_250 * MS, 300 * S, "needle & forceps"),
        Mark("hydrodissection", 360_000 * S, 360_001 * S),
    )
    subrip.write(Sheet("x", marks), tmp_path / "out.srt")
    found = [(c.start, c.end, c.raw_text) for c in outside.from_srt(tmp_path / "out.srt")]
    assert found == [
        ("00:04:10.250", "00:05:00.000", "capsulorhexis\nneedle & forceps"),
        ("100:00:00.000", "100:00:01.000", "hydrodissection"),
    ]


def test_captions_written_and_read_again(tmp_path: Path) -> None:
    cues = (Cue(Span(2 * S, 3 * S), "two lines\nof text"), Cue(Span(S, 3 * S), "first"))
    assert subrip.write_captions(Captions("x", cues), tmp_path / "out.srt") == ()
    again = subrip.read_captions(tmp_path / "out.srt")
    assert again.cues == (cues[1], cues[0])
    assert again.problems == ()


def test_broken_example() -> None:
    sheet = subrip.read(BROKEN / "loose-cue.srt")
    assert {problem.code for problem in sheet.problems} == {"loose-cue"}
    assert [mark.label for mark in sheet.marks] == ["paracentesis", "main_incision"]


PIECES = st.lists(
    st.sampled_from(
        [
            "\n",
            "\n\n",
            "1",
            "x",
            " ",
            "00:00:01,000",
            "00:00:02,500",
            " --> ",
            "-->",
            "<b>",
            "{\\an8}",
            "X1:5",
        ]
    ),
    max_size=25,
)


@given(pieces=PIECES)
def test_any_text_gives_problems_or_a_format_error(
    pieces: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = put(tmp_path_factory.mktemp("any"), "".join(pieces))
    try:
        sheet = subrip.read(path)
    except FormatError:
        return
    lines = path.read_bytes().count(b"\n") + 1
    assert all(1 <= (problem.line or 0) <= lines for problem in sheet.problems)
    assert all(mark.label.strip() for mark in sheet.marks)
    assert all(mark.source == path.name for mark in sheet.marks)
