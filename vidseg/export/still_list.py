"""``stills/stills.csv``: which frame each still shows, for readers and for the next run."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

from vidseg.disk.atomic_write import write_text_aside
from vidseg.disk.formulas import unguarded
from vidseg.export.stills import Still
from vidseg.export.tables import TableRow, csv_text
from vidseg.model.clock import format_seconds, parse_time
from vidseg.model.procedure import Procedure

COLUMNS = ("file", "number", "step", "name", "visit", "visits", "frame", "at_s", "poor")


def write_still_list(stills: Sequence[Still], path: Path) -> None:
    """Write one row per still; ``poor`` is empty or says what is wrong with the picture."""
    rows: list[TableRow] = [
        {
            "file": still.path.name,
            "number": still.number,
            "step": still.step.code,
            "name": still.step.name,
            "visit": still.visit,
            "visits": still.visits,
            "frame": still.frame,
            "at_s": format_seconds(still.at_ns),
            "poor": still.poor,
        }
        for still in stills
    ]
    write_text_aside(path, csv_text(COLUMNS, rows))


def read_still_list(path: Path, procedure: Procedure) -> tuple[Still, ...]:
    """Read the list that ``write_still_list`` wrote, the stills lying beside it."""
    with path.open(encoding="utf-8", newline="") as stream:
        return tuple(
            Still(
                number=int(row["number"]),
                step=procedure.step(unguarded(row["step"])),
                visit=int(row["visit"]),
                visits=int(row["visits"]),
                frame=int(row["frame"]),
                at_ns=parse_time(row["at_s"]),
                path=path.with_name(unguarded(row["file"])),
                poor=unguarded(row["poor"]),
            )
            for row in csv.DictReader(stream)
        )
