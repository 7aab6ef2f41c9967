from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from synthetic_clips import make_clip, read_number
from vidseg.export.stills import (
    Still,
    plan_stills,
    scenes_of,
    still_problems,
    stills_of,
    write_chosen,
)
from vidseg.media.read.probe import open_recording
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.problem import Severity, UsageError
from vidseg.model.procedure import Kind, Step
from vidseg.model.recording import Recording
from vidseg.model.span import Span

MS = 1_000_000
RHEXIS = Step("capsulorhexis", "Capsulorhexis")
INCISION = Step("main-incision", "Main incision")
POLISH = Step("polish", "Polishing")
REMOVAL = Step("removal", "Lens removal", kind=Kind.PHASE)
OUTSIDE = Step("outside", "Camera outside the eye", kind=Kind.EXCLUDED)


def segment(step: Step, start_ms: int, end_ms: int, line: int | None = None) -> Segment:
    return Segment(step, Span(start_ms * MS, end_ms * MS), line=line)


def annotated(*segments: Segment, excluded: tuple[Segment, ...] = ()) -> Annotation:
    rows = tuple(sorted(segments, key=lambda s: s.span))
    return Annotation("case-1", "phaco", source="case-1.csv", segments=rows, excluded=excluded)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """200 numbered frames of 40 ms."""
    path = tmp_path_factory.mktemp("stills") / "a.mp4"
    make_clip(path, frames=200, gop=20, audio=False)
    return open_recording([path])


def number_in(path: Path) -> int | None:
    with Image.open(path) as image:
        return read_number(np.asarray(image.convert("L")))


def test_steps_are_numbered_in_order_of_first_start(recording: Recording) -> None:
    case = annotated(
        segment(RHEXIS, 2000, 3000), segment(INCISION, 0, 1000), segment(POLISH, 4000, 5000),
        segment(INCISION, 5000, 8000),
    )  # fmt: skip
    assert [plan.name for plan in plan_stills(case, recording)] == [
        "01-main-incision.jpg",
        "02-capsulorhexis.jpg",
        "03-polish.jpg",
    ]
    # A choice of steps keeps the numbers, so that a still keeps its name.
    chosen = plan_stills(case, recording, ["polish", "main-incision"])
    assert [plan.name for plan in chosen] == ["01-main-incision.jpg", "03-polish.jpg"]


def test_a_phase_comes_before_the_step_it_starts_with(recording: Recording) -> None:
    case = annotated(segment(RHEXIS, 0, 1000), segment(REMOVAL, 0, 900))
    assert [plan.step for plan in plan_stills(case, recording)] == [REMOVAL, RHEXIS]
    same = annotated(segment(INCISION, 0, 1000), segment(POLISH, 0, 1500))
    assert [plan.step for plan in plan_stills(same, recording)] == [POLISH, INCISION]


def test_an_unknown_step_is_refused_and_the_known_ones_named(recording: Recording) -> None:
    case = annotated(segment(RHEXIS, 0, 1000))
    with pytest.raises(UsageError, match="capsulorhexis") as refusal:
        plan_stills(case, recording, ["rexis"])
    assert "'rexis'" in str(refusal.value)


def test_visits_are_given_as_frames_the_longest_first(recording: Recording) -> None:
    case = annotated(segment(POLISH, 400, 1000), segment(POLISH, 1000, 3000))
    (plan,) = plan_stills(case, recording)
    assert plan.ranges == ((25, 75), (10, 25))


def write_stills(
    case: Annotation,
    recording: Recording,
    folder: Path,
    progress: Callable[[float], None] = lambda _: None,
) -> tuple[Still, ...]:
    plans = plan_stills(case, recording)
    scenes = scenes_of(plans, recording, ".")
    return stills_of(plans, scenes, write_chosen(scenes, folder, progress), folder)


def test_excluded_time_gives_no_still(recording: Recording, tmp_path: Path) -> None:
    excluded = (segment(OUTSIDE, 1000, 3600),)
    case = annotated(segment(RHEXIS, 0, 4000), segment(POLISH, 1200, 3000), excluded=excluded)
    rhexis, polish = plan_stills(case, recording)
    assert rhexis.ranges == ((0, 25), (90, 100))
    assert polish.ranges == ()
    (still,) = write_stills(case, recording, tmp_path)
    assert still.step is RHEXIS
    assert number_in(still.path) in {*range(25), *range(90, 100)}
    (problem,) = still_problems(case, [still])
    assert problem.code == "poor-still"
    assert "Polishing" in problem.message


def test_only_whole_frames_of_a_span_count(recording: Recording) -> None:
    # 410 ms lies in frame 10 (400 to 440 ms), 1030 ms in frame 25 (1000 to 1040 ms).
    (plan,) = plan_stills(annotated(segment(RHEXIS, 410, 1030)), recording)
    assert plan.ranges == ((11, 25),)


def test_parts_count_on(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", frames=50, gop=10, audio=False)
    make_clip(tmp_path / "b.mp4", frames=50, gop=10, audio=False, first_number=50)
    recording = open_recording([tmp_path / "a.mp4", tmp_path / "b.mp4"])
    case = annotated(segment(RHEXIS, 1600, 3000), segment(POLISH, 3000, 4000))
    first, second = plan_stills(case, recording)
    assert first.ranges in (((50, 75), (40, 50)), ((40, 50), (50, 75)))
    assert second.ranges == ((75, 100),)
    stills = write_stills(case, recording, tmp_path)
    assert [number_in(still.path) for still in stills] == [still.frame for still in stills]


def test_each_still_shows_the_frame_it_says(recording: Recording, tmp_path: Path) -> None:
    case = annotated(
        segment(INCISION, 0, 1200), segment(RHEXIS, 1200, 4000), segment(POLISH, 4000, 5000),
        segment(INCISION, 5000, 8000), segment(REMOVAL, 1000, 6000),
    )  # fmt: skip
    seen: list[float] = []
    stills = write_stills(case, recording, tmp_path, progress=seen.append)
    assert [still.path.name for still in stills] == [
        "01-main-incision.jpg",
        "02-removal.jpg",
        "03-capsulorhexis.jpg",
        "04-polish.jpg",
    ]
    assert sorted(path.name for path in tmp_path.iterdir()) == [s.path.name for s in stills]
    spans = {s.step.code: [] for s in case.segments}  # type: ignore[var-annotated]
    for one in case.segments:
        spans[one.step.code].append(one.span)
    for still in stills:
        assert number_in(still.path) == still.frame
        assert still.at_ns == still.frame * 40 * MS
        visits = spans[still.step.code]
        assert still.visits == len(visits)
        longest = max(visits, key=lambda span: span.length)
        assert visits[still.visit - 1] == longest
        fifth = longest.length // 5
        assert longest.start + fifth - 40 * MS <= still.at_ns < longest.end - fifth
    assert len({still.frame for still in stills}) == len(stills)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0


def test_running_again_gives_the_same_bytes(recording: Recording, tmp_path: Path) -> None:
    case = annotated(segment(INCISION, 0, 4000), segment(RHEXIS, 4000, 8000))
    runs = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        stills = write_stills(case, recording, tmp_path / name)
        runs.append([still.path.read_bytes() for still in stills])
    assert len(runs[0]) == 2
    assert runs[0] == runs[1]


def test_stills_that_are_poor_are_noted(recording: Recording) -> None:
    case = annotated(segment(INCISION, 0, 2000, line=2), segment(RHEXIS, 2000, 4000, line=3))
    stills = [
        Still(1, INCISION, 1, 1, 20, 800 * MS, Path("01-main-incision.jpg")),
        Still(2, RHEXIS, 1, 1, 70, 2800 * MS, Path("02-capsulorhexis.jpg"), "blown out"),
    ]
    (problem,) = still_problems(case, stills)
    assert (problem.code, problem.severity) == ("poor-still", Severity.NOTE)
    assert (problem.source, problem.line) == ("case-1.csv", 3)
    assert "Capsulorhexis at 0:00:02.800" in problem.message
    assert "blown out" in problem.message
    missing = still_problems(case, stills[1:], ["main-incision"])
    assert ["no still of Main incision" in p.message for p in missing] == [True]
    assert still_problems(case, stills, ["main-incision"]) == ()


def test_a_code_makes_a_file_name_that_every_system_takes(recording: Recording) -> None:
    case = annotated(segment(Step('i/a: "two"?', "Irrigation"), 0, 1000))
    (plan,) = plan_stills(case, recording)
    assert plan.name == "01-i-a---two--.jpg"
