"""Files of our own in TOML and tables beside annotations, made wrong: one message or a result."""

from pathlib import Path

import pytest
from hypothesis import given
from mutation import TEXT, mutated, nothing_but_a_message, tried

from vidseg.batch.worklist import read_work
from vidseg.formats.case_file import read_case
from vidseg.formats.case_table import read_case_table
from vidseg.formats.mask_list import read_masks
from vidseg.formats.vocabulary import builtin_texts, read_procedure
from vidseg.model.edits import EditMap

CASE = b"""\
id = "2031-014"
recordings = ["part1.mp4", "part2.mp4"]
annotation = "steps.csv"
procedure = "phaco"
captions = "talk.vtt"
surgeon = "S3"
role = "trainee"
case_number = 41
starts = ["9:14:03", "9:27:10.5"]

[covariates]
pupil_mm = 4.5
nucleus_grade = 3
dilated = true

[[edits]]
kind = "removed"
at = "3:10"
length = "0:42"

[[edits]]
kind = "speed"
start = "4:00"
end = "5:00"
factor = 4

[[edits]]
kind = "inserted"
start = "5:10"
end = "5:20"

[consent]
teaching = "yes"
research = "no"
publication = "unknown"
date = 2031-05-13
document = "form 7"
"""
LIST = b"""\
case,recording,annotation,surgeon,experience,case_number,date,complete,rate,frames,pupil_mm
c1,part1.mp4,steps.csv,S1,junior,3,2031-05,yes,25,15000,5.5
c2,part2.mp4,steps.csv,S2,senior,40,2030,no,30000/1001,17982,4
"""
MASKS = b"x,y,width,height,start,end\n0,0,320,48,,\n900,640,200,60,0:03:10,0:04:00\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which all the files that a case names are there."""
    made = tmp_path_factory.mktemp("fuzz")
    for name in ("part1.mp4", "part2.mp4", "steps.csv", "talk.vtt"):
        (made / name).write_text("x")
    return made


def test_cases(folder: Path) -> None:
    path = folder / "case.toml"
    path.write_bytes(CASE)
    assert len(read_case(path).edits) == 3

    @tried(150)
    @given(data=mutated((CASE,), TEXT))
    def each(data: bytes) -> None:
        path.write_bytes(data)
        with nothing_but_a_message():
            case = read_case(path)
            assert "\0" not in case.id
            try:
                EditMap(case.edits, 600_000_000_000)
            except ValueError as error:
                str(error).encode()

    each()


def test_vocabularies(folder: Path) -> None:
    path = folder / "own.toml"

    @tried(60)
    @given(data=mutated(tuple(text.encode() for text in builtin_texts()), TEXT))
    def each(data: bytes) -> None:
        path.write_bytes(data)
        with nothing_but_a_message():
            read_procedure(path)

    each()


def test_tables_of_cases(folder: Path) -> None:
    path = folder / "cases.csv"

    @tried(80)
    @given(data=mutated((LIST, LIST.replace(b",", b";")), TEXT))
    def each(data: bytes) -> None:
        path.write_bytes(data)
        with nothing_but_a_message():
            read_case_table(path)
        with nothing_but_a_message():
            read_work(path, folder / "out")

    each()


def test_masks(folder: Path) -> None:
    path = folder / "masks.csv"

    @tried(60)
    @given(data=mutated((MASKS,), TEXT))
    def each(data: bytes) -> None:
        path.write_bytes(data)
        with nothing_but_a_message():
            read_masks(path)

    each()
