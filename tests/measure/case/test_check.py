"""Every problem code against its broken example."""

from pathlib import Path

import numpy as np
import pytest

from vidseg.formats import read_sheet
from vidseg.formats.vocabulary import load_procedure
from vidseg.measure.case.check import check
from vidseg.measure.case.resolve import resolve
from vidseg.model.problem import CODES, Problem
from vidseg.model.recording import Part, Recording

ROOT = Path(__file__).resolve().parents[3]
BROKEN = sorted((ROOT / "annotations" / "broken").iterdir())
READ_WITHOUT_RECORDING = {"no-clock"}
# What follows from an example being short, or from a row in error: other steps have no row, and
# times that fit no frame of the made-up recording.
FOLLOWS = {"required-step-missing", "between-frames"}
# Which case is meant is not known, so no row is taken.
FOLLOWS_IN = {"several-cases": {"no-steps"}}


def problems_of(path: Path, recording: Recording | None) -> tuple[Problem, ...]:
    procedure = load_procedure("phaco")
    sheet = read_sheet(path)
    annotation, unresolved = resolve(sheet, procedure, recording)
    return (*sheet.problems, *unresolved, *check(annotation, procedure, sheet, recording))


@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.name)
def test_broken_example_shows_its_code_and_no_other(path: Path, ten_minutes: Recording) -> None:
    recording = None if path.stem in READ_WITHOUT_RECORDING else ten_minutes
    found = problems_of(path, recording)
    codes = {problem.code for problem in found}
    assert path.stem in codes
    follows = FOLLOWS | FOLLOWS_IN.get(path.stem, set())
    assert codes - {path.stem} <= follows, [str(p) for p in found]
    for problem in found:
        assert problem.severity is CODES[problem.code][0]
        assert problem.source == path.name


LINES = {
    "unknown-step.csv": 6,
    "near-miss-step.csv": 5,
    "no-end.csv": 6,
    "ends-before-start.csv": 6,
    "outside-recording.csv": 11,
    "duplicate-row.csv": 5,
    "forbidden-overlap.csv": 5,
    "rows-not-in-order.csv": 5,
}


@pytest.mark.parametrize(("name", "line"), LINES.items())
def test_the_line_is_told(name: str, line: int, ten_minutes: Recording) -> None:
    found = problems_of(ROOT / "annotations" / "broken" / name, ten_minutes)
    assert [problem.line for problem in found] == [line]


def test_a_near_miss_suggests_the_nearest(ten_minutes: Recording) -> None:
    path = ROOT / "annotations" / "broken" / "near-miss-step.csv"
    (problem,) = problems_of(path, ten_minutes)
    assert "did you mean" in problem.message
    assert "capsulorhexis" in problem.message


def test_all_rows_are_reported_in_one_go(tmp_path: Path, ten_minutes: Recording) -> None:
    path = tmp_path / "steps.csv"
    path.write_text(
        "start,end,step\n"
        "0:10,0:30,main_incision\n"
        "x,0:35,capsulorhexis\n"
        "0:40,0:38,capsulorhexis\n"
        "0:45,0:50,nonsense\n"
        "20:00,21:00,wound_closure\n",
        encoding="utf-8",
    )
    errors = {
        (problem.code, problem.line)
        for problem in problems_of(path, ten_minutes)
        if problem.severity.value == "error"
    }
    assert errors == {
        ("bad-time", 3),
        ("ends-before-start", 4),
        ("unknown-step", 5),
        ("outside-recording", 6),
    }


def test_overlap_that_the_vocabulary_allows_is_no_problem() -> None:
    from vidseg.model.annotation import Annotation, Segment, Sheet
    from vidseg.model.procedure import Procedure, Step
    from vidseg.model.span import Span

    cut, hold = Step("cut", "Cut", overlaps=("hold",)), Step("hold", "Hold")
    vocabulary = Procedure("t", "T", "1", "invented", (cut, hold))
    rows = (Segment(cut, Span(0, 10)), Segment(hold, Span(5, 15)))
    annotation = Annotation("c", "t", segments=rows)
    found = check(annotation, vocabulary, Sheet("s", ()))
    assert [problem.code for problem in found] == []


def test_the_made_up_recording_is_what_the_examples_assume(ten_minutes: Recording) -> None:
    assert ten_minutes.length == 600_000_000_000
    assert isinstance(ten_minutes.parts[0], Part)
    assert np.all(np.diff(ten_minutes.parts[0].frame_ns) == 40_000_000)
