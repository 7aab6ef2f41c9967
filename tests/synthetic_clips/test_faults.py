"""Planted faults: what each frame of the file shows, when, and that the truth says so."""

import csv
import io
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pytest

from synthetic_clips import Scenario, load_scenario, read_number
from synthetic_clips.faults import FAULTS, Fault, Planted, faults_csv, plant, write_reel


@pytest.fixture(scope="module")
def small() -> Scenario:
    return replace(load_scenario("demo"), size=(320, 180))


def shown(path: Path) -> list[int | None]:
    with av.open(str(path)) as container:
        return [
            read_number(frame.reformat(format="gray").to_ndarray())
            for frame in container.decode(video=0)
        ]


# Worked by hand for ten moments 0 to 9, the fault at moment 4.
@pytest.mark.parametrize(
    ("fault", "numbers", "times", "planted"),
    [
        (Fault("cut", 4, 3), [0, 1, 2, 3, 7, 8, 9], None, Planted("cut", 4, 4, 3)),
        (
            Fault("freeze", 4, 3),
            [0, 1, 2, 3, 4, 4, 4, 7, 8, 9],
            None,
            Planted("freeze", 4, 7, 2),
        ),
        (
            Fault("repeat", 4, 2),
            [0, 1, 2, 3, 4, 4, 4, 5, 6, 7, 8, 9],
            None,
            Planted("repeat", 5, 7, 0),
        ),
        (
            Fault("drop", 4, 2),
            [0, 1, 2, 3, 6, 7, 8, 9],
            [0, 1, 2, 3, 6, 7, 8, 9],
            Planted("drop", 4, 4, 2),
        ),
        (
            Fault("fast", 4, 4, 2),
            [0, 1, 2, 3, 4, 6, 8, 9],
            None,
            Planted("fast", 4, 6, 2),
        ),
        (
            Fault("slow", 4, 2, 2),
            [0, 1, 2, 3, 4, 4, 5, 5, 6, 7, 8, 9],
            None,
            Planted("slow", 4, 8, 0),
        ),
        (
            Fault("slide", 4, 2),
            [0, 1, 2, 3, 4, 4, 4, 5, 6, 7, 8, 9],
            None,
            Planted("slide", 4, 6, 0),
        ),
        (Fault("black", 4, 2), list(range(10)), None, Planted("black", 4, 6, 2)),
    ],
    ids=lambda value: value.kind if isinstance(value, Fault) else "",
)
def test_reels_worked_by_hand(
    fault: Fault, numbers: list[int], times: list[int] | None, planted: Planted
) -> None:
    reel = plant(10, [fault])
    found = [shot.number for shot in reel.shots]
    if fault.kind == "black":
        assert [shot.card for shot in reel.shots[4:6]] == ["black", "black"]
        found[4:6] = [4, 5]
    assert found == numbers
    assert list(reel.times) == (times or list(range(len(numbers))))
    assert reel.even is (times is None)
    assert reel.planted == (planted,)


def test_several_faults_move_each_other() -> None:
    # slide (+5 frames), then cut (-10), then pause: all counted in frames of the file
    reel = plant(100, [Fault("pause", 60, 7), Fault("slide", 10, 5), Fault("cut", 30, 10)])
    assert reel.planted == (
        Planted("slide", 10, 15, 0),
        Planted("cut", 35, 35, 10),
        Planted("pause", 55, 55, 7),
    )
    assert reel.times[55] - reel.times[54] == 8
    assert len(reel.shots) == 100 + 5 - 10 - 7


def test_a_fade_goes_to_black_and_back() -> None:
    gains = [shot.gain for shot in plant(60, [Fault("fade", 20, 21)]).shots]
    assert gains[20] == gains[40] == 1.0
    assert min(gains) == gains[30] == 0.0
    assert gains[20:31] == sorted(gains[20:31], reverse=True)


def test_distractors_are_no_faults() -> None:
    reel = plant(100, [Fault("flash", 10, 2), Fault("nudge", 30, 5), Fault("sweep", 60, 8)])
    assert reel.planted == ()
    assert reel.shots[10].gain > 1
    assert reel.shots[29].shift == 0
    assert reel.shots[34].shift == reel.shots[99].shift > 0


@pytest.mark.parametrize(
    "faults",
    [
        [Fault("jitter", 10)],
        [Fault("cut", 10, 20), Fault("freeze", 15, 5)],
        [Fault("cut", 90, 20)],
        [Fault("black", 10, 0)],
    ],
)
def test_impossible_plans_are_refused(faults: list[Fault]) -> None:
    with pytest.raises(ValueError, match=r"no fault|meets another|1 or more"):
        plant(100, faults)


def test_the_file_shows_what_the_reel_says(small: Scenario, tmp_path: Path) -> None:
    faults = [Fault("cut", 8, 5), Fault("freeze", 18, 4), Fault("repeat", 26), Fault("drop", 32, 2)]
    reel = plant(45, faults)
    path = tmp_path / "faults.mp4"
    write_reel(small, reel, path, grain=3.0, beside=True)
    assert shown(path) == [shot.number for shot in reel.shots]
    with av.open(str(path)) as container:
        frames = list(container.decode(video=0))
        times = [round(f.time * 25) for f in frames if f.time is not None]
    assert times == list(reel.times)
    rows = list(csv.DictReader(io.StringIO((tmp_path / "faults.faults.csv").read_text("utf-8"))))
    assert [row["kind"] for row in rows] == ["cut", "freeze", "repeat", "drop"]
    assert (tmp_path / "faults.faults.csv").read_text("utf-8") == faults_csv(reel)


def test_cards_and_grain(small: Scenario, tmp_path: Path) -> None:
    reel = plant(40, [Fault("black", 5, 3), Fault("blank", 15, 3), Fault("slide", 25, 3)])
    path = tmp_path / "cards.mkv"
    write_reel(small, reel, path, numbered=False, options={"crf": "10"})
    with av.open(str(path)) as container:
        luma = [f.reformat(format="gray").to_ndarray() for f in container.decode(video=0)]
    black, blank, slide = luma[6], luma[16], luma[26]
    assert black.max() < 20
    assert blank.std() < 2 < blank.mean()
    assert slide.max() > 200
    assert np.abs(luma[25].astype(int) - luma[27].astype(int)).mean() < 0.5


def test_grain_belongs_to_the_moment(small: Scenario, tmp_path: Path) -> None:
    reel = plant(12, [Fault("freeze", 5, 4)])
    path = tmp_path / "grain.mkv"
    write_reel(small, reel, path, grain=5.0, numbered=False, codec="ffv1", options={})
    with av.open(str(path)) as container:
        luma = [f.reformat(format="gray").to_ndarray() for f in container.decode(video=0)]
    assert np.array_equal(luma[5], luma[8])
    assert np.abs(luma[4].astype(int) - luma[5].astype(int)).mean() > 3


def test_parts_of_a_reel_keep_their_faults() -> None:
    reel = plant(100, [Fault("cut", 20, 10), Fault("freeze", 60, 5)])
    first, second = reel.part(0, 40), reel.part(40, 90)
    assert first.planted == (Planted("cut", 20, 20, 10),)
    assert second.planted == (Planted("freeze", 10, 15, 4),)
    assert [s.number for s in (*first.shots, *second.shots)] == [s.number for s in reel.shots]


def test_every_kind_is_described() -> None:
    for kind in FAULTS:
        reel = plant(400, [Fault(kind, 50, 20)])
        assert [p.kind for p in reel.planted] == [kind]
