"""Files that are too large, too deep or no files at all are refused at once, with their size."""

import io
import os
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from vidseg.formats import read_sheet
from vidseg.formats.case_file import read_case
from vidseg.formats.own_toml import parse_toml
from vidseg.model.bounds import MOST_ROWS
from vidseg.model.problem import FormatError

TOO_MANY = MOST_ROWS + 2
WRITERS: dict[str, Callable[[int], str]] = {
    "x.csv": lambda n: "start,end,step\n" + "".join(f"{i},{i + 1},a\n" for i in range(n)),
    "x.txt": lambda n: "".join(f"{i} - {i + 1} a\n" for i in range(n)),
    "x.vtt": lambda n: "WEBVTT\n\n" + "00:01.000 --> 00:02.000\na\n\n" * n,
    "x.srt": lambda n: "1\n00:00:01,000 --> 00:00:02,000\na\n\n" * n,
    "x.xml": lambda n: f"<Chapters><EditionEntry>{'<ChapterAtom/>' * n}</EditionEntry></Chapters>",
    "x.json": lambda n: '{"format":"vidseg annotation","version":1,"marks":[' + "1," * n + "1]}",
}


@pytest.mark.parametrize("name", WRITERS)
def test_too_many_rows(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_text(WRITERS[name](TOO_MANY))
    with pytest.raises(FormatError, match=r"more than 100,000 rows \([0-9.,]+ (MB|cues|rows)\)"):
        read_sheet(path)


def _workbook(tmp_path: Path, change: Callable[[bytes], bytes]) -> Path:
    book = openpyxl.Workbook()
    for row in (["start", "end", "step"], [1, 2, "viscoelastic"]):
        book.active.append(row)
    whole = io.BytesIO()
    book.save(whole)
    path = tmp_path / "x.xlsx"
    with zipfile.ZipFile(whole) as source, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for item in source.infolist():
            data = source.read(item)
            out.writestr(item.filename, change(data) if "sheet1" in item.filename else data)
    return path


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (b'r="2"', b'r="10000000000"', "row 10,000,000,000, and a sheet has 1,048,576"),
        (b'r="C2"', b'r="XFD2"', "column XFD, far to the right"),
    ],
    ids=["row", "column"],
)
def test_workbooks(old: bytes, new: bytes, words: str, tmp_path: Path) -> None:
    with pytest.raises(FormatError, match=words):
        read_sheet(_workbook(tmp_path, lambda data: data.replace(old, new)))


@pytest.mark.parametrize(
    ("filler", "times", "words"),
    [
        (b" ", 140_000_000, "unpacks to 140 MB"),
        (b"<row><c><v>1</v></c></row>", TOO_MANY, "100,000 rows"),
    ],
    ids=["bomb", "rows"],
)
def test_workbooks_that_unpack_to_much(
    filler: bytes, times: int, words: str, tmp_path: Path
) -> None:
    end = b"</sheetData>"
    with pytest.raises(FormatError, match=words):
        read_sheet(_workbook(tmp_path, lambda data: data.replace(end, filler * times + end)))


def test_cells_that_are_formatted_and_empty_do_not_count(tmp_path: Path) -> None:
    """As spreadsheet programs write them where a whole row or column was given a form."""
    far = b'<c r="XFD2" s="0"/></row><row r="1048576"><c r="A1048576" s="0"/></row></sheetData>'
    sheet = read_sheet(_workbook(tmp_path, lambda data: data.replace(b"</row></sheetData>", far)))
    assert [mark.label for mark in sheet.marks] == ["viscoelastic"]
    assert not sheet.problems


def test_chapters_in_chapters(tmp_path: Path) -> None:
    path = tmp_path / "x.xml"
    path.write_text("<Chapters><EditionEntry>" + "<ChapterAtom>" * 20_000)
    with pytest.raises(FormatError, match="more than 100 deep"):
        read_sheet(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no named pipes here")
def test_what_is_no_file(tmp_path: Path) -> None:
    for name, read in (("x.csv", read_sheet), ("x.toml", read_case)):
        os.mkfifo(tmp_path / name)
        with pytest.raises(FormatError, match="a pipe or a device"):
            read(tmp_path / name)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("x = " + "[" * 5_000, None, "100 deep"),
        ("\n" + ".".join("a" * 200) + " = 1", 2, "100 deep"),
        ("\nx = " + "9" * 5_000, 2, "too many digits"),
        ("\n[covariates]\nx = 0x" + "f" * 5_000, 3, "no number in this file is above"),
    ],
)
def test_toml(text: str, line: int | None, words: str) -> None:
    with pytest.raises(FormatError, match=words) as caught:
        parse_toml(text, "x.toml")
    assert line is None or caught.value.line == line
