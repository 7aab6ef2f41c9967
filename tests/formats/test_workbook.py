import datetime
import io
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from vidseg.formats import workbook, workbook_size
from vidseg.model.annotation import Edge, Frame, Mark, Sheet, Timecode
from vidseg.model.problem import FormatError, Severity, UsageError

S = 1_000_000_000
ROOT = Path(__file__).resolve().parents[2]
HEADER = ["start", "end", "step", "note"]

Maker = Callable[..., Path]


@pytest.fixture
def make(tmp_path: Path) -> Maker:
    """Write a workbook with openpyxl; a cell may be ``(value, number format)``."""

    def of(*rows: list[Any], title: str = "Tabelle1", **others: list[list[Any]]) -> Path:
        book = openpyxl.Workbook()
        book.remove(book.worksheets[0])
        for name, lines in {title: list(rows), **others}.items():
            page = book.create_sheet(name)
            for line, cells in enumerate(lines, 1):
                for place, value in enumerate(cells, 1):
                    cell = page.cell(line, place)
                    cell.value = value[0] if isinstance(value, tuple) else value
                    if isinstance(value, tuple):
                        cell.number_format = value[1]
        path = tmp_path / "steps.xlsx"
        book.save(path)
        return path

    return of


def repack(path: Path, part: str, change: Callable[[str], str]) -> None:
    """Rewrite one part of a workbook, as another program might have written it."""
    with zipfile.ZipFile(path) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    before = parts[part].decode()
    parts[part] = change(before).encode()
    assert parts[part].decode() != before
    with zipfile.ZipFile(path, "w") as packed:
        for name, data in parts.items():
            packed.writestr(name, data)


def bare(marks: tuple[Mark, ...]) -> list[Mark]:
    return [replace(mark, source="", line=None) for mark in marks]


def told(sheet: Sheet) -> list[tuple[str, int | None]]:
    return [(problem.code, problem.line) for problem in sheet.problems]


def test_texts_and_numbers(make: Maker) -> None:
    path = make(
        ["An operation, annotated by hand"],
        [],
        ["Step", "START", "End", "Comment", "hand"],
        ["capsulorhexis", "4:10", 330.5, "calm", "left"],
        [5, 340, "open", None, 2.5],
        [],
        ["# a comment"],
        ["small_pupil", "f1234", None, " ", True],
    )
    sheet = workbook.read(path)
    assert not sheet.problems
    assert sheet.marks == (
        Mark(
            "capsulorhexis",
            *(250 * S, 330_500_000_000),
            *("calm", "steps.xlsx", 4, (("hand", "left"),)),  # type: ignore[arg-type]
        ),
        Mark("5", 340 * S, Edge.OPEN, "", "steps.xlsx", 5, (("hand", "2.5"),)),
        Mark("small_pupil", Frame(1234), None, "", "steps.xlsx", 8, (("hand", "TRUE"),)),
    )


@pytest.mark.parametrize(
    ("value", "form", "ns"),
    [
        (datetime.time(0, 4, 10), "h:mm:ss", 250 * S),
        (datetime.time(4, 10, 0), "h:mm:ss", 15_000 * S),
        (datetime.timedelta(minutes=4, seconds=10.5), "[h]:mm:ss.0", 250_500_000_000),
        (datetime.time(0, 4, 10, 250_000), "mm:ss.000", 250_250_000_000),
        (datetime.timedelta(hours=1, minutes=15, seconds=30), "[mm]:ss", 4530 * S),
        (datetime.timedelta(hours=25, seconds=1), "[h]:mm:ss", 90_001 * S),
        (datetime.time(0, 4, 10), "[$-F400]h:mm:ss AM/PM", 250 * S),
        (250.000123456 / 86_400, "mm:ss.000", 250_000_123_456),
        (12.1, "0.000", 12_100_000_000),
        (0.1 + 0.2, "General", 300_000_000),
        (250, '0" s"', 250 * S),
    ],
)
def test_times_of_a_spreadsheet_are_exact(make: Maker, value: Any, form: str, ns: int) -> None:
    sheet = workbook.read(make(HEADER, [(value, form), None, "capsulorhexis"]))
    assert not sheet.problems
    assert sheet.marks[0].start == ns


@settings(max_examples=25)
@given(st.lists(st.integers(0, 86_399_999), min_size=1, max_size=20))
def test_times_of_day_written_by_openpyxl(milliseconds: list[int]) -> None:
    book = openpyxl.Workbook()
    page: Any = book.worksheets[0]
    page.append(["start", "step"])
    for line, ms in enumerate(milliseconds, 2):
        page.append([datetime.timedelta(milliseconds=ms), "x"])
        page.cell(line, 1).number_format = "[h]:mm:ss.000"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.xlsx"
        book.save(path)
        sheet = workbook.read(path)
    assert [mark.start for mark in sheet.marks] == [ms * 1_000_000 for ms in milliseconds]


@pytest.mark.parametrize(
    ("value", "form", "meant"),
    [
        (datetime.time(4, 10), "h:mm", "0:04:10 or 4:10:00"),
        (datetime.time(4, 10), "[$-409]h:mm AM/PM;@", "0:04:10 or 4:10:00"),
        (datetime.timedelta(hours=4, minutes=10), "[h]:mm", "0:04:10 or 4:10:00"),
        (datetime.time(4, 10), "mm:ss", "0:04:10 or 4:10:00"),
        (datetime.timedelta(hours=75, minutes=30), "[h]:mm:ss", "1:15:30 or 75:30:00"),
    ],
)
def test_minutes_taken_for_hours_are_told(make: Maker, value: Any, form: str, meant: str) -> None:
    sheet = workbook.read(make(HEADER, [10, (value, form), "capsulorhexis"], [20, 30, "end"]))
    assert told(sheet) == [("ambiguous-time", 2)]
    assert sheet.problems[0].severity is Severity.ERROR
    assert meant in sheet.problems[0].message
    assert [mark.line for mark in sheet.marks] == [3]


def test_every_bad_cell_is_told(make: Maker) -> None:
    sheet = workbook.read(
        make(
            HEADER,
            [datetime.datetime(2024, 1, 5, 9, 30), -1, "capsulorhexis"],
            [True, "#REF!", "capsulorhexis"],
            [None, 5, "capsulorhexis"],
            [1, 5, None],
            [(1.25, "h:mm:ss"), (-0.5, "h:mm:ss"), "x"],
            [1, 5, "x", "", "scribble"],
            ["=A3+1", 9, "x"],
            [6, 9, "x"],
        )
    )
    assert told(sheet) == [
        *[("bad-time", 2), ("bad-time", 2), ("bad-time", 3), ("bad-time", 3), ("no-start", 4)],
        *[("no-label", 5), ("bad-time", 6), ("bad-time", 6), ("bad-row", 7), ("bad-row", 8)],
    ]
    assert "2024-01-05 09:30:00" in sheet.problems[0].message
    assert "without a stored value" in sheet.problems[-1].message
    assert [mark.line for mark in sheet.marks] == [9]


def test_formulas_count_with_their_stored_value(make: Maker) -> None:
    path = make(HEADER, [10, "=A2+5", "capsulorhexis"])
    repack(
        path,
        "xl/worksheets/sheet1.xml",
        lambda xml: (
            xml.replace("<v></v>", "<v>15</v>")
            .replace("<v />", "<v>15</v>")
            .replace("<v/>", "<v>15</v>")
        ),
    )
    sheet = workbook.read(path)
    assert not sheet.problems
    assert sheet.marks[0].end == 15 * S


def test_rows_left_out_of_the_file_keep_the_numbering(make: Maker) -> None:
    """ECMA-376 lets a file leave out empty rows, and claim any dimension."""
    path = make(HEADER, [], [], [], [10, 20, "capsulorhexis"])
    repack(
        path,
        "xl/worksheets/sheet1.xml",
        lambda xml: xml.replace('ref="A1:D5"', 'ref="A1:B2"'),
    )
    assert [(mark.line, mark.label) for mark in workbook.read(path).marks] == [(5, "capsulorhexis")]


def test_a_sheet_of_that_name_comes_first(make: Maker) -> None:
    path = make(
        ["time", "event"],
        [1, "drug given"],
        title="Anaesthesia",
        Notes=[["free text"]],
        Steps=[["start", "step"], [2, "capsulorhexis"]],
    )
    assert [mark.label for mark in workbook.read(path).marks] == ["capsulorhexis"]


def test_the_first_sheet_with_a_header(make: Maker) -> None:
    path = make(["free text"], title="Notes", Rest=[["start", "step"], [2, "capsulorhexis"]])
    sheet = workbook.read(path)
    assert sheet.starts_only
    assert [mark.label for mark in sheet.marks] == ["capsulorhexis"]


def test_several_sheets_with_steps_are_told(make: Maker) -> None:
    lines = [["start", "step"], [2, "capsulorhexis"]]
    sheet = workbook.read(make(*lines, title="A-01", **{"A-02": lines}))
    assert told(sheet) == [("several-cases", None)]
    assert "'A-01', 'A-02'" in sheet.problems[0].message
    assert sheet.marks == ()


def test_several_cases_in_one_sheet(make: Maker) -> None:
    path = make(["VideoID", "FrameNo", "Phase"], [269, 68, 1], [270, 5, 1])
    assert told(workbook.read(path)) == [("several-cases", None)]
    one = workbook.read(make(["VideoID", "FrameNo", "Phase"], [269, 68, 1], [269, 1043, 2]))
    assert one.case == "269"
    assert bare(one.marks) == [Mark("1", Frame(68), None), Mark("2", Frame(1043), None)]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([["a", "b"], [1, 2]], r"no sheet \('Tabelle1'\) has a header row"),
        ([["start", "end"], [1, 2]], "no column for the step"),
        ([["start", "begin", "step"]], "both stand for the start"),
        ([], "has a header row"),
    ],
)
def test_unclear_columns_are_refused(make: Maker, rows: list[list[Any]], words: str) -> None:
    with pytest.raises(FormatError, match=words):
        workbook.read(make(*rows))


def test_damaged_workbooks_are_refused(make: Maker, tmp_path: Path) -> None:
    data = make(HEADER, [10, 20, "capsulorhexis"]).read_bytes()
    path = tmp_path / "bad.xlsx"
    with pytest.raises(FormatError, match="no such file"):
        workbook.read(path)
    empty_zip = io.BytesIO()
    with zipfile.ZipFile(empty_zip, "w") as packed:
        packed.writestr("a.txt", "x")
    for content, words in (
        (b"", "is empty"),
        (b"start,step\n1,x\n", "not a workbook"),
        (data[: len(data) // 2], "not a workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "password"),
        (empty_zip.getvalue(), "a damaged workbook"),
    ):
        path.write_bytes(content)
        with pytest.raises(FormatError, match=words):
            workbook.read(path)
    path.write_bytes(data)
    repack(path, "xl/worksheets/sheet1.xml", lambda xml: xml[: len(xml) // 2])
    with pytest.raises(FormatError, match="a damaged workbook"):
        workbook.read(path)


def test_a_workbook_that_unpacks_to_too_much(make: Maker, monkeypatch: pytest.MonkeyPatch) -> None:
    path = make(HEADER, [10, 20, "capsulorhexis"])
    monkeypatch.setattr(workbook_size, "LARGEST_UNPACKED", 100)
    with pytest.raises(FormatError, match="too large"):
        workbook.read(path)


def test_written_workbook_holds_no_formula(tmp_path: Path) -> None:
    """Read back with openpyxl, formulas not evaluated."""
    path = tmp_path / "out.xlsx"
    texts = ["=1+1", "+1", "-1", "@x", "#N/A", "5", "TRUE", '=HYPERLINK("x")']
    marks = tuple(
        Mark(text, 12_500_000_000, Edge.OPEN, text, attributes=(("=col", text),)) for text in texts
    )
    assert workbook.write(Sheet("x", marks, case="=A-01"), path) == ()
    book: Any = openpyxl.load_workbook(path)
    page = book.worksheets[0]
    assert page.title == "steps"
    rows = list(page.iter_rows())
    assert [cell.value for cell in rows[0]] == ["start", "end", "step", "note", "case", "=col"]
    for text, row in zip(texts, rows[1:], strict=True):
        assert [cell.value for cell in row] == [12.5, "open", text, text, "=A-01", text]
        assert [cell.data_type for cell in row] == ["n", *"sssss"]
        assert row[2].quotePrefix == (text[0] in "=+-@")
    assert list(tmp_path.iterdir()) == [path]


def test_what_a_workbook_cannot_hold_is_said(tmp_path: Path) -> None:
    path = tmp_path / "out.xlsx"
    marks = (Mark("x", 0, None, "n" * 40_000), Mark("y\a", 0, None))
    sentences = workbook.write(Sheet("x", marks, procedure="phaco"), path)
    assert len(sentences) == 3
    assert "carriage returns" in sentences[0]
    assert "procedure" in sentences[1]
    assert "cut" in sentences[2]
    assert [len(mark.note) for mark in workbook.read(path).marks] == [workbook.LONGEST_TEXT, 0]
    with pytest.raises(UsageError, match="has no label"):
        workbook.write(Sheet("x", (Mark("", 0, None),)), path)


TEXTS = st.text(
    st.one_of(
        st.sampled_from("=+-@'\"\t\n,;|# a5:.<&_x0"),
        st.characters(exclude_categories=("Cs", "Cc"), exclude_characters="\ufffe\uffff"),
    ),
    max_size=12,
).map(str.strip)
LABELS = TEXTS.filter(bool)
MOMENTS = st.one_of(
    st.integers(0, 10**15),
    st.builds(Frame, st.integers(0, 10**6)),
    st.sampled_from([Timecode("01:00:00:00"), Timecode("0:59:59;29"), Edge.OPEN]),
)
SHEETS = st.builds(
    lambda marks, starts_only: Sheet(
        "x",
        tuple(replace(mark, end=None) if starts_only else mark for mark in marks),
        starts_only=starts_only,
    ),
    st.lists(
        st.builds(
            Mark,
            LABELS,
            MOMENTS,
            st.one_of(st.none(), MOMENTS),
            TEXTS,
            attributes=st.one_of(st.just(()), LABELS.map(lambda value: (("=hand", value),))),
        ),
        max_size=4,
    ),
    st.booleans(),
)


@settings(max_examples=60)
@given(SHEETS)
@example(Sheet("x", (Mark("_x0041_", 1, 10**15 + 1, "_x000D_"),)))
def test_what_is_written_reads_back_the_same(sheet: Sheet) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.xlsx"
        assert workbook.write(sheet, path) == ()
        back = workbook.read(path)
    assert not back.problems
    assert bare(back.marks) == list(sheet.marks)
    assert back.starts_only == sheet.starts_only


def test_broken_example() -> None:
    sheet = workbook.read(ROOT / "annotations" / "broken" / "ambiguous-time.xlsx")
    assert told(sheet) == [("ambiguous-time", 5)]
