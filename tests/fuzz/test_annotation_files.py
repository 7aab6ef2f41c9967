"""Every reader of annotations and captions, with real files made wrong: rows, problems or one
message, never another exception; and what was read can be timed and written."""

import json
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from mutation import BINARY, TEXT, mutated, nothing_but_a_message, tried

from vidseg.formats import CAPTIONS, FORMATS, read_captions, read_sheet, write_sheet
from vidseg.formats.vocabulary import load_procedure
from vidseg.model.annotation import Sheet
from vidseg.reading import understand

ANNOTATIONS = Path(__file__).resolve().parents[2] / "annotations"
FILES = sorted(path for path in ANNOTATIONS.rglob("*") if path.suffix in FORMATS)


def _wrong(suffix: str) -> st.SearchStrategy[bytes]:
    originals = tuple(path.read_bytes() for path in FILES if path.suffix == suffix)
    return mutated(originals, BINARY if suffix == ".xlsx" else TEXT)


def _try(path: Path) -> None:
    sheet: Sheet | None = None
    with nothing_but_a_message():
        sheet = read_sheet(path)
    if sheet is None:
        return
    for problem in sheet.problems:
        str(problem).encode()
    with nothing_but_a_message():
        reading = understand(sheet, procedure=load_procedure("phaco"), rate=Fraction(25))
        json.dumps([str(problem) for problem in reading.problems])
    for suffix in (".json", ".csv", ".vtt", ".xml"):
        with nothing_but_a_message():
            write_sheet(sheet, path.with_name("again" + suffix))


@pytest.mark.parametrize("suffix", [".csv", ".tsv", ".txt", ".vtt", ".srt", ".xml", ".json"])
def test_text(suffix: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("fuzz") / f"wrong{suffix}"

    @tried(40)
    @given(data=_wrong(suffix))
    def each(data: bytes) -> None:
        path.write_bytes(data)
        _try(path)
        if suffix in CAPTIONS:
            with nothing_but_a_message():
                read_captions(path)

    each()


def test_workbooks(tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("fuzz") / "wrong.xlsx"

    @tried(30)
    @given(data=_wrong(".xlsx"))
    def each(data: bytes) -> None:
        path.write_bytes(data)
        _try(path)

    each()
