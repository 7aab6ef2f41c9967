"""Drawn operations: the same moment gives the same picture, steps look different, tones fit."""

from __future__ import annotations

import csv
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import av
import numpy as np
import pytest

from synthetic_clips import Operation, Scenario, draw_operation, load_scenario, read_number
from synthetic_clips.stage import Stage

NS = 1_000_000_000


@pytest.fixture(scope="module")
def small() -> Scenario:
    return replace(load_scenario("demo"), size=(320, 180))


@pytest.fixture(scope="module")
def drawn(small: Scenario, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A quarter of the demo's length, drawn and written."""
    path = tmp_path_factory.mktemp("drawn") / "operation.mp4"
    draw_operation(small.scaled(0.4), path)
    return path


def test_the_same_moment_is_drawn_the_same(small: Scenario) -> None:
    one, other = Operation(small), Operation(small)
    for number in (0, 500, 1000, 1750, 2000):
        first = one.yuv(number).copy()
        one.yuv((number + 777) % 2400)  # what was drawn before must leave no trace
        assert np.array_equal(one.yuv(number), first)
        assert np.array_equal(other.yuv(number), first)


def test_looks_change_the_picture(small: Scenario) -> None:
    plain = Operation(small).picture(1.0).astype(int)
    for look in (
        replace(small.look, iris=(70, 100, 140)),
        replace(small.look, pupil=0.5),
        replace(small.look, red_reflex=0.6),
        replace(small.look, seed=99),
    ):
        other = Operation(replace(small, look=look)).picture(1.0).astype(int)
        assert np.abs(plain - other).mean() > 1.0


def test_the_pupil_reddens_as_the_clouded_lens_is_removed(small: Scenario) -> None:
    operation = Operation(small)

    def redness(t: float) -> float:
        picture = operation.picture(t).astype(float)
        height, width = picture.shape[:2]
        blue, _, red = (
            picture[height // 2 - 20 : height // 2 + 5, width // 2 - 14 : width // 2 + 14]
            .reshape(-1, 3)
            .mean(axis=0)
        )
        return float(red / blue)

    assert redness(12.0) < redness(1.0)  # dyed
    assert redness(69.0) > 1.5 * redness(1.0)  # clear


def test_an_instrument_is_at_the_eye_during_steps_and_not_in_pauses(small: Scenario) -> None:
    stage = Stage(small)
    for step in small.steps:
        for share in (0.1, 0.4, 0.9):
            t = (step.start + share * (step.end - step.start)) / NS
            if any(x.start <= t * NS < x.end for x in small.excluded):
                continue
            tips = [np.hypot(*tool.tip) for tool in stage.tools(t)]
            assert tips, step.code
            assert min(tips) < 1.06
    pause = small.excluded[0]
    assert stage.tools((pause.start + pause.end) / 2 / NS) == []
    assert stage.tools(0.5) == []


def test_shares_grow_over_both_visits_and_stand_still_between(small: Scenario) -> None:
    stage = Stage(small)
    times = np.arange(0, 96, 0.2)
    for code in ("cortex_removal", "fragment_removal"):
        shares = [stage.share(code, t) for t in times]
        assert shares[0] == 0
        assert shares[-1] == pytest.approx(1)
        assert all(b >= a for a, b in pairwise(shares))
    assert stage.share("fragment_removal", 43.3) == pytest.approx(
        stage.share("fragment_removal", 46.3), abs=0.01
    )
    # worked by hand: visits of 6.4 s and 3.4 s
    assert stage.share("cortex_removal", 63.0) == pytest.approx(6.4 / 9.8)


def test_away_from_the_eye_the_picture_shows_cloth_alone(small: Scenario) -> None:
    operation = Operation(small)
    away = next(x for x in small.excluded if x.code == "out_of_eye")
    first = small.frame_of(away.start)
    for number, cloth in ((first - 1, False), (first, True), (small.frame_of(away.end), False)):
        blue, _, red = operation.picture(number / 25).reshape(-1, 3).mean(axis=0)
        assert bool(blue > red) is cloth


def test_every_frame_of_the_file_carries_its_number(small: Scenario, drawn: Path) -> None:
    with av.open(str(drawn)) as container:
        found = [
            read_number(frame.reformat(format="gray", width=160, height=90).to_ndarray())
            for frame in container.decode(video=0)
        ]
    assert found == list(range(600))


def test_a_tone_marks_each_step_start(small: Scenario, drawn: Path) -> None:
    with av.open(str(drawn)) as container:
        frames = list(container.decode(audio=0))
    samples = np.concatenate([f.to_ndarray().reshape(-1) for f in frames])
    first = frames[0].time
    assert first is not None
    loud = np.flatnonzero(np.abs(samples) > 0.2)
    starts = loud[np.flatnonzero(np.diff(loud, prepend=-48_000) > 4_800)] / 48_000 + first
    expected = [step.start / NS for step in small.scaled(0.4).steps]
    assert len(starts) == len(expected)
    assert np.abs(starts - expected).max() < 0.010


def test_annotation_captions_and_truth_stand_beside(drawn: Path) -> None:
    names = {path.name for path in drawn.parent.iterdir()}
    assert names == {"operation.mp4", "operation.truth.csv", "steps.csv", "captions.vtt"}
    with (drawn.parent / "operation.truth.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    # worked by hand: 12.2 to 15.0 s of 96 become 3.05 to 3.75 s of 24, at 25 frames a second
    row = next(row for row in rows if row["code"] == "main_incision")
    assert (row["start_frame"], row["end_frame"]) == ("76", "94")


def test_the_moments_shown_can_be_chosen(small: Scenario, tmp_path: Path) -> None:
    shown = [10, 11, 12, 12, 12, 40, 41]
    path = tmp_path / "chosen.mkv"
    draw_operation(small, path, source_frames=shown, audio=False, beside=False)
    with av.open(str(path)) as container:
        found = [
            read_number(f.reformat(format="gray").to_ndarray()) for f in container.decode(video=0)
        ]
    assert found == shown
    assert [p.name for p in tmp_path.iterdir()] == ["chosen.mkv"]


def test_progress_rises_to_one_and_interruption_leaves_nothing(
    small: Scenario, tmp_path: Path
) -> None:
    seen: list[float] = []
    short = replace(small, length=2 * NS)
    draw_operation(short, tmp_path / "a.mp4", beside=False, progress=seen.append)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0

    def stop(done: float) -> None:
        if done > 0.3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        draw_operation(short, tmp_path / "b.mp4", progress=stop)
    assert [p.name for p in tmp_path.iterdir()] == ["a.mp4"]
