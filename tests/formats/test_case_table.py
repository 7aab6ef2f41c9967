"""Tables of cases: every column understood or told, no patient identifier let in."""

from fractions import Fraction
from pathlib import Path

import openpyxl
import pytest

from vidseg.formats.case_table import read_case_table
from vidseg.model.clock import NS
from vidseg.model.problem import FormatError


def written(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def test_all_columns(tmp_path: Path) -> None:
    path = written(
        tmp_path / "cases.csv",
        "\ufeffCase;Length;Surgeon;Role;Experience;Case number;Date;Complete;Annotator;pupil (mm)\n"
        "c1;9:49,36;S1;trainee;low;12;2024-05;no;A;5,5\n",
    )
    (row,) = read_case_table(path)
    assert (row.case, row.annotator, row.length_ns) == ("c1", "A", 589_360_000_000)
    facts = row.facts
    assert (facts.surgeon, facts.role, facts.experience) == ("S1", "trainee", "low")
    assert (facts.case_number, facts.date, facts.complete) == (12, "2024-05", False)
    assert facts.covariates == (("pupil (mm)", "5,5"),)


def test_frames_and_rate_give_the_length(tmp_path: Path) -> None:
    path = written(tmp_path / "videos.csv", "VideoID;Frames;FPS\n269;14734;25\n270;300;29.97\n")
    first, second = read_case_table(path)
    assert (first.length_ns, first.rate) == (589_360_000_000, Fraction(25))
    # 300 frames at 30000/1001 are 10.01 s.
    assert (second.length_ns, second.rate) == (10_010_000_000, Fraction(30000, 1001))


def test_workbook(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["annotation", "case", "surgeon", "case_number", "length"])
    book.active.append(["c1-steps.csv", "c1", "S1", 3, 600])
    book.save(tmp_path / "cases.xlsx")
    (row,) = read_case_table(tmp_path / "cases.xlsx")
    assert (row.annotation, row.case, row.facts.case_number) == ("c1-steps.csv", "c1", 3)
    assert row.length_ns == 600 * NS


@pytest.mark.parametrize(
    "column", ["Patient name", "MRN", "date of birth", "NHS number", "Patientenname", "dob"]
)
def test_identifiers_are_refused_and_not_repeated(tmp_path: Path, column: str) -> None:
    path = written(tmp_path / "cases.csv", f"case,{column}\nc1,SECRET\n")
    with pytest.raises(FormatError, match="no patient identifier") as caught:
        read_case_table(path)
    assert "SECRET" not in str(caught.value)


def test_everything_wrong_is_told_at_once(tmp_path: Path) -> None:
    path = written(
        tmp_path / "cases.csv",
        "case,length,case_number,date,complete,rate,frames\n"
        "c1,9:75,zero,31.5.2024,maybe,0,many\n"
        ",1,1,2024,yes,25,1\n"
        "c2,1,1,2024,yes,25,1\n"
        "c2,1,1,2024,yes,25,1\n"
        "c3,1,1,2024,yes,25,1,more\n",
    )
    with pytest.raises(FormatError) as caught:
        read_case_table(path)
    text = str(caught.value)
    for expected in (
        "line 2: length: not a time: '9:75'",
        "line 2: case_number: 'zero'",
        "line 2: date: '31.5.2024'",
        "line 2: complete: 'maybe'",
        "line 2: rate: '0'",
        "line 2: frames: 'many'",
        "line 3: the row names no case and no annotation",
        "line 5: stands for the same as line 4",
        "line 6: the row has more cells",
    ):
        assert expected in text


def test_one_case_with_two_stories_is_told(tmp_path: Path) -> None:
    path = written(
        tmp_path / "cases.csv", "case,annotator,surgeon\nc1,A,S1\nc1,B,S1\nc2,A,S1\nc2,B,S2\n"
    )
    with pytest.raises(FormatError, match="case 'c2' has other facts here than on line 4"):
        read_case_table(path)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("surgeon\nS1\n", "a column `case`"),
        ("case,frames\nc1,5\n", "needs a column `rate`"),
        ("case,id\nc1,c1\n", "stands for the same"),
        ("case,\nc1,x\n", "has no name"),
    ],
)
def test_headers_that_cannot_be_used(tmp_path: Path, text: str, reason: str) -> None:
    with pytest.raises(FormatError, match=reason):
        read_case_table(written(tmp_path / "cases.csv", text))
