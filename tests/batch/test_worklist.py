"""Which cases a list or a folder tree holds, and what is said of those that cannot be used."""

import shutil
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from vidseg.batch.worklist import id_fault, read_work
from vidseg.model.problem import FormatError, UsageError

Lister = Callable[[Path, list[dict[str, str]]], Path]


@pytest.fixture
def folder(footage: Path, tmp_path: Path) -> Path:
    for name in ("r0.mp4", "r1.mp4", "s0.csv"):
        shutil.copyfile(footage / name, tmp_path / name)
    (tmp_path / "talk.vtt").write_text("WEBVTT\n", encoding="utf-8")
    return tmp_path


def test_a_row_becomes_a_case(folder: Path, list_of: Lister) -> None:
    path = list_of(
        folder / "list.csv",
        [
            {
                "Case": "A-1",
                "Recording": "r0.mp4|r1.mp4",
                "Annotation": "s0.csv",
                "Captions": "talk.vtt",
                "Procedure": "phaco",
                "Surgeon": "S1",
                "Experience": "low",
                "Case number": "7",
                "Date": "2031-05",
                "Complete": "yes",
                "pupil_mm": "4.5",
            },
            {"Recording": "r1.mp4", "Annotation": "s0.csv"},
        ],
    )
    first, second = read_work(path, folder / "out").works
    assert first.place == "list.csv:2"
    assert first.case.recordings == (folder / "r0.mp4", folder / "r1.mp4")
    assert first.case.captions == folder / "talk.vtt"
    assert (first.case.surgeon, first.case.case_number) == ("S1", 7)
    assert dict(first.case.covariates) == {
        "pupil_mm": "4.5",
        "experience": "low",
        "date": "2031-05",
        "complete": "true",
    }
    assert (second.case.id, second.case.procedure) == ("r1", None)


def test_every_kind_of_bad_row_is_refused_and_the_good_ones_stay(
    folder: Path, list_of: Lister
) -> None:
    good = {"case": "good", "recording": "r0.mp4", "annotation": "s0.csv"}
    bad = {
        "no file 'nine.mp4'": {"recording": "nine.mp4"},
        "no file 's9.csv'; did you mean 's0.csv'?": {"annotation": "s9.csv"},
        "no file 'gone.vtt'": {"captions": "gone.vtt"},
        "longer than the name of any file": {"recording": "r" * 300 + ".mp4"},
        "names no recording": {"recording": ""},
        "named twice": {"recording": "r0.mp4|r0.mp4"},
        "is no annotation": {"annotation": "r1.mp4"},
        "no built-in vocabulary": {"procedure": "plumbing"},
        "no file 'ours.toml'": {"procedure": "ours.toml"},
        "case_number: 'many'": {"case_number": "many"},
        "date: 'May'": {"date": "May"},
        "complete: 'perhaps'": {"complete": "perhaps"},
        "no folder's name": {"case": "a/b"},
        "on every system": {"case": "nul.x"},
    }
    rows = [good] + [
        {"case": f"bad{number}", "recording": "r0.mp4", "annotation": "s0.csv", **row}
        for number, row in enumerate(bad.values())
    ]
    rows += [{**good, "case": "twin"}, {**good, "case": "Twin"}, {**good, "case": "late"}]
    listed = read_work(list_of(folder / "list.csv", rows), folder / "out")
    assert [work.case.id for work in listed.works] == ["good", "late"]
    assert len(listed.refused) == len(bad) + 2
    for number, words in enumerate(bad):
        refused = listed.refused[number]
        assert words in refused.reason
        assert refused.place == f"list.csv:{number + 3}"
    for twin in listed.refused[-2:]:
        assert "as well" in twin.reason


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("case,annotation\nx,s0.csv\n", "a column `recording` is missing"),
        ("recording,patient_name\nr0.mp4,x\n", "no patient identifier"),
        ("recording,Recordings\nr0.mp4,x\n", "the same as one before"),
    ],
)
def test_a_header_that_cannot_be_used_stops(folder: Path, text: str, words: str) -> None:
    (folder / "list.csv").write_text(text, encoding="utf-8")
    with pytest.raises(FormatError, match=words):
        read_work(folder / "list.csv", folder / "out")


def test_nothing_to_do_is_said(folder: Path) -> None:
    (folder / "list.csv").write_text("recording\n", encoding="utf-8")
    (folder / "empty").mkdir()
    for source, words in (("list.csv", "no row"), ("empty", "no case.toml"), ("none", "no such")):
        with pytest.raises(UsageError, match=words):
            read_work(folder / source, folder / "out")


def test_a_workbook_is_read_as_a_table_is(folder: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["case", "recording", "annotation", "case number"])
    book.active.append(["A-1", "r0.mp4", "s0.csv", 3])
    book.save(folder / "list.xlsx")
    (work,) = read_work(folder / "list.xlsx", folder / "out").works
    assert (work.case.id, work.case.case_number) == ("A-1", 3)


def write_case_file(folder: Path, name: str, more: str = "") -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "r.mp4").write_bytes(b"x")
    (folder / "case.toml").write_text(f'id = "{name}"\nrecording = "r.mp4"\n{more}', "utf-8")


def test_a_tree_is_searched_but_not_what_was_written_there(folder: Path) -> None:
    tree = folder / "tree"
    write_case_file(tree / "one", "one")
    write_case_file(tree / "a" / "b" / "two", "two")
    write_case_file(tree / "bad", "bad", "nonsense = 1\n")
    write_case_file(tree / ".hidden", "hidden")
    write_case_file(tree / "out", "in-out")
    write_case_file(tree / "made.vidseg", "made")
    (tree / "made.vidseg" / "manifest.json").write_text("{}", encoding="utf-8")
    listed = read_work(tree, tree / "out")
    assert [work.case.id for work in listed.works] == ["two", "one"]
    assert [bad.name for bad in listed.refused] == ["bad"]


def test_a_row_may_name_a_case_file(folder: Path, list_of: Lister) -> None:
    write_case_file(folder / "one", "one", 'surgeon = "S1"\n[covariates]\nside = "left"\n')
    rows = [
        {"recording": "one/case.toml", "surgeon": "S2", "pupil_mm": "5"},
        {"recording": "one/case.toml", "annotation": "s0.csv", "case": "other"},
    ]
    listed = read_work(list_of(folder / "list.csv", rows), folder / "out")
    (work,) = listed.works
    assert (work.case.id, work.case.surgeon) == ("one", "S2")
    assert dict(work.case.covariates) == {"side": "left", "pupil_mm": "5"}
    assert "names its files itself" in listed.refused[0].reason


@pytest.mark.parametrize("name", ["a:b", " a", "a.", "..", "COM1", "con.txt", "a\x07b", "x" * 101])
def test_names_that_no_folder_may_bear_on_windows(name: str) -> None:
    """Microsoft, Naming Files, Paths, and Namespaces."""
    assert id_fault(name)


@pytest.mark.parametrize("name", ["2031-014", "Å-7 (b)", "console", "a.b"])
def test_names_that_any_folder_may_bear(name: str) -> None:
    assert id_fault(name) == ""
