"""Edit score, F1 at overlap and boundaries, against a worked pair and independent libraries."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rapidfuzz.distance import Levenshtein

from vidseg.measure.agreement.segmental import Hits, boundaries, edit_score, hits, matched
from vidseg.measure.agreement.timeline import Timeline, joint


def line(*pieces: tuple[str, int]) -> Timeline:
    return Timeline.of(pieces)


# A worked pair of 34 frames; the figures below come from the definition published with MS-TCN.
TRUTH = line(("", 3), ("incision", 5), ("visco", 4), ("rhexis", 8), ("", 2), ("phaco", 10), ("", 2))
FOUND = line(
    ("", 4),
    ("incision", 4),
    ("visco", 6),
    ("rhexis", 3),
    ("visco", 2),
    ("rhexis", 1),
    ("", 1),
    ("phaco", 7),
    ("ia", 4),
    ("", 2),
)
WORDS = st.lists(st.sampled_from("abc"), max_size=8)
FRAMES = st.lists(st.sampled_from(["", "a", "b", "c"]), min_size=1, max_size=60)


def order(of: Timeline, leave_out: Sequence[str] = ("",)) -> list[str]:
    return [run[0] for run in of.runs(leave_out)]


def test_worked_pair_without_background() -> None:
    assert edit_score(order(TRUTH), order(FOUND)) == pytest.approx(57.142857, abs=1e-6)
    assert hits(TRUTH, FOUND, 10) == Hits(4, 3, 0)
    assert hits(TRUTH, FOUND, 25) == Hits(4, 3, 0)
    assert hits(TRUTH, FOUND, 50) == Hits(3, 4, 1)
    assert hits(TRUTH, FOUND, 25).f1 == pytest.approx(72.7273, abs=5e-5)
    assert hits(TRUTH, FOUND, 50).f1 == pytest.approx(54.5455, abs=5e-5)


def test_worked_pair_with_background() -> None:
    assert edit_score(order(TRUTH, ()), order(FOUND, ())) == pytest.approx(70.0)
    assert hits(TRUTH, FOUND, 10, ()).f1 == pytest.approx(82.3529, abs=5e-5)
    assert hits(TRUTH, FOUND, 25, ()).f1 == pytest.approx(82.3529, abs=5e-5)
    assert hits(TRUTH, FOUND, 50, ()).f1 == pytest.approx(70.5882, abs=5e-5)
    lengths, places, _ = joint([TRUTH, FOUND])
    assert lengths[places[0] == places[1]].sum() / lengths.sum() == pytest.approx(
        0.705882, abs=5e-7
    )


def test_no_runs_is_no_score() -> None:
    assert np.isnan(edit_score([], []))
    assert np.isnan(Hits(0, 0, 0).f1)
    assert edit_score(["a"], []) == 0


@given(WORDS, WORDS)
def test_edit_score_against_rapidfuzz(first: list[str], second: list[str]) -> None:
    if first or second:
        expected = 100 * Levenshtein.normalized_similarity(first, second)
        assert edit_score(first, second) == pytest.approx(expected)


def by_frames(truth: list[str], found: list[str], overlap: float) -> Hits:
    """The published definition written out on frame labels, as an independent reckoning."""

    def runs(frames: list[str]) -> list[tuple[str, int, int]]:
        cuts = [0, *[i for i in range(1, len(frames)) if frames[i] != frames[i - 1]], len(frames)]
        return [(frames[a], a, b) for a, b in pairwise(cuts) if frames[a] != ""]

    true_runs, found_runs = runs(truth), runs(found)
    used = np.zeros(len(true_runs))
    hit = 0
    for label, start, end in found_runs:
        scores = np.array(
            [
                (min(end, b) - max(start, a)) / (max(end, b) - min(start, a)) * (label == other)
                for other, a, b in true_runs
            ]
        )
        if len(scores) and scores.max() >= overlap and not used[scores.argmax()]:
            used[scores.argmax()] = 1
            hit += 1
    return Hits(hit, len(found_runs) - hit, len(true_runs) - hit)


@given(FRAMES, st.data(), st.sampled_from([10, 25, 50]))
def test_hits_against_frame_by_frame(truth: list[str], data: st.DataObject, percent: int) -> None:
    size = len(truth)
    found = data.draw(st.lists(st.sampled_from(["", "a", "b", "c"]), min_size=size, max_size=size))
    exact = hits(line(*[(x, 1) for x in truth]), line(*[(x, 1) for x in found]), percent)
    assert exact == by_frames(truth, found, percent / 100)


@given(
    st.lists(st.integers(0, 60), max_size=10, unique=True),
    st.lists(st.integers(0, 60), max_size=10, unique=True),
    st.integers(0, 8),
)
def test_matching_against_mir_eval(first: list[int], second: list[int], tolerance: int) -> None:
    util = pytest.importorskip("mir_eval.util", reason="mir_eval is for tests only")
    expected = util.match_events(
        np.array(sorted(first), float), np.array(sorted(second), float), float(tolerance)
    )
    assert matched(first, second, tolerance) == len(expected)


def test_boundaries_pair_within_their_own_step() -> None:
    first = line(("a", 10), ("b", 10))
    second = line(("a", 12), ("b", 8))
    assert boundaries(first, second, 2).matched == 4
    assert boundaries(first, second, 1).matched == 2
    assert boundaries(first, second, 1).agreement == 0.5
    swapped = line(("b", 10), ("a", 10))
    assert boundaries(first, swapped, 5).matched == 0
