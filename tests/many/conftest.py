"""A library of made-up annotations, few enough to be worked by hand."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from vidseg.formats import read_sheet
from vidseg.library.store import Library
from vidseg.many.gather import record_of
from vidseg.model.record import CaseFacts
from vidseg.reading import understand

LOW = (30, 50, 40, 44, 36, 33, 47, 41, 38, 35)
HIGH = (20, 28, 24, 31, 19, 26, 22)
"""Seconds in the rhexis, by case number."""
CASES = (
    *((time, 20 + number, "low", number) for number, time in enumerate(LOW, 1)),
    *((time, 12 + number, "high", 20 + number) for number, time in enumerate(HIGH, 1)),
    (0, 30, "high", 30),
)
"""Seconds in rhexis (the last case has none) and incision, experience, case number."""
BY_BOTH = 6
"""So many cases have a second annotator, who is two seconds later throughout."""
LENGTH_S = 300


def steps(rhexis: int, incision: int, later: int = 0) -> str:
    rows = [f"{10 + later},{10 + later + incision},main incision"]
    if rhexis:
        rows.append(f"{60 + later},{60 + later + rhexis},capsulorhexis")
    return "start,end,step\n" + "\n".join(rows) + "\n"


@pytest.fixture(scope="session")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("many")
    with Library(str(folder / "few.sqlite"), make=True) as library:
        for number, (rhexis, incision, experience, case_number) in enumerate(CASES):
            for annotator, later in (("A", 0), ("B", 2)) if number < BY_BOTH else (("A", 0),):
                path = folder / f"case{number}{annotator}.csv"
                path.write_text(steps(rhexis, incision, later), encoding="utf-8")
                reading = understand(
                    read_sheet(path), length_ns=LENGTH_S * 10**9, case=f"case{number}"
                )
                facts = CaseFacts(
                    surgeon="S1" if experience == "low" else "S2",
                    experience=experience,
                    case_number=case_number,
                    covariates=(("pupil_mm", str(4 + number % 3)),),
                )
                record = record_of(reading, facts)
                library.add(
                    [replace(record, annotation=replace(record.annotation, annotator=annotator))]
                )
    return folder / "few.sqlite"


@pytest.fixture
def library(place: Path) -> Iterator[Library]:
    with Library(str(place)) as opened:
        yield opened
