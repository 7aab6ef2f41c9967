"""The example case: durations worked by hand in truth.toml, whatever format it is read from."""

import tomllib
from fractions import Fraction
from pathlib import Path

import pytest

from vidseg.formats import read_sheet
from vidseg.model.case import Reading
from vidseg.model.clock import NS
from vidseg.reading import understand

EXAMPLE = Path(__file__).resolve().parents[1] / "annotations" / "example"
TRUTH = tomllib.loads((EXAMPLE / "truth.toml").read_text(encoding="utf-8"))
FORMATS = sorted(p.name for p in EXAMPLE.iterdir() if p.stem.startswith("steps"))


def ns(seconds: float) -> int:
    return round(Fraction(str(seconds)) * NS)


def reading(name: str) -> Reading:
    return understand(
        read_sheet(EXAMPLE / name),
        procedure="phaco",
        rate=Fraction(TRUTH["rate"]),
        length_ns=ns(TRUTH["length_s"]),
    )


@pytest.mark.parametrize("name", FORMATS)
def test_durations_are_those_worked_by_hand(name: str) -> None:
    timing = reading(name).timing
    assert {found.step.code for found in timing.steps} == set(TRUTH["steps"])
    for found in timing.steps:
        expected = TRUTH["steps"][found.step.code]
        assert found.active_ns == ns(expected["active_s"]), found.step.code
        assert found.elapsed_ns == ns(expected["elapsed_s"]), found.step.code
        assert found.interrupted_ns == ns(expected["interrupted_s"]), found.step.code
        assert len(found.segments) == expected["segments"]


@pytest.mark.parametrize("name", FORMATS)
def test_sums_are_those_worked_by_hand(name: str) -> None:
    timing, expected = reading(name).timing, TRUTH["case"]
    assert timing.excluded_ns == ns(expected["excluded_s"])
    assert timing.observed_ns == ns(expected["observed_s"])
    levels = {level.level.value: level for level in timing.levels}
    for level in ("step", "phase"):
        assert levels[level].covered_ns == ns(expected[f"{level}_covered_s"])
        assert levels[level].gap_ns == ns(expected[f"{level}_gap_s"])


def test_open_edges_and_events_of_the_table() -> None:
    found = reading("steps.csv")
    for step in found.timing.steps:
        assert step.open_end is TRUTH["steps"][step.step.code].get("open_end", False)
        assert not step.open_start
    assert [(e.step.code, e.at) for e in found.annotation.events] == [
        ("small_pupil", ns(30)),
        ("intracameral_antibiotic", ns(650)),
    ]
    assert [p.code for p in found.problems if p.severity.value != "note"] == []


def test_the_example_is_there_in_every_format() -> None:
    suffixes = {Path(name).suffix for name in FORMATS}
    from vidseg.formats import FORMATS as KNOWN

    assert suffixes == set(KNOWN)
