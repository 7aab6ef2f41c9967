"""What a spreadsheet would run is guarded, and every text comes back.

Source of the characters: OWASP, CSV Injection (owasp.org/www-community/attacks/CSV_Injection),
its list of first characters; the full-width forms are of the same page.
"""

import csv
import io
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.disk.formulas import guarded, is_risky, unguarded
from vidseg.export.cohort_tables import write_cohort_tables
from vidseg.export.tables import csv_text
from vidseg.formats import tabular, workbook
from vidseg.model.annotation import Mark, Sheet

# U+003D U+002B U+002D U+0040 U+0009 U+000D U+000A, then U+FF1D U+FF0B U+FF0D U+FF20.
OWASP = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"
TEXTS = st.text(st.one_of(st.sampled_from(OWASP + "'\"a1 "), st.characters()), max_size=8)


@pytest.mark.parametrize("first", OWASP)
def test_every_character_of_the_source_is_guarded(first: str) -> None:
    assert is_risky(f"{first}1+1")
    assert guarded(f"{first}1+1") == f"'{first}1+1"


@pytest.mark.parametrize("text", ["", "'", "a=1", "5", "#N/A", "it's", "'quoted'", " =1"])
def test_other_texts_stay_as_they_are(text: str) -> None:
    assert not is_risky(text)
    assert guarded(text) == text
    assert unguarded(text) == text


@given(TEXTS)
def test_every_text_comes_back_and_none_would_run(text: str) -> None:
    assert unguarded(guarded(text)) == text
    assert not is_risky(guarded(text))


@pytest.mark.parametrize("first", OWASP)
def test_all_who_write_tables_guard_alike(tmp_path: Path, first: str) -> None:
    text = f"{first}1+1"
    told = "'" + text.replace("\r", "\n")  # a lone carriage return would end the row for readers
    own = csv_text(["case"], [{"case": text, text: "x"}])
    assert list(csv.reader(io.StringIO(own, newline=""))) == [
        ["case", told],
        [told, "x"],
    ]

    table = pd.DataFrame({"case": [text], text: ["x"]})
    write_cohort_tables({"cases": table}, {}, (), tmp_path / "cases.csv")
    with (tmp_path / "cases.csv").open(encoding="utf-8", newline="") as stream:
        assert list(csv.reader(stream)) == [["case", told], [told, "x"]]
    write_cohort_tables({"cases": table}, {}, (), tmp_path / "cases.xlsx")
    cells = list(openpyxl.load_workbook(tmp_path / "cases.xlsx")["cases"].iter_rows())
    assert cells[1][0].data_type == "s"
    assert cells[1][0].quotePrefix

    sheet = Sheet("x", (Mark("a", 0, None, f"n{text}", attributes=(("hand", text),)),))
    tabular.write(sheet, tmp_path / "marks.csv")
    with (tmp_path / "marks.csv").open(encoding="utf-8", newline="") as stream:
        assert not any(is_risky(cell) for row in csv.reader(stream) for cell in row)
    workbook.write(sheet, tmp_path / "marks.xlsx")
    for row in openpyxl.load_workbook(tmp_path / "marks.xlsx").worksheets[0].iter_rows():
        for cell in row:
            assert cell.data_type in "ns"
            assert bool(cell.quotePrefix) == is_risky(str(cell.value))
