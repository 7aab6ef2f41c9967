"""Frame times to rates: grids worked out by hand, and an independent longest-run search."""

from fractions import Fraction
from itertools import combinations, pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from vidseg.media.read.frame_list import longest_rise
from vidseg.media.read.frame_rate import broken_rate, constant_rate, gaps, last_length, mean_rate
from vidseg.model.recording import FrameTimes

NTSC = Fraction(30000, 1001)
MS = 1_000_000


def times(rate: Fraction, count: int, tick: int = 1) -> FrameTimes:
    """Give an even grid rounded to ``tick`` ns, halves to even."""
    return np.array([round(i * 10**9 / rate / tick) * tick for i in range(count)], dtype=np.int64)


@given(
    rate=st.sampled_from([Fraction(24000, 1001), Fraction(25), NTSC, Fraction(30), Fraction(60)]),
    claimed=st.sampled_from(
        [None, Fraction(30), Fraction(25), Fraction(1000), Fraction(19001, 317)]
    ),
    tick=st.sampled_from([1, 11_111, MS]),
)
def test_a_false_claim_does_not_win(rate: Fraction, claimed: Fraction | None, tick: int) -> None:
    assert constant_rate(times(rate, 2000, tick), Fraction(tick), [claimed]) == rate


def test_few_frames_leave_the_choice_to_the_container() -> None:
    """Ten frames in whole milliseconds fit 30 as well as 30000/1001."""
    few = times(NTSC, 10, MS)
    assert constant_rate(few, Fraction(MS), [NTSC]) == NTSC
    assert constant_rate(few, Fraction(MS), [Fraction(30)]) == 30


def test_an_odd_rate_is_held_exactly() -> None:
    assert constant_rate(times(Fraction(2997, 125), 270), Fraction(1), [Fraction(2997, 125)]) == (
        Fraction(2997, 125)
    )
    assert constant_rate(times(Fraction(7), 100, MS), Fraction(MS), [None]) == 7


def test_uneven_times_have_no_rate() -> None:
    uneven = np.cumsum([0, *[40 * MS, 20 * MS, 60 * MS] * 30])
    assert constant_rate(uneven, Fraction(1), [Fraction(25)]) is None
    assert broken_rate(uneven, Fraction(1), [Fraction(25)]) is None
    assert mean_rate(uneven, 90 * 40 * MS + 40 * MS) == Fraction(25)


def test_a_coarse_clock_explains_nothing() -> None:
    """Where one tick is a whole frame, any times would fit."""
    assert constant_rate(times(Fraction(24), 50), Fraction(40 * MS), [Fraction(25)]) == 24
    jittered = times(Fraction(25), 50) + np.arange(50) % 2 * 15 * MS
    assert constant_rate(jittered, Fraction(40 * MS), [Fraction(25)]) is None


def test_missing_frames_keep_the_rate() -> None:
    whole = times(NTSC, 300, MS)
    kept = np.delete(whole, [20, 21, 22, 150])
    assert broken_rate(kept, Fraction(MS), [Fraction(30)]) == (NTSC, 2)
    assert gaps(kept) == []
    assert gaps(np.delete(whole, np.arange(100, 110))) == [
        (int(whole[99]), int(whole[110] - whole[99]))
    ]


def test_length_of_the_last_frame() -> None:
    even = times(Fraction(25), 10)
    tick = Fraction(1)
    assert last_length(even, None, Fraction(25), tick) == 40 * MS
    assert last_length(even, 60 * MS, Fraction(25), tick) == 60 * MS
    assert last_length(even, 3 * MS, None, tick) == 40 * MS
    assert last_length(even, 10**10, None, tick) == 40 * MS
    assert last_length(even[:1], 50 * MS, None, tick) == 50 * MS
    ntsc = times(NTSC, 10, MS)
    assert last_length(ntsc, 33 * MS, NTSC, Fraction(MS)) == 333_666_667 - int(ntsc[-1])


@given(st.lists(st.integers(0, 12), max_size=9))
def test_longest_rise_against_trying_all(values: list[int]) -> None:
    found = longest_rise(values)
    assert all(a < b for a, b in pairwise(found))
    rest = iter(values)
    assert all(value in rest for value in found)
    longest = max(
        size
        for size in range(len(values) + 1)
        for run in combinations(values, size)
        if all(a < b for a, b in pairwise(run))
    )
    assert len(found) == longest
