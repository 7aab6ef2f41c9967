"""The annotation JSON: lossless, strict, and exact about where a fault stands.

JSON itself is held against RFC 8259 by the standard library's parser; paths follow RFC 9535.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.formats import native_json
from vidseg.model.annotation import Edge, Frame, Mark, Sheet, Timecode
from vidseg.model.bounds import LONGEST_NS
from vidseg.model.problem import FormatError, Severity, UsageError

S = 1_000_000_000
HEAD = '{\n  "format": "vidseg annotation",\n  "version": 1,\n'


def put(folder: Path, text: str | bytes) -> Path:
    path = folder / "case.json"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def read_rows(folder: Path, *row: str) -> Sheet:
    return native_json.read(put(folder, HEAD + '  "marks": [\n' + ",\n".join(row) + "\n  ]\n}\n"))


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ('"0:04:10.250"', 250_250_000_000),
        ('"0:00:00.000000001"', 1),
        ('"2:00:00.000"', 7_200_000_000_000),
        ('"4:10"', 250 * S),
        ('"12.5"', 12_500_000_000),
        ('"open"', Edge.OPEN),
        ('{"frame": 120}', Frame(120)),
        ('{"timecode": "01:00:00;02"}', Timecode("01:00:00;02")),
    ],
)
def test_moments(tmp_path: Path, text: str, moment: object) -> None:
    sheet = read_rows(tmp_path, f'{{"label": "a", "start": {text}, "end": {text}}}')
    assert sheet.problems == ()
    assert (sheet.marks[0].start, sheet.marks[0].end) == (moment, moment)
    assert (sheet.marks[0].source, sheet.marks[0].line) == ("case.json", 5)


@pytest.mark.parametrize(
    "text",
    [
        "4.25",
        "true",
        "null",
        '"0:75"',
        '"0:75:00"',
        '"1.0000000001"',
        '"-1"',
        '"Open"',
        '""',
        '{"frame": -1}',
        '{"frame": 1.0}',
        '{"frame": true}',
        '{"frame": "1"}',
        '{"frame": 1, "timecode": "00:00:00:01"}',
        '{"timecode": "1:2:3:4"}',
        '{"ns": 5}',
        "{}",
        "[1]",
        pytest.param('"' + "9" * 5000 + '"', id="digits"),
    ],
)
def test_bad_moments(tmp_path: Path, text: str) -> None:
    good = '{"label": "paracentesis", "start": "1"}'
    sheet = read_rows(tmp_path, good, f'{{"label": "a", "start": {text}}}', good)
    assert [(p.code, p.severity, p.line) for p in sheet.problems] == [
        ("bad-row", Severity.ERROR, 6)
    ]
    assert sheet.problems[0].message.startswith("$.marks[1].start: ")
    assert [mark.line for mark in sheet.marks] == [5, 7]


def test_everything_wrong_is_reported_in_one_go(tmp_path: Path) -> None:
    text = (
        '{"format": "vidseg annotation", "version": 1,\n'
        '"anotator": "A", "case": 3,\n'
        '"starts_only": "no", "marks": [\n'
        '{"label": "a"},\n'
        '{"label": "a", "strat": "0:05",\n'
        '  "note": 4},\n'
        '{"label": " ", "start": "1",\n'
        '  "attributes": {"hand": 3}, "odd key": 1},\n'
        "7,\n"
        '{"label": "b", "start": "2", "start": "3"},\n'
        '{"label": "\\ud800", "start": "2", "attributes": {"x": "\\udfff"}},\n'
        '{"label": "c", "start": "4"}]}\n'
    )
    sheet = native_json.read(put(tmp_path, text))
    places = [(p.message.split(": ")[0], p.line) for p in sheet.problems]
    assert sorted(places) == sorted(
        [
            ("$.anotator", 2),
            ("$.case", 2),
            ("$.starts_only", 3),
            ("$.marks[0].start", 4),
            ("$.marks[1].start", 5),
            ("$.marks[1].strat", 5),
            ("$.marks[1].note", 6),
            ("$.marks[2].label", 7),
            ("$.marks[2].attributes", 8),
            ('$.marks[2]["odd key"]', 8),
            ("$.marks[3]", 9),
            ("$.marks[4].start", 10),
            ("$.marks[5].label", 11),
            ("$.marks[5].attributes", 11),
        ]
    )
    assert [p.line for p in sheet.problems] == sorted(p.line or 0 for p in sheet.problems)
    assert {p.code for p in sheet.problems} == {"bad-row"}
    assert [mark.label for mark in sheet.marks] == ["b", "c"]
    assert sheet.case is None
    hints = {p.message.split(": ")[0]: p.message for p in sheet.problems}
    assert "'annotator'" in hints["$.anotator"]
    assert "'start'" in hints["$.marks[1].strat"]


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("", None, "empty"),
        ('{\n  "format": "vidseg annotation",\n  "version": 1,\n  }', 4, "column 3"),
        ('{"format": "vidseg annotation"\n "version": 1}', 2, "column 2"),
        ("{\n'format': 1}", 2, "column 1"),
        ("NaN", None, "NaN"),
        ("[" * 100_000, None, "deep"),
        pytest.param("9" * 5000, None, "digits", id="digits"),
    ],
)
def test_other_text_stops_work(tmp_path: Path, text: str, line: int | None, words: str) -> None:
    with pytest.raises(FormatError, match=words) as caught:
        native_json.read(put(tmp_path, text))
    assert caught.value.line == line


@pytest.mark.parametrize(
    ("document", "words"),
    [
        ([], "format"),
        ({"version": 1, "marks": []}, "format"),
        ({"format": "vidseg case", "version": 1, "marks": []}, "vidseg annotation"),
        ({"format": "vidseg annotation", "version": 2, "marks": []}, "update vidseg"),
        ({"format": "vidseg annotation", "version": 0, "marks": []}, "version"),
        ({"format": "vidseg annotation", "version": True, "marks": []}, "version"),
        ({"format": "vidseg annotation", "version": "1", "marks": []}, "version"),
        ({"format": "vidseg annotation", "marks": []}, "version"),
        ({"format": "vidseg annotation", "version": 1}, "marks"),
        ({"format": "vidseg annotation", "version": 1, "marks": {}}, "marks"),
    ],
)
def test_other_documents_stop_work(tmp_path: Path, document: object, words: str) -> None:
    with pytest.raises(FormatError, match=words):
        native_json.read(put(tmp_path, json.dumps(document)))


def test_text_that_is_not_utf8_stops_work(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="UTF-8"):
        native_json.read(put(tmp_path, b'{"format": "\xe9"}'))


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match=r"none\.json"):
        native_json.read(tmp_path / "none.json")


def test_byte_order_mark_and_line_ends(tmp_path: Path) -> None:
    text = "\ufeff" + HEAD + '"marks": [\n{"label": "é", "start": "1"}]}'
    sheet = native_json.read(put(tmp_path, text.replace("\n", "\r\n")))
    assert [(mark.label, mark.line) for mark in sheet.marks] == [("é", 5)]


def test_written_file_letter_by_letter(tmp_path: Path) -> None:
    marks = (
        Mark("paracentesis", 4_250_000_000, 10 * S + 1, 'the "first"\ncut'),
        Mark("capsulorhexis", Frame(900), Timecode("00:01:02;10"), attributes=(("hand", "left"),)),
        Mark("zonular dialysis é", 70 * S, None, attributes=(("x", "1"), ("x", "2"))),
        Mark("wound_closure", Edge.OPEN, Edge.OPEN),
    )
    sheet = Sheet("case.csv", marks, procedure="phaco", annotator="A")
    assert native_json.write(sheet, tmp_path / "out.json") == ()
    assert (tmp_path / "out.json").read_text(encoding="utf-8") == (
        "{\n"
        '  "format": "vidseg annotation",\n'
        '  "version": 1,\n'
        '  "procedure": "phaco",\n'
        '  "annotator": "A",\n'
        '  "starts_only": false,\n'
        '  "marks": [\n'
        '    {"label": "paracentesis", "start": "0:00:04.250", "end": "0:00:10.000000001", '
        '"note": "the \\"first\\"\\ncut"},\n'
        '    {"label": "capsulorhexis", "start": {"frame": 900}, '
        '"end": {"timecode": "00:01:02;10"}, "attributes": {"hand": "left"}},\n'
        '    {"label": "zonular dialysis é", "start": "0:01:10.000", '
        '"attributes": [["x", "1"], ["x", "2"]]},\n'
        '    {"label": "wound_closure", "start": "open", "end": "open"}\n'
        "  ]\n"
        "}\n"
    )


@pytest.mark.parametrize(("mark", "words"), [(Mark("", 0, S), "label"), (Mark("a", -1, S), "zero")])
def test_what_the_format_refuses_is_not_written(tmp_path: Path, mark: Mark, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        native_json.write(Sheet("x", (mark,)), tmp_path / "out.json")
    assert list(tmp_path.iterdir()) == []


TEXT = st.text(st.characters(exclude_categories=("Cs",)))  # type: ignore[arg-type]
MOMENT = st.one_of(
    st.integers(0, LONGEST_NS),
    st.builds(Frame, st.integers(0, 10**9)),
    st.from_regex(r"[0-9]{2}:[0-5][0-9]:[0-5][0-9][:;][0-9]{2}", fullmatch=True).map(Timecode),
    st.just(Edge.OPEN),
)
MARK = st.builds(
    Mark,
    label=TEXT.filter(lambda text: bool(text.strip())),
    start=MOMENT,
    end=st.none() | MOMENT,
    note=TEXT,
    attributes=st.lists(st.tuples(TEXT, TEXT), max_size=3).map(tuple),
)
SHEET = st.builds(
    Sheet,
    source=st.just("out.json"),
    marks=st.lists(MARK, max_size=4).map(tuple),
    starts_only=st.booleans(),
    procedure=st.none() | TEXT,
    case=st.none() | TEXT,
    annotator=st.none() | TEXT,
)


@given(sheet=SHEET)
def test_nothing_is_lost(sheet: Sheet, tmp_path_factory: pytest.TempPathFactory) -> None:
    """All but where a row stands, which is a fact of the file that is read."""
    path = tmp_path_factory.mktemp("json") / "out.json"
    assert native_json.write(sheet, path) == ()
    again = native_json.read(path)
    first = 5 + sum(value is not None for value in (sheet.procedure, sheet.case, sheet.annotator))
    marks = tuple(
        Mark(m.label, m.start, m.end, m.note, "out.json", first + 1 + n, m.attributes)
        for n, m in enumerate(sheet.marks)
    )
    assert again == Sheet(
        "out.json", marks, (), sheet.starts_only, sheet.procedure, sheet.case, sheet.annotator
    )


PIECES = st.lists(
    st.sampled_from(
        [
            "\n",
            "{",
            "}",
            "[",
            "]",
            ",",
            ":",
            '"label"',
            '"start"',
            '"end"',
            '"1"',
            '"open"',
            "1",
            "null",
            '{"label": "a", "start": "1"},',
            '{"frame": 2}',
            "]}",
        ]
    ),
    max_size=25,
)


@given(pieces=PIECES)
def test_any_text_gives_problems_or_a_format_error(
    pieces: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = put(tmp_path_factory.mktemp("any"), HEAD + '"marks": [' + "".join(pieces))
    try:
        sheet = native_json.read(path)
    except FormatError:
        return
    lines = path.read_bytes().count(b"\n") + 1
    assert all(1 <= (problem.line or 0) <= lines for problem in sheet.problems)
    assert all(mark.label.strip() for mark in sheet.marks)
    assert all(mark.source == path.name for mark in sheet.marks)
