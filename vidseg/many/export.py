"""The tidy tables of a library, each with the meaning of its columns."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

import pandas as pd

from vidseg.cohort.tables import CASES, STEPS
from vidseg.export.cohort_tables import (
    DICTIONARY,
    dictionary_table,
    write_cohort_tables,
    write_csv,
    write_parquet,
)
from vidseg.export.folder import output_folder
from vidseg.library.filters import Filter
from vidseg.library.read import list_cases, read_every, read_visits
from vidseg.library.store import Library
from vidseg.many.report import noted
from vidseg.model.column import Column, Columns, columns
from vidseg.model.problem import UsageError

VISITS = columns(
    Column("case", "identifier of the case"),
    Column("annotator", "who marked it"),
    Column("procedure", "code of the vocabulary"),
    Column("order", "place of the visit in the annotation, from 1, by start"),
    Column("step", "code of the step in the vocabulary"),
    Column("name", "name of the step"),
    Column("level", "phase, step, task or excluded"),
    Column("start_s", "start, seconds from the first displayed frame, on the recording's clock"),
    Column("end_s", "end, seconds; the first instant that no longer belongs to the visit"),
    Column("length_s", "end minus start, seconds, excluded spans not taken off"),
    Column("open_start", "true: the recording does not show this visit's start"),
    Column("open_end", "true: the recording does not show this visit's end"),
)
EVENTS = columns(
    Column("case", "identifier of the case"),
    Column("annotator", "who marked it"),
    Column("procedure", "code of the vocabulary"),
    Column("order", "place of the event in the annotation, from 1, by time"),
    Column("event", "code of the event in the vocabulary"),
    Column("name", "name of the event"),
    Column("category", "complication, finding, medication or instrument"),
    Column("at_s", "time, seconds from the first displayed frame, on the recording's clock"),
)
ANNOTATIONS = columns(
    Column("case", "identifier of the case"),
    Column("procedure", "code of the vocabulary"),
    Column("annotator", "who marked it"),
    Column("recorded_s", "time for which there is footage, on the recording's clock"),
    Column("observed_s", "recorded time less excluded time, in operative time"),
    Column("excluded_s", "time marked as excluded"),
    Column("steps", "different steps marked"),
    Column("visits", "visits marked"),
    Column("open_start", "true: the recording does not show the start of some step"),
    Column("open_end", "true: the recording does not show the end of some step"),
)
LISTED = CASES | ANNOTATIONS
"""Annotations with the facts of their cases, as they are listed."""
NOTES = noted(
    "",
    "steps: a row per case, annotator and step that occurs; a step without a row was not done or "
    "not marked, which is not zero seconds. cases: observed_s and complete are those of the first "
    "annotation kept.",
)

WORDS = tuple(note.text for note in NOTES)

TABLES: dict[str, Columns] = {
    "steps": STEPS,
    "cases": CASES,
    "annotations": ANNOTATIONS,
    "visits": VISITS,
    "events": EVENTS,
}
"""Every table with its columns."""


def _tables(library: Library, wanted: Filter) -> dict[str, pd.DataFrame]:
    cohort = read_every(library, wanted)
    spans, points = read_visits(library, wanted)
    return {
        "steps": cohort.steps,
        "cases": cohort.cases,
        "annotations": list_cases(library, wanted)[list(ANNOTATIONS)],
        "visits": spans,
        "events": points,
    }


def export_tables(library: Library, wanted: Filter, out: Path) -> list[Path]:
    """Write steps, cases, annotations, visits and events; gives the files written.

    ``out`` is a file (.csv, .parquet, .xlsx: see ``write_cohort_tables``) or a folder, which gets
    CSV files. All annotators are kept side by side.
    """
    tables = _tables(library, wanted)
    if out.suffix:
        return write_cohort_tables(tables, TABLES, WORDS, out)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"cannot write to {out}: {error.strerror}") from error
    dictionary = dictionary_table(tables, TABLES, WORDS)
    written: list[Path] = []
    for name, table in {**tables, DICTIONARY: dictionary}.items():
        written.append(out / f"{name}.csv")
        write_csv(table, written[-1])
    return written


def export_partitioned(library: Library, wanted: Filter, out: Path) -> Path:
    """Write the same tables as Parquet, a folder for each, in it one for each vocabulary:
    ``steps/procedure=phaco/part-0.parquet`` (the column is in the folder's name alone).

    One vocabulary is in memory at a time. An earlier export in ``out`` is replaced as a whole.
    Raises UsageError for a folder that holds what vidseg did not write.
    """
    with output_folder(out) as folder:
        procedures = sorted(set(list_cases(library, wanted)["procedure"]))
        dictionary: pd.DataFrame | None = None
        for procedure in procedures:
            tables = _tables(library, replace(wanted, procedure=procedure))
            dictionary = dictionary_table(tables, TABLES, WORDS)
            for name, table in tables.items():
                own = table.drop(columns="procedure", errors="ignore")
                path = f"{name}/procedure={quote(procedure, safe='')}/part-0.parquet"
                if len(own):
                    folder.take_over("", [path])
                    write_parquet(own, TABLES[name], WORDS, folder.work / path)
                    folder.record(path, [path])
        if dictionary is None:
            raise UsageError("the library holds no such case, so there is nothing to write")
        write_csv(dictionary, folder.work / f"{DICTIONARY}.csv")
        folder.record(DICTIONARY, [f"{DICTIONARY}.csv"])
        folder.finish()
    return out
