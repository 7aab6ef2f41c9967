"""The 101 real cataract operations of Cataract-101, reproduced to the digit.

Data: Schoeffmann et al., "Cataract-101: video dataset of 101 cataract surgeries", ACM MMSys 2018,
doi 10.1145/3204949.3208137 (CC BY-NC 4.0; read where it lies beside the project, never copied).
Expected values: computed from the same files with numpy and scipy by independent scripts (rule: a
row runs to the next row's frame, the last one to the recording's last frame, 25 frames/s); the
total of 1,263,116 frames is also the published one.
"""

import csv
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from vidseg.formats.tabular import read_many
from vidseg.formats.vocabulary import load_procedure
from vidseg.measure.case.check import check
from vidseg.measure.case.durations import time_case
from vidseg.measure.case.resolve import resolve
from vidseg.model.annotation import Annotation, Sheet
from vidseg.model.clock import frame_to_ns
from vidseg.model.problem import Problem
from vidseg.model.span import Span, Spans
from vidseg.model.timing import Timing

DATA = Path(__file__).resolve().parents[4] / "shared" / "data" / "cataract101"
RATE = Fraction(25)
PROCEDURE = load_procedure("cataract101")

# code, visits, cases, visit mean, case-total mean, sd, median, q1, q3, min, max
PHASES = [
    ("incision", 104, 98, 22.75, 24.14, 19.30, 16.82, 11.38, 26.94, 4.20, 115.36),
    ("viscous_agent_injection", 232, 101, 13.40, 30.79, 22.61, 23.84, 17.08, 38.52, 11.12, 183.76),
    ("rhexis", 104, 101, 45.78, 47.14, 35.89, 34.36, 24.44, 57.56, 16.40, 252.32),
    ("hydrodissection", 101, 101, 33.12, 33.12, 18.06, 27.48, 20.24, 39.80, 14.00, 98.32),
    ("phacoemulsification", 104, 101, 145.85, 150.18, 85.68, 121.32, 81.64, 211.20, 51.12, 486.60),
    (
        "irrigation_and_aspiration",
        120, 101, 52.72, 62.64, 36.96, 51.00, 35.68, 78.76, 21.96, 249.12,
    ),
    ("capsule_polishing", 110, 101, 18.68, 20.35, 13.70, 16.56, 10.36, 27.28, 5.96, 79.36),
    ("lens_implant_setting_up", 105, 101, 26.76, 27.82, 13.29, 25.08, 19.00, 33.16, 12.96, 102.12),
    ("viscous_agent_removal", 106, 101, 57.78, 60.64, 29.25, 48.80, 37.64, 77.64, 23.32, 186.24),
    ("tonifying_and_antibiotics", 180, 101, 18.27, 32.56, 25.71, 24.88, 17.96, 36.56, 0.08, 127.16),
]  # fmt: skip
SHARES = [4.79, 6.30, 9.65, 6.78, 30.73, 12.82, 4.16, 5.69, 12.41, 6.66]
CASE_269 = [39.00, 7.40, 35.60, 54.40, 135.44, 34.52, 29.84, 8.40, 31.96, 186.24, 19.40, 4.44]


@pytest.fixture(scope="module")
def sheets() -> dict[str, Sheet]:
    if not DATA.is_dir():
        pytest.skip(f"the Cataract-101 annotations are not at {DATA.parent.name}/{DATA.name}")
    return read_many(DATA / "annotations.csv", case_column="VideoID")


@pytest.fixture(scope="module")
def frames(sheets: dict[str, Sheet]) -> dict[str, int]:
    with (DATA / "videos.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream, delimiter=";"))
    assert {row["FPS"] for row in rows} == {"25"}
    return {row["VideoID"]: int(row["Frames"]) for row in rows}


@pytest.fixture(scope="module")
def cases(
    sheets: dict[str, Sheet], frames: dict[str, int]
) -> dict[str, tuple[Sheet, Annotation, tuple[Problem, ...], Timing]]:
    found = {}
    for case, sheet in sheets.items():
        length = frame_to_ns(frames[case], RATE)
        annotation, problems = resolve(sheet, PROCEDURE, rate=RATE, length_ns=length, case=case)
        timing = time_case(annotation, PROCEDURE, Spans([Span(0, length)]))
        found[case] = (sheet, annotation, (*sheet.problems, *problems), timing)
    return found


def test_every_row_of_all_cases_is_understood(cases: dict[str, tuple]) -> None:  # type: ignore[type-arg]
    assert len(cases) == 101
    assert sum(len(annotation.segments) for _, annotation, _, _ in cases.values()) == 1266
    for _, _, problems, _ in cases.values():
        assert [str(p) for p in problems if p.severity.value == "error"] == []


def test_case_lengths(cases: dict[str, tuple]) -> None:  # type: ignore[type-arg]
    lengths = np.array([timing.observed_ns for *_, timing in cases.values()]) / 1e9
    assert round(lengths.sum() * 25) == 1_263_116
    assert lengths.mean() == pytest.approx(500.244, abs=5e-4)
    assert lengths.std(ddof=1) == pytest.approx(218.618, abs=5e-4)
    assert np.median(lengths) == pytest.approx(409.24, abs=1e-9)
    assert (lengths.min(), lengths.max()) == pytest.approx((227.56, 1111.12), abs=1e-9)


@pytest.mark.parametrize("expected", PHASES, ids=[row[0] for row in PHASES])
def test_phase(cases: dict[str, tuple], expected: tuple) -> None:  # type: ignore[type-arg]
    code, visits, n_cases, visit_mean, mean, sd, median, q1, q3, low, high = expected
    steps = [s for *_, timing in cases.values() for s in timing.steps if s.step.code == code]
    totals = np.array([step.active_ns for step in steps]) / 1e9
    every = [segment.span.length for step in steps for segment in step.segments]
    assert len(every) == visits
    assert len(totals) == n_cases
    assert np.mean(every) / 1e9 == pytest.approx(visit_mean, abs=5.01e-3)
    assert totals.mean() == pytest.approx(mean, abs=5.01e-3)
    assert totals.std(ddof=1) == pytest.approx(sd, abs=5.01e-3)
    assert np.quantile(totals, [0.5, 0.25, 0.75]) == pytest.approx([median, q1, q3], abs=5.01e-3)
    assert (totals.min(), totals.max()) == pytest.approx((low, high), abs=1e-9)


def test_shares(cases: dict[str, tuple]) -> None:  # type: ignore[type-arg]
    totals = dict.fromkeys((row[0] for row in PHASES), 0)
    for *_, timing in cases.values():
        for step in timing.steps:
            totals[step.step.code] += step.active_ns
    whole = sum(totals.values())
    assert whole / 1e9 == pytest.approx(49_355.16, abs=1e-6)
    assert [round(100 * total / whole, 2) for total in totals.values()] == SHARES


def test_case_269(cases: dict[str, tuple]) -> None:  # type: ignore[type-arg]
    _, annotation, _, timing = cases["269"]
    lengths = [segment.span.length / 1e9 for segment in annotation.segments]
    assert lengths == pytest.approx(CASE_269, abs=1e-9)
    assert timing.steps[-1].active_ns == 23_840_000_000  # 19.40 + 4.44
    assert timing.steps[-1].segments[1].span.length == 4_440_000_000


def test_lead_in_is_a_gap(cases: dict[str, tuple]) -> None:  # type: ignore[type-arg]
    first = np.array([a.segments[0].span.start for _, a, _, _ in cases.values()]) / 1e9
    assert first.mean() == pytest.approx(11.58, abs=5.01e-3)
    assert first.max() == pytest.approx(97.84, abs=1e-9)
    for _, annotation, _, timing in cases.values():
        assert timing.gap_ns == annotation.segments[0].span.start


def test_repeated_rows_are_told_not_merged(cases: dict[str, tuple]) -> None:  # type: ignore[type-arg]
    told: dict[str, int] = {}
    for sheet, annotation, _, _ in cases.values():
        by_line = {segment.line: segment.step.code for segment in annotation.segments}
        for problem in check(annotation, PROCEDURE, sheet):
            if problem.code == "same-step-again":
                code = by_line[problem.line]
                told[code] = told.get(code, 0) + 1
    assert told == {
        "tonifying_and_antibiotics": 73,
        "viscous_agent_injection": 16,
        "incision": 1,
        "phacoemulsification": 1,
        "lens_implant_setting_up": 1,
        "viscous_agent_removal": 1,
    }
