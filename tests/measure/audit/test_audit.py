"""Findings from numbers alone: made-up surveys in which one thing is wrong."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vidseg.measure.audit.audit import audit
from vidseg.measure.audit.cuts import across, nearby
from vidseg.measure.audit.track import as_track, runs
from vidseg.model.finding import FINDINGS, Finding
from vidseg.model.recording import AudioTrack, Part, Recording
from vidseg.model.survey import PartSurvey, Survey

MS = 1_000_000
EVERY = 40 * MS


def part(times_ms: list[int] | None = None, count: int = 500, start: int = 0, **facts: Any) -> Part:
    frame_ns = np.arange(count) * EVERY if times_ms is None else np.array(times_ms) * MS
    frame_ns = frame_ns.astype(np.int64)
    even = bool((np.diff(frame_ns) == EVERY).all())
    given: dict[str, Any] = {
        "path": Path("made-up.mp4"),
        "start": start,
        "length": int(frame_ns[-1]) + EVERY,
        "frame_ns": frame_ns,
        "width": 640,
        "height": 360,
        "container": "mp4",
        "codec": "h264",
        "profile": "High",
        "pixel_format": "yuv420p",
        "rate": Fraction(25),
        "time_base": Fraction(1, 12800),
        "first_pts": 0,
        "constant_rate": even,
    }
    return Part(**(given | facts))


def lively(count: int = 500, seed: int = 0) -> PartSurvey:
    """Steady movement with a little chance in it: frame t is 1 luma step from t - 1, and so on."""
    rng = np.random.default_rng(seed)
    lags = np.arange(1, 5) * rng.uniform(0.8, 1.2, (count, 1)).astype(np.float32)
    key = np.zeros(count, np.bool_)
    key[::50] = True
    return PartSurvey(
        frame=np.arange(count),
        luma=np.full(count, 120, np.float32),
        spread=np.full(count, 50, np.float32),
        dark=np.zeros(count, np.float32),
        flat=np.full(count, 0.2, np.float32),
        raw=lags[:, 0].astype(np.float32),
        change=(0.6 * lags).astype(np.float32),
        local=(4 * lags).astype(np.float32),
        shift_x=np.full(count, 0.1, np.float32),
        shift_y=np.zeros(count, np.float32),
        firm=np.full(count, 0.9, np.float32),
        histogram=np.full(count, 0.01, np.float32),
        sharpness=np.full(count, np.nan, np.float32),
        key=key,
        corrupt=np.zeros(count, np.bool_),
        untimed=(),
        undecodable=0,
        fields=0.0,
        flagged=0.0,
        promised=None,
        head=np.zeros((0, 36, 64), np.uint8),
        tail=np.zeros((0, 36, 64), np.uint8),
    )


def judged(seen: PartSurvey, made: Part | None = None) -> list[Finding]:
    return list(audit(Survey((seen,)), Recording((made or part(),))))


def jump(seen: PartSurvey, place: int, change: float, local: float) -> None:
    """Let all frames from ``place`` on differ from all before it."""
    for ahead in range(4):
        seen.change[place + ahead, ahead:] += change
        seen.local[place + ahead, ahead:] += local


def codes(found: list[Finding]) -> list[str]:
    return [finding.code for finding in found]


def test_steady_movement_has_no_finding() -> None:
    assert judged(lively()) == []


def test_a_jump_is_a_cut_before_its_frame() -> None:
    seen = lively()
    jump(seen, 222, 6, 25)
    (cut,) = judged(seen)
    assert (cut.code, cut.start, cut.end) == ("hard-cut", 222 * EVERY, 222 * EVERY)
    assert cut.score > 0.6


def test_a_flash_is_none() -> None:
    """Frames 222 and 223 differ from all others, which do not differ from each other."""
    seen = lively()
    for place, lags in ((222, range(4)), (223, range(1, 4)), (224, (0, 1)), (225, (1, 2))):
        seen.change[place, list(lags)] += 8
        seen.local[place, list(lags)] += 30
    seen.change[226, [2, 3]] += 8
    seen.local[226, [2, 3]] += 30
    assert judged(seen) == []


def test_quick_movement_is_none() -> None:
    """Five frames of movement ten times as quick: every pair differs, and so do neighbours."""
    seen = lively()
    for place in range(222, 227):
        for lag in range(4):
            seen.change[place + lag, lag:] += 6
            seen.local[place + lag, lag:] += 25
    assert judged(seen) == []


def test_key_frames_that_pop_are_none_and_a_cut_at_one_is() -> None:
    seen = lively()
    for place in range(50, 500, 50):
        jump(seen, place, 4, 8)
    assert judged(seen) == []
    jump(seen, 250, 12, 40)
    assert [(f.code, f.start) for f in judged(seen)] == [("hard-cut", 250 * EVERY)]


def test_cuts_are_found_where_all_key_frames_are_cuts() -> None:
    seen = lively()
    seen.key[:] = False
    places = [0, 60, 120, 180, 240, 300]
    seen.key[places] = True
    for place in places[1:]:
        jump(seen, place, 30, 80)
    assert [f.start // EVERY for f in judged(seen)] == places[1:]


def held(seen: PartSurvey, first: int, last: int) -> None:
    """Let frames after ``first`` up to ``last`` be the same picture."""
    for name in ("change", "local"):
        getattr(seen, name)[first + 1 : last] = 0
    seen.raw[first + 1 : last] = 0


def test_a_held_picture_is_frozen_and_explains_its_jump() -> None:
    seen = lively()
    held(seen, 200, 240)
    jump(seen, 240, 8, 30)
    (frozen,) = judged(seen)
    assert (frozen.code, frozen.start, frozen.end) == ("frozen-span", 200 * EVERY, 240 * EVERY)


def test_a_quiet_scene_is_not_frozen() -> None:
    """Movement so slow that single steps are below notice, before and after as well."""
    seen = lively()
    seen.change[:] = 0.02
    seen.local[:] = 0.2
    assert judged(seen) == []


def test_a_picture_unlike_both_sides_is_a_title() -> None:
    seen = lively()
    held(seen, 200, 240)
    for place in (200, 240):
        jump(seen, place, 60, 120)
        seen.raw[place], seen.histogram[place] = 60, 0.9
    (title,) = judged(seen)
    assert (title.code, title.start, title.end) == ("still-picture", 200 * EVERY, 240 * EVERY)


@pytest.mark.parametrize(
    ("luma", "spread", "flat", "code"),
    [(4, 2, 1.0, "black-span"), (80, 1, 1.0, "blank-span"), (4, 30, 0.6, None)],
)
def test_black_and_blank(luma: float, spread: float, flat: float, code: str | None) -> None:
    seen = lively()
    seen.luma[100:110], seen.spread[100:110], seen.flat[100:110] = luma, spread, flat
    for place in (100, 110):
        jump(seen, place, 70, 120)
    found = judged(seen)
    if code is None:
        assert codes(found) == ["hard-cut", "hard-cut"]
    else:
        assert [(f.code, f.start, f.end) for f in found] == [(code, 100 * EVERY, 110 * EVERY)]


def test_a_fade_is_no_cut_to_black() -> None:
    seen = lively()
    ramp = np.concatenate([np.linspace(120, 0, 12), np.zeros(2), np.linspace(0, 120, 12)])
    seen.luma[200:226] = ramp
    seen.spread[200:226] = ramp * 0.4
    (fade,) = judged(seen)
    assert fade.code == "fade"
    assert abs(fade.start - 200 * EVERY) <= 2 * EVERY
    assert abs(fade.end - 226 * EVERY) <= 2 * EVERY


def test_a_repeated_frame() -> None:
    seen = lively()
    seen.change[222, 0], seen.local[222, 0] = 0.02, 0.1
    (again,) = judged(seen)
    assert (again.code, again.start, again.end) == ("duplicated-frames", 222 * EVERY, 223 * EVERY)


def test_repeats_at_an_even_distance_are_one_finding() -> None:
    seen = lively()
    places = list(range(107, 400, 25))
    seen.change[places, 0], seen.local[places, 0] = 0.02, 0.1
    (again,) = judged(seen)
    assert again.code == "duplicated-frames"
    assert (again.start, again.end) == (107 * EVERY, 383 * EVERY)
    assert "about 25" in again.evidence


def test_every_picture_twice_is_slowed_down() -> None:
    seen = lively()
    seen.change[201:360:2], seen.local[201:360:2] = 0.03, 0.2
    (slow,) = judged(seen)
    assert slow.code == "slowed-down"
    assert abs(slow.start - 200 * EVERY) < 30 * EVERY
    assert abs(slow.end - 360 * EVERY) < 30 * EVERY


def test_all_movement_four_times_as_fast_is_a_suspicion() -> None:
    seen = lively()
    for name in ("change", "local", "shift_x"):
        getattr(seen, name)[200:280] *= 4
    (fast,) = [f for f in judged(seen) if f.code != "hard-cut"]
    assert fast.code == "speeded-up"
    assert abs(fast.start - 200 * EVERY) < 10 * EVERY
    assert abs(fast.end - 280 * EVERY) < 10 * EVERY
    assert fast.score < 0.75


# --- the file's own times ---


def test_gap_and_dropped_frames_worked_by_hand() -> None:
    times = [40 * i for i in range(500)]
    times = [t + (80 if i >= 100 else 0) + (3000 if i >= 300 else 0) for i, t in enumerate(times)]
    seen = lively()
    jump(seen, 300, 10, 40)  # what moved in three seconds: no cut, the file says so
    found = judged(seen, part(times))
    assert [(f.code, f.start // MS, f.end // MS) for f in found] == [
        ("dropped-frames", 3960, 4080),
        ("time-gap", 12040, 15080),
    ]
    assert "2 frame(s)" in found[0].evidence


def test_variable_rate_gives_its_distribution() -> None:
    times = np.cumsum([0] + [20 if i % 2 else 60 for i in range(499)]).tolist()
    (found,) = judged(lively(), part(times))
    assert found.code == "variable-rate"
    assert (found.start, found.end) == (0, part(times).length)
    assert "shortest 20.0, longest 60.0" in found.evidence


def test_times_that_go_back_are_placed() -> None:
    found = judged(replace(lively(), untimed=(100, 101, 300)))
    assert [(f.code, f.start // EVERY) for f in found] == [
        ("repeated-times", 99),
        ("repeated-times", 299),
    ]
    assert found[0].evidence.startswith("2 frame(s)")
    (whole,) = judged(lively(), part(pts_order=False))
    assert (whole.code, whole.length) == ("repeated-times", part().length)


def test_sound_of_another_length() -> None:
    second = 1000 * MS
    sound = AudioTrack(1, "aac", 48000, 1, "", 0, 18 * second)
    (found,) = judged(lively(), part(audio=(sound,)))
    assert (found.code, found.start, found.end) == ("sound-length", 18 * second, 20 * second)
    good = replace(sound, length_ns=20 * second - 300 * MS)
    assert judged(lively(), part(audio=(good,))) == []


def test_promise_of_the_header() -> None:
    (found,) = judged(replace(lively(), promised=30_000 * MS))
    assert (found.code, found.start, found.end) == ("cut-short", part().length, part().length)
    assert judged(replace(lively(), promised=20_300 * MS)) == []


def test_damage_and_fields() -> None:
    seen = replace(lively(), flagged=1.0, fields=0.9)
    seen.corrupt[[100, 103, 400]] = True
    found = judged(seen)
    assert codes(found) == ["interlaced", "damaged-frames", "damaged-frames"]
    assert (found[1].start, found[1].end) == (100 * EVERY, 104 * EVERY)
    silent = judged(replace(lively(), fields=0.9))
    assert "does not say so" in silent[0].evidence


# --- several files ---


def test_a_jump_between_files_and_a_hole_on_the_clock() -> None:
    first, second = part(), part(start=part().length + 5000 * MS)
    before, after = lively(), lively(seed=1)
    jump(after, 0, 8, 30)
    (found,) = audit(Survey((before, after)), Recording((first, second)))
    assert found.code == "jump-at-join"
    assert (found.start, found.end) == (first.length, second.start)


def test_overlap_of_two_files() -> None:
    rng = np.random.default_rng(2)
    film = rng.integers(0, 255, (160, 36, 64)).astype(np.uint8)
    before = replace(lively(), tail=film[:100])
    after = replace(lively(seed=1), head=film[70:])
    jump(after, 0, 8, 30)
    first, second = part(), part(start=part().length)
    (found,) = audit(Survey((before, after)), Recording((first, second)))
    assert found.code == "overlapping-parts"
    assert (found.start, found.end) == (second.start, second.start + 30 * EVERY)
    assert found.score > 0.9
    unlike = replace(after, head=film[100:])
    assert codes(list(audit(Survey((before, unlike)), Recording((first, second))))) == [
        "jump-at-join"
    ]


def test_survey_of_another_recording_is_refused() -> None:
    with pytest.raises(ValueError, match="another recording"):
        audit(Survey((lively(), lively())), Recording((part(),)))


@pytest.mark.parametrize("count", [1, 2, 5, 30])
def test_the_shortest_recordings(count: int) -> None:
    assert judged(lively(count), part(count=count)) == []


# --- the pieces ---


def test_across_takes_the_least_of_every_pair() -> None:
    """Against the definition, written out, on pictures that are single numbers."""
    values = np.random.default_rng(4).normal(size=40).cumsum()
    lags = np.zeros((40, 4))
    for lag in range(1, 5):
        lags[lag:, lag - 1] = np.abs(values[lag:] - values[:-lag])
    found = across(lags)
    for place in range(5, 35):
        pairs = [abs(values[place - 1 - a] - values[place + b]) for a in (0, 1) for b in (0, 1, 2)]
        assert found[place] == pytest.approx(min(pairs))


def test_nearby_leaves_the_place_itself_out() -> None:
    step = np.ones(20)
    step[10] = 100
    assert nearby(step)[10] == 1
    assert nearby(step)[9] == 50  # half of a single large one
    step[11] = 80
    assert nearby(step)[9] == 80  # two are movement


def test_runs_worked_by_hand() -> None:
    assert runs(np.array([1, 1, 0, 0, 1, 0, 1], bool)) == [(0, 2), (4, 5), (6, 7)]
    assert runs(np.zeros(3, bool)) == []


def test_track_is_in_case_time() -> None:
    first, second = part(count=100), part(count=100, start=part(count=100).length + 7 * EVERY)
    track = as_track(Survey((lively(100), lively(100))), Recording((first, second)))
    assert (len(track), track.joins) == (200, (100,))
    assert track.time(100) == second.start == 107 * EVERY
    assert track.time(200) == 207 * EVERY


def test_every_finding_has_a_meaning_and_an_effect() -> None:
    for code, (meaning, effect) in FINDINGS.items():
        assert code == code.lower()
        assert len(meaning) > 15
        assert effect
