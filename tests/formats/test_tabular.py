import csv
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from vidseg.formats import tabular, text_file
from vidseg.formats.table_columns import count_roles
from vidseg.model.annotation import Edge, Frame, Mark, Sheet, Timecode
from vidseg.model.problem import FormatError, Severity, UsageError

S = 1_000_000_000
ROOT = Path(__file__).resolve().parents[2]
CATARACT_101 = ROOT.parent / "shared" / "data" / "cataract101" / "annotations.csv"

Reader = Callable[..., Sheet]


@pytest.fixture
def read(tmp_path: Path) -> Reader:
    def of(text: str | bytes, name: str = "steps.csv") -> Sheet:
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return tabular.read(path)

    return of


@pytest.fixture
def cataract_101() -> Path:
    if not CATARACT_101.exists():
        pytest.skip("the Cataract-101 annotations are not at hand")
    return CATARACT_101


def told(sheet: Sheet) -> list[tuple[str, int | None]]:
    assert all(problem.source == sheet.source for problem in sheet.problems)
    return [(problem.code, problem.line) for problem in sheet.problems]


def bare(marks: tuple[Mark, ...]) -> list[Mark]:
    return [replace(mark, source="", line=None) for mark in marks]


def test_plain_table(read: Reader) -> None:
    sheet = read(
        "start,end,step,note\n0:10,0:30.5,main_incision,\n40,1:40,capsulorhexis,second try\n"
    )
    assert sheet.marks == (
        Mark("main_incision", 10 * S, 30 * S + S // 2, "", "steps.csv", 2),
        Mark("capsulorhexis", 40 * S, 100 * S, "second try", "steps.csv", 3),
    )
    assert not sheet.problems
    assert not sheet.starts_only
    assert sheet.source == "steps.csv"


@pytest.mark.parametrize(
    "header",
    [
        "start,end,step,note",
        "BEGIN,Stop,Label,Comment",
        "from,to,phase,remark",
        "Onset,Offset,Code,NOTE",
        "Start_Time,End Time,event,comments",
        "start_s,end (s),step,note",
    ],
)
def test_header_words_in_any_case_and_order(read: Reader, header: str) -> None:
    cells = ("10", "20", "capsulorhexis", "calm")
    expected = [Mark("capsulorhexis", 10 * S, 20 * S, "calm")]
    assert bare(read(f"{header}\n{','.join(cells)}\n").marks) == expected
    backward = ",".join(reversed(header.split(",")))
    assert bare(read(f"{backward}\n{','.join(reversed(cells))}\n").marks) == expected


def test_starts_only(read: Reader) -> None:
    sheet = read("step,start\nmain_incision,0:10\nend,0:40\n")
    assert sheet.starts_only
    assert bare(sheet.marks) == [Mark("main_incision", 10 * S, None), Mark("end", 40 * S, None)]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_dialects_written_by_the_standard_library(
    tmp_path: Path, delimiter: str, ending: str, encoding: str
) -> None:
    """Python's csv module, an independent writer, in each dialect."""
    path = tmp_path / "steps.csv"
    note = f'a "quoted" word{delimiter} größer 5 mm'
    with path.open("w", encoding=encoding, newline="") as target:
        writer = csv.writer(target, delimiter=delimiter, lineterminator=ending)
        writer.writerow(["start", "end", "step", "note"])
        writer.writerow(["12,5", "20,25", "capsulorhexis", note])
    sheet = tabular.read(path)
    assert bare(sheet.marks) == [Mark("capsulorhexis", 12_500_000_000, 20_250_000_000, note)]
    assert not sheet.problems


def test_decimal_comma(read: Reader) -> None:
    expected = [Mark("capsulorhexis", 12_500_000_000, 20 * S)]
    assert bare(read("start;end;step\n12,5;20,0;capsulorhexis\n").marks) == expected
    assert bare(read('start,end,step\n"12,5","20,0",capsulorhexis\n').marks) == expected
    sheet = read("start,end,step\n12,5,20,capsulorhexis\n")
    assert told(sheet) == [("bad-row", 2)]
    assert "must stand in quotes" in sheet.problems[0].message


def test_line_numbers_past_comments_blanks_and_quoted_breaks(read: Reader) -> None:
    sheet = read(
        '# made by hand, "never closed\n'
        "start,end,step,note\n"
        "\n"
        '10,20,main_incision,"first\r\n'
        "# not a comment\n"
        'last"\n'
        "  # a comment\n"
        ",,,\r\n"
        "30,40,capsulorhexis,\n"
        "x,50,hydrodissection,\n"
    )
    assert [(mark.line, mark.note) for mark in sheet.marks] == [
        (4, "first\n# not a comment\nlast"),
        (9, ""),
    ]
    assert told(sheet) == [("bad-time", 10)]


def test_extra_columns_become_attributes_in_file_order(read: Reader) -> None:
    sheet = read("zone,start,step,hand,\nnasal,10,main_incision,left,\n,20,capsulorhexis,right,x\n")
    assert sheet.marks[0].attributes == (("zone", "nasal"), ("hand", "left"))
    assert sheet.marks[1].attributes == (("hand", "right"), ("column 5", "x"))


def test_every_form_of_time(read: Reader) -> None:
    sheet = read(
        "start,end,step\n"
        "0:00:10.5,00:04:10:12,main_incision\n"
        "00:04:10;12,f1234,capsulorhexis\n"
        "frame 1300,Open,wound_closure\n"
        "open,0:05,draping\n"
        "0:50,,small_pupil\n"
    )
    assert not sheet.problems
    assert [(mark.start, mark.end) for mark in sheet.marks] == [
        (10_500_000_000, Timecode("00:04:10:12")),
        (Timecode("00:04:10;12"), Frame(1234)),
        (Frame(1300), Edge.OPEN),
        (Edge.OPEN, 5 * S),
        (50 * S, None),
    ]


def test_every_bad_row_is_told_at_once(read: Reader) -> None:
    sheet = read(
        "start,end,step,note\n"
        "2:7x,open,capsulorhexis,\n"
        ",20,capsulorhexis,\n"
        "10,20,,\n"
        "10,20\n"
        "10,20,capsulorhexis,note,more\n"
        "-5,0:75,,\n"
        "10,20,hydrodissection\n"
        '10,20,"half"quoted,\n'
        "30,40,iol_insertion,\n"
        '50,60,wound_closure,"never closed\n'
        "70,80,end,\n"
    )
    assert told(sheet) == [
        *(("bad-time", 2), ("no-start", 3), ("no-label", 4), ("bad-row", 5), ("bad-row", 6)),
        *(("no-label", 7), ("bad-time", 7), ("bad-time", 7), ("bad-row", 9), ("bad-row", 11)),
    ]
    assert all(problem.severity is Severity.ERROR for problem in sheet.problems)
    assert [mark.line for mark in sheet.marks] == [8, 10]
    assert "'2:7x'" in sheet.problems[0].message
    assert "expected seconds (12.5), m:ss (4:10)" in sheet.problems[0].message


def test_labels_that_are_numbers_stay_text(read: Reader) -> None:
    assert [m.label for m in read("start,step\n0,05\n68,5\n").marks] == ["05", "5"]


def test_length_column(read: Reader) -> None:
    sheet = read("start,duration,step\n10,0:20,main_incision\n40,,small_pupil\n")
    assert not sheet.starts_only
    assert [(mark.start, mark.end) for mark in sheet.marks] == [(10 * S, 30 * S), (40 * S, None)]
    assert not any(mark.attributes for mark in sheet.marks)


def test_length_beside_an_end(read: Reader) -> None:
    sheet = read(
        "start,end,length_s,step\n"
        "10,30.0006,20,main_incision\n"
        "40,50.0011,10,capsulorhexis\n"
        "60,,5,hydrodissection\n"
        "70,80,open,fragment_removal\n"
        "f70,f80,0.4,cortex_removal\n"
        "f90,,0.4,iol_insertion\n"
    )
    assert told(sheet) == [("length-disagrees", 3), ("bad-time", 5), ("bad-time", 7)]
    assert [(mark.line, mark.end) for mark in sheet.marks] == [
        (2, 30_000_600_000),
        (4, 65 * S),
        (6, Frame(80)),
    ]
    assert sheet.marks[2].attributes == (("length_s", "0.4"),)


def test_frame_lists(read: Reader) -> None:
    sheet = read(
        "start_frame\tend_frame\tphase\n68\t1043\tIncision\n1043\tf1228\tVisco\n12.5\t9\tx\n"
    )
    assert bare(sheet.marks) == [
        Mark("Incision", Frame(68), Frame(1043)),
        Mark("Visco", Frame(1043), Frame(1228)),
    ]
    assert told(sheet) == [("bad-time", 4)]
    starts = read("Frame\tPhase\n68\tIncision\n")
    assert starts.starts_only
    assert bare(starts.marks) == [Mark("Incision", Frame(68), None)]


def test_time_counts_before_frame_which_is_kept(read: Reader) -> None:
    sheet = read("step,start_s,end_s,start_frame,end_frame\ncapsulorhexis,10,20,250,500\n")
    assert bare(sheet.marks) == [
        Mark(
            "capsulorhexis",
            10 * S,
            20 * S,
            attributes=(("start_frame", "250"), ("end_frame", "500")),
        )
    ]


def test_one_case_in_a_case_column(read: Reader) -> None:
    sheet = read("case,start,step\nA-01,10,main_incision\n,20,end\n")
    assert sheet.case == "A-01"
    assert len(sheet.marks) == 2
    assert not sheet.problems


def test_several_cases_are_refused_by_name(read: Reader) -> None:
    sheet = read("video;start;step\nA;10;main_incision\nB;12;main_incision\nB;x;end\n")
    assert told(sheet) == [("several-cases", None), ("bad-time", 4)]
    assert "'A', 'B'" in sheet.problems[0].message
    assert sheet.marks == ()
    assert sheet.case is None


def test_many_cases(tmp_path: Path) -> None:
    path = tmp_path / "many.csv"
    path.write_text(
        "op,FrameNo,Phase,video\nA,5,1,x\nB,7,2,y\nA,9,3,x\nB,z,4,y\n,11,5,y\nA\n", encoding="utf-8"
    )
    sheets = tabular.read_many(path, case_column="OP")
    assert list(sheets) == ["A", "B", ""]
    assert bare(sheets["A"].marks) == [
        Mark("1", Frame(5), None, attributes=(("video", "x"),)),
        Mark("3", Frame(9), None, attributes=(("video", "x"),)),
    ]
    assert sheets["A"].case == "A"
    assert sheets["A"].starts_only
    assert told(sheets["B"]) == [("bad-time", 5)]
    assert sorted(told(sheets[""])) == [("bad-row", 6), ("bad-row", 7)]
    assert sheets[""].marks == ()
    with pytest.raises(FormatError, match="no column 'VideoID'"):
        tabular.read_many(path)


def test_cataract_101(cataract_101: Path) -> None:
    """Schoeffmann et al., MMSys 2018, doi 10.1145/3204949.3208137: 101 cases, 1266 rows."""
    sheets = tabular.read_many(cataract_101)
    assert len(sheets) == 101
    assert sum(len(sheet.marks) for sheet in sheets.values()) == 1266
    assert not any(sheet.problems for sheet in sheets.values())
    starts = [68, 1043, 1228, 2118, 3478, 6864, 7727, 8473, 8683, 9482, 14138, 14623]
    assert [mark.start for mark in sheets["269"].marks] == [Frame(n) for n in starts]
    labels = ["1", "2", "3", "4", "5", "6", "7", "2", "8", "9", "10", "10"]
    assert [mark.label for mark in sheets["269"].marks] == labels
    assert sheets["269"].starts_only
    assert [problem.code for problem in tabular.read(cataract_101).problems] == ["several-cases"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("10,20,main_incision\n", Mark("main_incision", 10 * S, 20 * S)),
        ("10,,small_pupil\n", Mark("small_pupil", 10 * S, None)),
        ("10;20;main incision;calm, slow\n", Mark("main incision", 10 * S, 20 * S, "calm, slow")),
        ("0:10,5;main incision\n", Mark("main incision", 10 * S + S // 2, None)),
        ("0:00:10;12,main incision\n", Mark("main incision", Timecode("0:00:10;12"), None)),
        ("0:10\tincision; main, sharp\n", Mark("incision; main, sharp", 10 * S, None)),
        ("0:10,incision; main\n", Mark("incision; main", 10 * S, None)),
        ("# made by hand\n\nf12,f40,main_incision\n", Mark("main_incision", Frame(12), Frame(40))),
    ],
)
def test_without_header(read: Reader, text: str, expected: Mark) -> None:
    sheet = read(text)
    assert bare(sheet.marks) == [expected]
    assert sheet.starts_only == (expected.end is None and ",," not in text)


@pytest.mark.parametrize(
    "text",
    [
        *("main_incision,10,20\n", "10,main_incision,note\n", "10\n20\n", "0,5\n68,7\n"),
        *("10,20,30\n", "a,b,c\n1,2,3\n", "start,end\n1,2\n", "step,note\nx,y\n"),
    ],
)
def test_unclear_columns_are_refused(read: Reader, text: str) -> None:
    with pytest.raises(FormatError, match="a column for the start") as caught:
        read(text)
    assert caught.value.line == 1
    assert caught.value.source == "steps.csv"


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("start,step,hand,hand", "two columns are named 'hand'"),
        ("start,begin,step", "'start' and 'begin' both stand for the start"),
        ("start,step,phase", "'step' and 'phase' both stand for the step"),
    ],
)
def test_duplicate_columns_are_refused(read: Reader, header: str, words: str) -> None:
    with pytest.raises(FormatError, match=words):
        read(f"{header}\n1,2,3,4\n")


def test_first_line_that_names_the_separator(read: Reader) -> None:
    sheet = read("sep=;\r\nstart;step\r\n10;main_incision\r\n")
    assert sheet.marks == (Mark("main_incision", 10 * S, None, "", "steps.csv", 3),)


def test_a_broken_row_above_the_header_is_told(read: Reader) -> None:
    assert told(read('"a"b,c\nstart,step\n10,main_incision\n')) == [("bad-row", 1)]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"\xef\xbb\xbf\r\n \r\n", "is empty"),
        (b"# nothing\n", "holds no rows"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "not a text file"),
        ("start,step\n1,é\n".encode("utf-16-le"), "not a text file"),
        ("start,step\n1,x\0\n".encode("utf-16"), "not a text file"),
    ],
)
def test_files_that_are_no_table(read: Reader, content: bytes, words: str) -> None:
    with pytest.raises(FormatError, match=words):
        read(content)


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_an_eight_bit_encoding_is_not_guessed(read: Reader, mark: bytes) -> None:
    content = mark + "start,step\n10,Größe\n".encode("latin-1")
    place = content.index(b"\xf6") + 1
    with pytest.raises(FormatError, match=rf"byte {place} .* as UTF-8") as caught:
        read(content)
    assert caught.value.line == 2


def test_files_that_cannot_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(FormatError, match="no such file"):
        tabular.read(tmp_path / "absent.csv")
    with pytest.raises(FormatError, match="is a folder"):
        tabular.read(tmp_path)
    path = tmp_path / "steps.csv"
    path.write_text("start,step\n10,main_incision\n", encoding="utf-8")
    monkeypatch.setattr(text_file, "LARGEST_BYTES", 10)
    with pytest.raises(FormatError, match="too large"):
        tabular.read(path)


def test_written_table(tmp_path: Path) -> None:
    """Read back with Python's csv module: what any other program sees."""
    sheet = Sheet(
        "x",
        (
            Mark("main incision", 10 * S + 1, Frame(40), "=1+1", attributes=(("hand", "left"),)),
            Mark("-", Timecode("00:00:10;02"), Edge.OPEN, "a,b", attributes=(("zone", "@x"),)),
            Mark("small_pupil", 60 * S, None),
        ),
        case="A-01",
        annotator="R1",
    )
    path = tmp_path / "out.csv"
    assert tabular.write(sheet, path) == ("Not held: the name of the annotator.",)
    with path.open(encoding="utf-8", newline="") as source:
        assert list(csv.reader(source)) == [
            ["start", "end", "step", "note", "case", "hand", "zone"],
            ["10.000000001", "f40", "main incision", "'=1+1", "A-01", "left", ""],
            ["00:00:10;02", "open", "'-", "a,b", "A-01", "", "'@x"],
            ["60.000", "", "small_pupil", "", "A-01", "", ""],
        ]
    assert list(tmp_path.iterdir()) == [path]


def test_tsv_has_tabs(tmp_path: Path) -> None:
    path = tmp_path / "out.TSV"
    sheet = Sheet("x", (Mark("a, b", S, None, "n"),), starts_only=True)
    assert tabular.write(sheet, path) == ()
    assert path.read_bytes() == b"start\tstep\tnote\n1.000\ta, b\tn\n"


@pytest.mark.parametrize(
    ("mark", "words"),
    [
        (Mark(" ", 1, 2), "has no label"),
        (Mark("x", -1, 2), "cannot be written: -0"),
        (Mark("x", 1, Frame(-2)), "cannot be written: f-2"),
        (Mark("x", Timecode("later"), None), "cannot be written: later"),
    ],
)
def test_rows_that_no_table_can_hold(tmp_path: Path, mark: Mark, words: str) -> None:
    path = tmp_path / "out.csv"
    with pytest.raises(UsageError, match=words):
        tabular.write(Sheet("x", (mark,)), path)
    assert not path.exists()


def test_what_a_table_changes_is_said(tmp_path: Path) -> None:
    marks = (
        Mark(" x", 1, None, "\0", attributes=(("note", "1"), ("hand", "2"), ("hand", "3"))),
        Mark("y", 1, 5, "\ud800\r1\r\n2"),
    )
    path = tmp_path / "out.csv"
    sentences = tabular.write(Sheet("x", marks, procedure="phaco", starts_only=True), path)
    assert sentences == (
        "The extra column 'note' is written as 'extra note'.",
        "1 row has an extra column twice: the first is kept.",
        "2 rows with spaces around a text, carriage returns, or characters that no text file "
        "holds: written without the spaces, with plain line breaks, and with \ufffd.",
        "Not held: the name of the procedure.",
        "Not held: 1 end in a list of starts only.",
    )
    assert bare(tabular.read(path).marks) == [
        Mark("x", 1, None, "\ufffd", attributes=(("extra note", "1"), ("hand", "2"))),
        Mark("y", 1, None, "\ufffd\n1\n2"),
    ]


TEXTS = st.text(
    st.one_of(
        st.sampled_from("=+-@'\"\t\n,;|# a5:."),
        st.characters(exclude_categories=("Cs", "Cc"), exclude_characters="\ufffe\uffff"),
    ),
    max_size=12,
).map(str.strip)
LABELS = TEXTS.filter(bool)
MOMENTS = st.one_of(
    st.integers(0, 10**14),
    st.builds(Frame, st.integers(0, 10**6)),
    st.sampled_from([Timecode("01:00:00:00"), Timecode("0:59:59;29"), Edge.OPEN]),
)
NAMES = LABELS.filter(lambda name: count_roles([name]) == 0)
SHEETS = st.builds(
    lambda marks, starts_only, case: Sheet(
        "x",
        tuple(replace(mark, end=None) if starts_only else mark for mark in marks),
        starts_only=starts_only,
        case=case if marks else None,
    ),
    st.lists(
        st.builds(
            Mark,
            LABELS,
            MOMENTS,
            st.one_of(st.none(), MOMENTS),
            TEXTS,
            attributes=st.lists(
                st.tuples(st.sampled_from(["hand", "=zone", "größe, mm", "start_frame"]), LABELS),
                max_size=3,
                unique_by=lambda item: item[0],
            ).map(lambda items: tuple(sorted(items))),
        ),
        max_size=4,
    ),
    st.booleans(),
    st.one_of(st.none(), LABELS),
)


def sorted_attributes(marks: tuple[Mark, ...]) -> list[Mark]:
    """Columns are in order of first appearance, which may differ from that within a row."""
    return [replace(mark, attributes=tuple(sorted(mark.attributes))) for mark in bare(marks)]


@settings(max_examples=100)
@given(SHEETS, st.sampled_from([".csv", ".tsv"]))
@example(Sheet("x", (Mark("'=x", 0, 1, "''-1"), Mark("#", 0, 1, "'")), case="#1"), ".csv")
def test_what_is_written_reads_back_the_same(sheet: Sheet, suffix: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"x{suffix}"
        assert tabular.write(sheet, path) == ()
        back = tabular.read(path)
    assert not back.problems
    assert sorted_attributes(back.marks) == sorted_attributes(sheet.marks)
    assert (back.starts_only, back.case) == (sheet.starts_only, sheet.case)


@settings(max_examples=100)
@given(LABELS, NAMES)
def test_any_column_name_is_held(value: str, name: str) -> None:
    sheet = Sheet("x", (Mark("a", 0, 1, attributes=((name, value),)),))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.csv"
        tabular.write(sheet, path)
        assert bare(tabular.read(path).marks) == list(sheet.marks)


@settings(max_examples=200)
@given(st.binary(max_size=60) | st.text("start,ep;|\t\n\r\"'#:.05x", max_size=60).map(str.encode))
def test_no_file_leads_to_anything_but_a_sheet_or_a_format_error(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.csv"
        path.write_bytes(content)
        try:
            source = tabular.read(path).source
        except FormatError as error:
            source = error.source
    assert source == "x.csv"


@pytest.mark.parametrize(
    "code", ["bad-row", "bad-time", "length-disagrees", "no-label", "no-start", "several-cases"]
)
def test_broken_examples(code: str) -> None:
    sheet = tabular.read(ROOT / "annotations" / "broken" / f"{code}.csv")
    assert [problem.code for problem in sheet.problems] == [code]
    assert sheet.problems[0].severity is Severity.ERROR
