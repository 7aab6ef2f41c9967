"""Tables of many cases as files: nothing runs as a formula, every column has a meaning."""

import csv
import json
import re
import zipfile
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow.parquet as pq
import pytest

from vidseg.export.cohort_tables import DICTIONARY, write_cohort_tables
from vidseg.model.column import Column, columns
from vidseg.model.problem import UsageError

# From OWASP's page on CSV Injection, and cells that openpyxl would take for formula or error.
HOSTILE = ['=HYPERLINK("http://x","y")', "+1+1", "-2+3", "@SUM(1)", "\t=1", "#N/A", "=1"]
TABLES = {
    "durations": pd.DataFrame(
        {
            "case": HOSTILE,
            "active_s": [1.5, float("nan"), 0.1, 12.123456789, 5, float("inf"), 7],
            "cut": [True, False] * 3 + [True],
            "=evil": HOSTILE,
        }
    ),
    "other": pd.DataFrame({"time_low_s": [1.0], "time_s": [2.0]}),
}
SCHEMAS = {
    "durations": columns(Column("case", "name"), Column("active_s", "time")),
    "other": columns(Column("time_s", "a time")),
}
NOTES = ("Time is not skill.",)


def test_workbook_holds_texts_numbers_and_the_dictionary(tmp_path: Path) -> None:
    out = tmp_path / "all.xlsx"
    assert write_cohort_tables(TABLES, SCHEMAS, NOTES, out) == [out]
    book = openpyxl.load_workbook(out)
    assert book.sheetnames == ["durations", "other", DICTIONARY]
    rows = list(book["durations"].iter_rows(min_row=2))
    assert [row[0].value for row in rows] == HOSTILE
    assert [row[1].value for row in rows] == [1.5, None, 0.1, 12.123456789, 5, "inf", 7]
    assert rows[0][2].value is True
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert {cell.data_type for cell in cells} <= {"s", "inlineStr", "n", "b"}
    # The file itself: no formula element in any sheet (ECMA-376, 18.3.1.40).
    with zipfile.ZipFile(out) as packed:
        sheets = [name for name in packed.namelist() if "worksheets/sheet" in name]
        assert len(sheets) == 3
        assert not any(re.search(rb"<f[ >/]", packed.read(name)) for name in sheets)
    told = [[cell.value for cell in row] for row in book[DICTIONARY].iter_rows(min_row=2)]
    assert ["durations", "active_s", "s", "time"] in told
    assert ["other", "time_low_s", "s", "lower end of the interval of time_s"] in told
    assert [None, "note", None, "Time is not skill."] in told


def test_csv_puts_an_apostrophe_before_what_would_run(tmp_path: Path) -> None:
    out = tmp_path / "all.csv"
    files = write_cohort_tables(TABLES, SCHEMAS, NOTES, out)
    assert [path.name for path in files] == [
        "all.csv",
        "all-other.csv",
        f"all-{DICTIONARY}.csv",
    ]
    with out.open(encoding="utf-8", newline="") as stream:
        header, *rows = csv.reader(stream)
    assert header == ["case", "active_s", "cut", "'=evil"]
    for row, text in zip(rows, HOSTILE, strict=True):
        assert row[0] == (text if text == "#N/A" else f"'{text}")
        assert not row[0].startswith(("=", "+", "-", "@", "\t"))
    assert rows[1][1] == ""
    assert float(rows[3][1]) == 12.123456789
    assert b"\r" not in out.read_bytes()


def test_parquet_carries_meanings_and_notes(tmp_path: Path) -> None:
    out = tmp_path / "all.parquet"
    write_cohort_tables(TABLES, SCHEMAS, NOTES, out)
    table = pq.read_table(out)
    assert table["case"].to_pylist() == HOSTILE
    assert table["active_s"].to_pylist()[3] == 12.123456789
    assert table.schema.field("active_s").metadata == {b"meaning": b"time", b"unit": b"s"}
    assert json.loads(table.schema.metadata[b"vidseg_notes"]) == list(NOTES)


def test_other_places_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"\.csv, \.parquet, \.xlsx"):
        write_cohort_tables(TABLES, SCHEMAS, NOTES, tmp_path / "all.ods")
    with pytest.raises(UsageError, match="does not exist"):
        write_cohort_tables(TABLES, SCHEMAS, NOTES, tmp_path / "absent" / "all.csv")
    assert list(tmp_path.iterdir()) == []


def test_a_sheet_that_would_overflow_is_refused(tmp_path: Path) -> None:
    long = pd.DataFrame({"x": range(1_048_576)})
    with pytest.raises(UsageError, match="1048575 rows"):
        write_cohort_tables({"long": long}, {}, (), tmp_path / "long.xlsx")
    assert list(tmp_path.iterdir()) == []
