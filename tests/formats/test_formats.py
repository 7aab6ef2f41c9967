from dataclasses import replace
from pathlib import Path

import pytest

from vidseg.formats import CAPTIONS, FORMATS, read_captions, read_sheet, write_sheet
from vidseg.model.annotation import Edge, Frame, Mark, Sheet
from vidseg.model.problem import FormatError

S = 1_000_000_000
ROOT = Path(__file__).resolve().parents[2]


def test_the_formats_promised() -> None:
    assert set(FORMATS) == {".csv", ".tsv", ".xlsx", ".txt", ".vtt", ".srt", ".xml", ".json"}
    assert set(CAPTIONS) == {".vtt", ".srt", ".txt"}


@pytest.mark.parametrize("suffix", sorted(FORMATS))
def test_every_format_holds_steps_with_ends(tmp_path: Path, suffix: str) -> None:
    """Whole milliseconds, labels and ends: what every format can hold, it must."""
    sheet = Sheet(
        "x",
        (
            Mark("main_incision", 10 * S, 30_480_000_000),
            Mark("capsulorhexis", 40 * S, 100_040_000_000),
            Mark('Größe & "5 mm"', 100_040_000_000, 7_300 * S),
        ),
    )
    path = tmp_path / f"out{suffix.upper()}"
    assert write_sheet(sheet, path) == ()
    back = read_sheet(path)
    assert not back.problems
    assert not back.starts_only
    assert [replace(mark, source="", line=None) for mark in back.marks] == list(sheet.marks)
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("suffix", [".csv", ".tsv", ".xlsx", ".txt", ".json"])
def test_formats_that_hold_what_is_not_a_time(tmp_path: Path, suffix: str) -> None:
    sheet = Sheet(
        "x",
        (
            Mark("a", Frame(3), Frame(40), "a note"),
            Mark("b", 1, Edge.OPEN),
            Mark("c", 60 * S, None),
        ),
    )
    path = tmp_path / f"out{suffix}"
    assert write_sheet(sheet, path) == ()
    back = read_sheet(path)
    assert [replace(mark, source="", line=None) for mark in back.marks] == list(sheet.marks)


def test_the_example_is_the_same_in_every_table(tmp_path: Path) -> None:
    example = read_sheet(ROOT / "annotations" / "example" / "steps.csv")
    assert not example.problems
    marks = [replace(mark, source="", line=None) for mark in example.marks]
    assert len(marks) > 20
    for suffix in (".tsv", ".xlsx", ".txt", ".json"):
        path = tmp_path / f"steps{suffix}"
        assert write_sheet(example, path) == ()
        back = read_sheet(path).marks
        assert [replace(mark, source="", line=None) for mark in back] == marks


@pytest.mark.parametrize("name", ["steps.xls", "steps", "steps.mp4"])
def test_unknown_suffixes_are_refused(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    with pytest.raises(FormatError, match=r"known are \.csv, \.tsv, \.xlsx"):
        read_sheet(path)
    with pytest.raises(FormatError, match=r"known are \.csv"):
        write_sheet(Sheet("x", ()), path)
    with pytest.raises(FormatError, match=r"known are \.vtt, \.srt, \.txt"):
        read_captions(path)
    assert not path.exists()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Frame\tPhase\n68\tIncision\n", Mark("Incision", Frame(68), None)),
        ("# x\nstart;step\n1,5;Incision\n", Mark("Incision", 1_500_000_000, None)),
        ("0:10\t0:20\tIncision\tcalm\n", Mark("Incision", 10 * S, 20 * S, "calm")),
        ("0:10\tIncision\n", Mark("Incision", 10 * S, None)),
        ("0:10 Incision; start, step\n", Mark("Incision; start, step", 10 * S, None)),
        ("0:10 - 0:20 Incision | calm\n", Mark("Incision", 10 * S, 20 * S, "calm")),
    ],
)
def test_a_txt_is_a_list_or_a_table(tmp_path: Path, text: str, expected: Mark) -> None:
    path = tmp_path / "steps.TXT"
    path.write_text(text, encoding="utf-8", newline="\n")
    sheet = read_sheet(path)
    assert not sheet.problems
    assert [replace(mark, source="", line=None) for mark in sheet.marks] == [expected]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a.VTT", "WEBVTT\n\n00:01.000 --> 00:02.000\nNow the rhexis\n"),
        ("a.srt", "1\n00:00:01,000 --> 00:00:02,000\nNow the rhexis\n"),
        ("a.txt", "[0:01 - 0:02] Now the rhexis\n"),
    ],
)
def test_captions_by_suffix(tmp_path: Path, name: str, text: str) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8", newline="\n")
    captions = read_captions(path)
    assert not captions.problems
    cues = [(cue.span.start, cue.span.end, cue.text) for cue in captions.cues]
    assert cues == [(S, 2 * S, "Now the rhexis")]
