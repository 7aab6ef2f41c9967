"""Case time, file time and frames."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.model.clock import NS
from vidseg.model.recording import Part, Recording


def part(times: list[int], length: int, start: int = 0, name: str = "a.mp4") -> Part:
    return Part(
        path=Path(name),
        start=start,
        length=length,
        frame_ns=np.array(times, dtype=np.int64),
        width=640,
        height=360,
        container="mp4",
        codec="h264",
        profile="High",
        pixel_format="yuv420p",
        rate=Fraction(25),
        time_base=Fraction(1, 12800),
        first_pts=0,
    )


UNEVEN = part([0, 40, 90, 100, 180], 200)


@given(st.integers(-50, 300))
def test_frame_at_is_the_nearest_boundary_ties_to_the_earlier(at: int) -> None:
    edges = [*UNEVEN.frame_ns.tolist(), 200]
    nearest = min(range(len(edges)), key=lambda i: (abs(edges[i] - at), i))
    assert Recording((UNEVEN,)).frame_at(at) == nearest


def test_two_parts_that_touch_share_one_boundary() -> None:
    both = Recording((UNEVEN, replace(UNEVEN, start=200)))
    assert both.n_frames == 10
    assert both.length == 400
    assert both.frame_at(199) == both.frame_at(201) == 5
    assert both.frame_start(5) == 200
    assert both.frame_start(10) == 400
    assert both.first_frame(1) == 5


def test_a_hole_is_not_recorded() -> None:
    both = Recording((UNEVEN, replace(UNEVEN, start=1000)))
    assert [(s.start, s.end) for s in both.recorded] == [(0, 200), (1000, 1200)]
    assert both.frame_at(950) == 5
    assert both.frame_start(5) == 1000


def test_parts_may_not_run_backwards() -> None:
    with pytest.raises(ValueError, match="starts before"):
        Recording((UNEVEN, replace(UNEVEN, start=150)))
    with pytest.raises(ValueError, match="at least one"):
        Recording(())


def test_frame_start_outside() -> None:
    with pytest.raises(IndexError):
        Recording((UNEVEN,)).frame_start(6)


def test_millisecond_times_hit_their_frame_at_29_97() -> None:
    # design rule: a time rounded to milliseconds still hits its frame
    times = [round(i * 1001 * NS / 30000) for i in range(2000)]
    recording = Recording((part(times, times[-1] + 33_366_667),))
    for index in range(0, 2000, 7):
        rounded = round(times[index] / 1e6) * 1_000_000
        assert recording.frame_at(rounded) == index
