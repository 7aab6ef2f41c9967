"""The sequence model against an exhaustive search, the effort measure, lengths learned."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vidseg.formats.vocabulary import load_procedure
from vidseg.measure.draft.effort import corrections, effort
from vidseg.measure.draft.learn import learned_lengths
from vidseg.measure.draft.order import Aside, Slot, best_path
from vidseg.measure.draft.places import course_of, drafted_steps, usual_length_s
from vidseg.measure.draft.settings import DraftWeights
from vidseg.model.clock import NS

WEIGHTS = DraftWeights()


def gap_cost(cells: int) -> float:
    late = max(0.0, cells - WEIGHTS.gap_free) * WEIGHTS.gap_each
    return min(WEIGHTS.gap_most, late) + WEIGHTS.tight * max(0.0, 1 - cells / 5)


def visit_worth(nats: np.ndarray, kind: Slot | Aside, first: int, last: int) -> float:
    spread = (np.log((last - first) / kind.usual_s) / kind.spread) ** 2
    return float(nats[kind.row, first:last].sum() - WEIGHTS.length * 0.5 * spread)


def exhaustive(nats: np.ndarray, slots: list[Slot], asides: list[Aside]) -> float:
    """Try every chain of visits: the definition, written down without the algorithm."""
    cells = nats.shape[1]
    best = -sum(slot.skip for slot in slots)

    def go_on(at: int, place: int, worth: float) -> None:
        nonlocal best
        best = max(best, worth - sum(slot.skip for slot in slots[place:]))
        for first in range(at, cells):
            waited = worth - gap_cost(first - at)
            for last in range(first + 1, cells + 1):
                for j in range(place, len(slots)):
                    if last - first <= max(2, np.ceil(slots[j].longest_s)):
                        skipped = sum(slot.skip for slot in slots[place:j])
                        gain = visit_worth(nats, slots[j], first, last)
                        go_on(last, j + 1, waited - skipped + gain)
                for aside in asides:
                    if last - first <= max(2, np.ceil(aside.longest_s)):
                        gain = visit_worth(nats, aside, first, last) - aside.cost[place]
                        if nats[aside.row, first:last].sum() > 0:
                            go_on(last, place, waited + gain)

    go_on(0, 0, 0.0)
    return best


def worth_of(
    nats: np.ndarray, slots: list[Slot], asides: list[Aside], path: list[tuple[int, int, int]]
) -> float:
    """Reckon the best worth of a given chain, over the readings of each visit."""
    best = -np.inf
    options = [
        [("slot", j) for j, s in enumerate(slots) if s.row == row]
        + [("aside", n) for n, a in enumerate(asides) if a.row == row]
        for row, _, _ in path
    ]
    for reading in itertools.product(*options):
        at, place, worth, sound = 0, 0, 0.0, True
        for (kind, n), (_, first, last) in zip(reading, path, strict=True):
            worth -= gap_cost(first - at)
            if kind == "slot":
                sound = sound and n >= place
                worth += visit_worth(nats, slots[n], first, last)
                worth -= sum(slot.skip for slot in slots[place:n])
                place = n + 1
            else:
                worth += visit_worth(nats, asides[n], first, last) - asides[n].cost[place]
            at = last
        if sound:
            best = max(best, worth - sum(slot.skip for slot in slots[place:]))
    return best


@settings(max_examples=25)
@given(
    st.lists(st.floats(0.0, 2.0), min_size=12, max_size=12),
    st.floats(0.1, 2.0),
    st.floats(0.1, 2.0),
)
def test_the_path_is_the_best_of_all(values: list[float], skip: float, again: float) -> None:
    nats = np.array(values).reshape(2, 6)
    slots = [Slot(0, 2.0, 4.0, skip, 0.5), Slot(1, 3.0, 5.0, skip, 0.5)]
    asides = [Aside(0, 1.5, 3.0, (3.0, again, again), 0.6)]
    path = [(v.row, v.first, v.last) for v in best_path(nats, slots, asides, 1.0, WEIGHTS)]
    assert worth_of(nats, slots, asides, path) == pytest.approx(exhaustive(nats, slots, asides))


def test_clear_evidence_gives_its_own_visits_and_a_resumed_one() -> None:
    nats = np.zeros((2, 90))
    nats[0, 5:20] = 0.4
    nats[1, 30:45] = 0.4
    nats[0, 60:72] = 0.4
    slots = [Slot(0, 15, 60, 1.0, 0.4), Slot(1, 15, 60, 1.0, 0.4)]
    asides = [Aside(0, 12, 60, (3.0, 1.5, 1.5), 0.5)]
    rows = best_path(nats, slots, asides, 1.0, WEIGHTS)
    assert [(v.row, v.first, v.last) for v in rows] == [(0, 5, 20), (1, 30, 45), (0, 60, 72)]


def test_effort_follows_its_definition() -> None:
    truth = [("a", 0, 30 * NS), ("b", 40 * NS, 80 * NS), ("c", 100 * NS, 130 * NS)]
    assert effort(truth, []) == 100
    assert effort(truth, truth) == 0
    # One edge 11 s off, one label wrong, one row missing, one row extra: 1 + 1 + 3 + 1.
    own = [("a", 11 * NS, 30 * NS), ("x", 40 * NS, 80 * NS), ("y", 500 * NS, 520 * NS)]
    assert corrections(truth, own) == 6
    assert corrections(truth, [("a", 10 * NS, 30 * NS), *truth[1:]]) == 0


def test_learned_lengths_move_from_the_vocabulary_to_the_cases() -> None:
    phaco = load_procedure("phaco")
    prior = usual_length_s(phaco.step("capsulorhexis"), {})
    few = learned_lengths([("capsulorhexis", 200.0)], phaco)["capsulorhexis"]
    many = learned_lengths([("capsulorhexis", 200.0)] * 60, phaco)["capsulorhexis"]
    assert prior < few < many < 200
    assert many > 180
    assert learned_lengths([("no_such_step", 200.0)], phaco) == {}


def test_courses() -> None:
    assert course_of(load_procedure("phaco")).count("viscoelastic_injection") == 2
    lap = load_procedure("lap_chole")
    assert {step.kind for step in drafted_steps(lap)} == {"phase"}
    assert course_of(lap)[0] == "trocar_placement"
