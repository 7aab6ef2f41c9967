"""Sixty made-up cases of five made-up surgeons: annotations only, with the truth they follow.

Times go as ``base x surgeon x number ** -learning x case mix x chance``. Every figure is an
invention of this project. Case mix is not shared out evenly: trainees get softer nuclei.
"""

from __future__ import annotations

import csv
import io
import math
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from synthetic_clips.write import written_aside

STEPS: Mapping[str, float] = {
    "paracentesis": 14,
    "viscoelastic_injection": 16,
    "main_incision": 18,
    "capsulorhexis": 42,
    "hydrodissection": 24,
    "nucleus_division": 48,
    "fragment_removal": 85,
    "cortex_removal": 55,
    "iol_insertion": 28,
    "viscoelastic_removal": 40,
    "wound_closure": 32,
}
"""Seconds that each step takes in a case of middling difficulty once there is nothing to learn."""
NUCLEUS_STEPS = ("nucleus_division", "fragment_removal")
PER_GRADE = 1.22
"""What each grade of nucleus above 2 multiplies the two nucleus steps by."""
PER_MM = 0.92
"""What each millimetre of pupil above 6 multiplies capsulorhexis and cortex removal by."""
CHANCE = 0.16
"""Standard deviation of the logarithm of what chance multiplies every step by."""
SECOND_MARKS_S = 0.6
"""Standard deviation of a second annotator's edges against the first one's, seconds."""


@dataclass(frozen=True, slots=True)
class MadeSurgeon:
    """``factor`` multiplies every time at case 1; ``learning`` is the exponent of the power law."""

    name: str
    role: str
    experience: str
    cases: int
    first_number: int
    factor: float
    learning: float
    grades: tuple[float, float]


SURGEONS = (
    MadeSurgeon("S1", "consultant", "high", 10, 900, 1.05, 0.0, (2.6, 0.8)),
    MadeSurgeon("S2", "consultant", "high", 10, 1400, 0.95, 0.0, (2.9, 0.8)),
    MadeSurgeon("S3", "trainee", "low", 15, 1, 3.1, 0.22, (2.0, 0.6)),
    MadeSurgeon("S4", "trainee", "low", 15, 1, 2.6, 0.30, (1.9, 0.6)),
    MadeSurgeon("S5", "trainee", "low", 10, 6, 2.4, 0.12, (2.1, 0.6)),
)


@dataclass(frozen=True, slots=True)
class MadeCase:
    """One case: facts, and rows (start s, end s or None for "open", step, note)."""

    name: str
    surgeon: MadeSurgeon
    case_number: int
    year: int
    pupil_mm: float
    nucleus_grade: int
    length_s: float
    complete: bool
    rows: tuple[tuple[float, float | None, str, str], ...]


def made_up_cases(seed: int = 20) -> list[MadeCase]:
    """Draw the cases; the same seed gives the same ones."""
    chance = random.Random(seed)
    cases: list[MadeCase] = []
    for surgeon in SURGEONS:
        for place in range(surgeon.cases):
            number = surgeon.first_number + place
            name = f"case-{len(cases) + 1:03d}"
            cases.append(_case(name, surgeon, number, place, chance))
    return cases


def _case(
    name: str, surgeon: MadeSurgeon, number: int, place: int, chance: random.Random
) -> MadeCase:
    middle, spread = surgeon.grades
    grade = min(5, max(1, round(chance.gauss(middle, spread))))
    pupil = round(min(8.0, max(4.0, chance.gauss(6.3, 0.9))), 1)
    experience = surgeon.factor * number**-surgeon.learning
    at = chance.uniform(5, 15)
    rows: list[tuple[float, float | None, str, str]] = []
    for code, base in STEPS.items():
        length = base * experience * math.exp(chance.gauss(0, CHANCE))
        if code in NUCLEUS_STEPS:
            length *= PER_GRADE ** (grade - 2)
        if code in ("capsulorhexis", "cortex_removal"):
            length *= PER_MM ** (pupil - 6)
        at = round(at + chance.uniform(1, 6), 2)
        end = round(at + length, 2)
        if code == "capsulorhexis" and chance.random() < 0.25:
            # Left for a refill of the chamber, then resumed.
            half = round(at + length * chance.uniform(0.3, 0.7), 2)
            refill = round(chance.uniform(4, 9), 2)
            rows.append((at, half, code, "left for a refill"))
            rows.append((half + 0.5, half + 0.5 + refill, "viscoelastic_injection", ""))
            at, end = round(half + 1 + refill, 2), round(end + 1 + refill, 2)
        rows.append((at, end, code, ""))
        at = end
    length = round(at + chance.uniform(3, 20), 2)
    complete = chance.random() > 0.12
    if not complete:
        # The recorder was stopped within the last step.
        start, end, code, _ = rows[-1]
        length = round(start + ((end or start) - start) * chance.uniform(0.2, 0.8), 2)
        rows[-1] = (start, None, code, "recording stops first")
    rows = [
        (round(start, 2), None if end is None else round(end, 2), code, note)
        for start, end, code, note in rows
        if code != "paracentesis" or chance.random() > 0.05
    ]
    year = 2021 + place * 3 // surgeon.cases
    return MadeCase(name, surgeon, number, year, pupil, grade, length, complete, tuple(rows))


def second_annotation(case: MadeCase, seed: int = 21) -> MadeCase:
    """Mark a case again, edges moved by chance; one case in five lacks the hydrodissection."""
    chance = random.Random(f"{seed} {case.name}")
    rows: list[tuple[float, float | None, str, str]] = []
    before = 0.0
    for start, end, code, _ in case.rows:
        moved = max(before, round(start + chance.gauss(0, SECOND_MARKS_S), 2))
        last = case.length_s if end is None else end + chance.gauss(0.2, SECOND_MARKS_S)
        stop = round(min(case.length_s, max(last, moved + 0.5)), 2)
        before = stop
        if code == "hydrodissection" and chance.random() < 0.2:
            continue
        rows.append((moved, None if end is None else stop, code, ""))
    return MadeCase(
        case.name,
        case.surgeon,
        case.case_number,
        case.year,
        case.pupil_mm,
        case.nucleus_grade,
        case.length_s,
        case.complete,
        tuple(rows),
    )


def write_cases(folder: Path, cases: Sequence[MadeCase], second: int = 12) -> None:
    """Write ``steps/<case>.csv``, ``second/<case>.csv``, ``cases.csv`` and ``truth.csv``.

    ``second`` is how many cases a second annotator marks. ``truth.csv`` tells what the times of
    each surgeon follow.
    """
    every = max(1, len(cases) // max(1, second))
    texts = {folder / "steps" / f"{case.name}.csv": steps_text(case) for case in cases}
    texts |= {
        folder / "second" / f"{case.name}.csv": steps_text(second_annotation(case))
        for case in cases[::every][:second]
    }
    texts[folder / "cases.csv"] = cases_text(cases)
    texts[folder / "truth.csv"] = _csv(
        ("surgeon", "factor at case 1", "exponent", "left at each doubling"),
        [(s.name, s.factor, -s.learning, round(2**-s.learning, 4)) for s in SURGEONS],
    )
    for path, text in texts.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        with written_aside(path) as aside:
            aside.write_text(text, encoding="utf-8", newline="\n")


def steps_text(case: MadeCase) -> str:
    """Write one case's annotation as CSV."""
    return _csv(
        ("start", "end", "step", "note"),
        [
            (f"{start:.2f}", "open" if end is None else f"{end:.2f}", code, note)
            for start, end, code, note in case.rows
        ],
    )


def cases_text(cases: Sequence[MadeCase]) -> str:
    """Write the table of cases as CSV."""
    return _csv(
        (
            *("case", "length", "surgeon", "role", "experience", "case_number", "date"),
            *("complete", "pupil_mm", "nucleus_grade"),
        ),
        [
            (
                *(case.name, f"{case.length_s:.2f}", case.surgeon.name, case.surgeon.role),
                *(case.surgeon.experience, case.case_number, case.year),
                *("yes" if case.complete else "no", case.pupil_mm, case.nucleus_grade),
            )
            for case in cases
        ],
    )


def _csv(header: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerows([header, *rows])
    return stream.getvalue()
