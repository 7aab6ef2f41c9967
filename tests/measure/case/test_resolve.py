"""Marks to segments: labels, clocks, snapping, starts-only lists, open edges."""

from fractions import Fraction

import numpy as np
import pytest

from vidseg.formats.vocabulary import load_procedure
from vidseg.measure.case.resolve import resolve
from vidseg.model.annotation import Edge, Frame, Mark, Moment, Sheet, Timecode
from vidseg.model.clock import NS
from vidseg.model.recording import Recording

PHACO = load_procedure("phaco")


def sheet(*rows: tuple[str, Moment | Edge, Moment | Edge | None], starts: bool = False) -> Sheet:
    marks = tuple(Mark(label, a, b, line=i) for i, (label, a, b) in enumerate(rows, 2))
    return Sheet("steps.csv", marks, starts_only=starts)


def spans(found: object) -> list[tuple[str, float, float]]:
    return [(s.step.code, s.span.start / NS, s.span.end / NS) for s in found]  # type: ignore[attr-defined]


def test_times_are_snapped_to_the_nearest_frame(ten_minutes: Recording) -> None:
    # frames at 0.040 s: 10.019 -> 10.000 (tie rule not met), 10.020 ties to the earlier
    rows = sheet(("rhexis", 10_019_000_000, 20_021_000_000), ("hydro", 30_020_000_000, 40 * NS))
    annotation, _ = resolve(rows, PHACO, ten_minutes)
    assert spans(annotation.segments) == [
        ("capsulorhexis", 10.0, 20.04),
        ("hydrodissection", 30.0, 40.0),
    ]


def test_frame_numbers_and_timecode(ten_minutes: Recording) -> None:
    rows = sheet(
        ("rhexis", Frame(250), Frame(500)), ("hydro", Timecode("00:00:30:05"), Frame(1000))
    )
    with_recording, problems = resolve(rows, PHACO, ten_minutes)
    assert not problems
    assert spans(with_recording.segments) == [
        ("capsulorhexis", 10.0, 20.0),
        ("hydrodissection", 30.2, 40.0),
    ]
    with_rate, problems = resolve(rows, PHACO, rate=Fraction(25))
    assert not problems
    assert with_rate.segments == with_recording.segments


def test_frame_numbers_need_a_clock() -> None:
    annotation, problems = resolve(sheet(("rhexis", Frame(250), Frame(500))), PHACO)
    assert [p.code for p in problems] == ["no-clock"]
    assert annotation.segments == ()


def test_frame_beyond_the_recording(ten_minutes: Recording) -> None:
    _, problems = resolve(sheet(("rhexis", Frame(14_900), Frame(15_001))), PHACO, ten_minutes)
    assert [(p.code, p.line) for p in problems] == [("outside-recording", 2)]
    annotation, problems = resolve(
        sheet(("rhexis", Frame(14_900), Frame(15_000))), PHACO, ten_minutes
    )
    assert not problems
    assert annotation.segments[0].span.end == ten_minutes.length


def test_starts_only_rows_run_until_the_next(ten_minutes: Recording) -> None:
    rows = sheet(
        ("main incision", 10 * NS, None),
        ("small pupil", 15 * NS, None),
        ("rhexis", 20 * NS, None),
        ("pause", 30 * NS, None),
        ("rhexis", 40 * NS, None),
        ("rhexis", 50 * NS, None),
        ("end", 60 * NS, None),
        ("wound closure", 590 * NS, None),
        starts=True,
    )
    annotation, problems = resolve(rows, PHACO, ten_minutes)
    assert not problems
    assert spans(annotation.segments) == [
        ("main_incision", 10, 20),
        ("capsulorhexis", 20, 30),
        ("capsulorhexis", 40, 50),
        ("capsulorhexis", 50, 60),
        ("wound_closure", 590, 600),
    ]
    assert spans(annotation.excluded) == [("pause", 30, 40)]
    assert [(e.step.code, e.at / NS) for e in annotation.events] == [("small_pupil", 15)]
    assert not annotation.segments[-1].open_end


def test_a_phase_in_a_starts_only_list_outlives_its_steps(ten_minutes: Recording) -> None:
    rows = sheet(
        ("access phase", 5 * NS, None),
        ("main incision", 10 * NS, None),
        ("rhexis", 20 * NS, None),
        ("lens removal phase", 30 * NS, None),
        ("hydro", 31 * NS, None),
        ("end", 40 * NS, None),
        starts=True,
    )
    annotation, _ = resolve(rows, PHACO, ten_minutes)
    assert spans(annotation.segments) == [
        ("access_phase", 5, 30),
        ("main_incision", 10, 20),
        ("capsulorhexis", 20, 30),
        ("lens_removal_phase", 30, 40),
        ("hydrodissection", 31, 40),
    ]


def test_open_edges(ten_minutes: Recording) -> None:
    rows = sheet(("rhexis", Edge.OPEN, 12 * NS), ("wound closure", 590 * NS, Edge.OPEN))
    annotation, problems = resolve(rows, PHACO, ten_minutes)
    assert not problems
    first, last = annotation.segments
    assert (first.span.start, first.open_start, first.open_end) == (0, True, False)
    assert (last.span.end, last.open_start, last.open_end) == (600 * NS, False, True)
    _, problems = resolve(rows, PHACO)
    assert [(p.code, p.line) for p in problems] == [("no-clock", 3)]
    annotation, problems = resolve(rows, PHACO, length_ns=600 * NS)
    assert not problems


def test_half_a_frame_past_the_end_is_still_the_end(ten_minutes: Recording) -> None:
    rows = sheet(("wound closure", 590 * NS, 600_015_000_000))
    annotation, problems = resolve(rows, PHACO, ten_minutes)
    assert annotation.segments[0].span.end == 600 * NS
    assert "outside-recording" not in {p.code for p in problems}


def test_between_frames_tells_how_many_and_how_far(ten_minutes: Recording) -> None:
    rows = sheet(("rhexis", 10_013_000_000, 20_000_500_000))
    _, problems = resolve(rows, PHACO, ten_minutes)
    assert [p.code for p in problems] == ["between-frames"]
    assert "1 written time" in problems[0].message
    assert "13.0 ms" in problems[0].message


@pytest.mark.parametrize("label", ["Kapsulorhexis", "capsulorehxis", "hydrodisection"])
def test_near_misses_are_not_repaired(label: str, ten_minutes: Recording) -> None:
    annotation, problems = resolve(sheet((label, 10 * NS, 20 * NS)), PHACO, ten_minutes)
    assert [p.code for p in problems] == ["near-miss-step"]
    assert annotation.segments == ()


def test_every_millisecond_time_hits_its_frame_at_a_variable_rate(ten_minutes: Recording) -> None:
    from dataclasses import replace

    steps = np.tile([33_366_667, 50_000_000, 16_683_333], 500)
    times = np.concatenate([[0], np.cumsum(steps)])
    part = replace(ten_minutes.parts[0], frame_ns=times[:-1], length=int(times[-1]))
    recording = Recording((part,))
    for index in range(0, 1500, 13):
        written = round(int(times[index]) / 1e6) * 1_000_000
        assert recording.snap(written) == times[index]
