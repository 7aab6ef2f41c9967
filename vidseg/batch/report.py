"""The report of a batch: ``batch.csv`` and a page, a row for every case that was listed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from vidseg.batch.job import CASES, Ending, Outcome
from vidseg.export.batch_page import write_batch_page
from vidseg.export.cohort_tables import write_csv
from vidseg.model.clock import format_seconds

TABLE = "batch.csv"
PAGE = "index.html"
COLUMNS = {
    "case": "identifier of the case",
    "listed": "where it is listed: file and line, or its case.toml",
    "outcome": "done; unchanged (nothing had to be made anew); rows in error (its annotation, "
    "nothing was written); failed; set aside (workers died at it); refused (it cannot be used as "
    "listed); dropped; not begun",
    "reason": "why it is not done",
    "errors": "rows of its annotation in error",
    "problems": "codes of the problems found, with their number",
    "recorded_s": "time for which there is footage, seconds",
    "seconds": "time it took, seconds; for an unchanged one: when it was last made",
    "files_made": "files made anew",
    "files_kept": "files kept from before",
    "bytes": "size of its folder",
    "worker": "name of the machine that did it",
    "folder": "its folder, beside this file",
    "notes": "what was said while it was made",
}


@dataclass(frozen=True, slots=True)
class ReportRow:
    """One case: where it is listed, and what became of it."""

    listed: str
    outcome: Outcome


def summary(rows: Sequence[ReportRow]) -> str:
    """Count the outcomes, in words."""
    counts = Counter(row.outcome.ending for row in rows)
    return ", ".join(f"{counts[ending]} {ending}" for ending in Ending if counts[ending])


def write_report(
    out: Path, source: str, rows: Sequence[ReportRow], sentences: Sequence[str]
) -> None:
    """Write table and page into ``out``. Raises OSError."""
    table = pd.DataFrame([_cells(row) for row in rows], columns=list(COLUMNS))
    write_csv(table, out / TABLE)
    shown = [_shown(out, row) for row in rows]
    write_batch_page(out / PAGE, source, summary(rows), sentences, shown)


def _cells(row: ReportRow) -> Mapping[str, object]:
    outcome = row.outcome
    return {
        "case": outcome.case,
        "listed": row.listed,
        "outcome": outcome.ending.value,
        "reason": outcome.reason,
        "errors": outcome.errors,
        "problems": "; ".join(outcome.problems),
        "recorded_s": format_seconds(outcome.recorded_ns) if outcome.recorded_ns else "",
        "seconds": f"{outcome.seconds:.1f}" if outcome.seconds else "",
        "files_made": outcome.made,
        "files_kept": outcome.kept,
        "bytes": outcome.bytes,
        "worker": outcome.worker,
        "folder": f"{CASES}/{outcome.case}" if outcome.ending.good else "",
        "notes": "; ".join(outcome.notes),
    }


def _shown(out: Path, row: ReportRow) -> dict[str, str]:
    """Give the cells of the page, and where the case's own page is."""
    outcome = row.outcome
    page = out / CASES / outcome.case / PAGE
    return {
        "case": outcome.case,
        "page": page.relative_to(out).as_posix() if outcome.ending.good and page.exists() else "",
        "listed": row.listed,
        "outcome": outcome.ending.value,
        "mark": "" if outcome.ending.good else "bad",
        "recorded": format_seconds(outcome.recorded_ns) if outcome.recorded_ns else "",
        "seconds": f"{outcome.seconds:.1f}" if outcome.seconds else "",
        "problems": "; ".join(outcome.problems),
        "reason": outcome.reason,
    }
