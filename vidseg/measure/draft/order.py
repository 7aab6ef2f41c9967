"""The course of an operation over time: an exact best path through a semi-Markov model.

The path is a chain of gaps and visits. A visit either takes the next place of the vocabulary's
course (places left out cost), or it is one beside the course: a step resumed, or one that the
course does not hold. Lengths are log-normal around the usual one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vidseg.measure.draft.settings import DraftWeights

Matrix = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Slot:
    """One place of the course: the row of its step, usual and longest length in s, skip cost."""

    row: int
    usual_s: float
    longest_s: float
    skip: float
    spread: float


@dataclass(frozen=True, slots=True)
class Aside:
    """A visit beside the course: its step's row, lengths, and cost at each place (slots + 1)."""

    row: int
    usual_s: float
    longest_s: float
    cost: tuple[float, ...]
    spread: float


@dataclass(frozen=True, slots=True)
class Visit:
    """A stretch of the best path: the step's row and its cells ``[first, last)``."""

    row: int
    first: int
    last: int


def best_path(
    nats: Matrix,
    slots: Sequence[Slot],
    asides: Sequence[Aside],
    cell_s: float,
    settings: DraftWeights,
) -> list[Visit]:
    """Find the best path's visits, in order of time; evidence ``nats`` has shape (rows, cells)."""
    cells = nats.shape[1]
    places = len(slots) + 1
    total = np.concatenate([np.zeros((len(nats), 1)), np.cumsum(nats, axis=1)], axis=1)
    # Where nothing at all speaks for a step, no visit beside the course can pay: not looked at.
    spoken = np.concatenate([np.zeros((len(nats), 1)), np.cumsum(nats > 0, axis=1)], axis=1)
    skips = np.array([0.0, *np.cumsum([slot.skip for slot in slots])])
    gaps = _gap_costs(cell_s, settings)
    # after: a visit ends at t, the course passed up to that place. ready: a gap ends there too.
    # entry: a slot begins at t, the places before it that were left out paid for. A step's length
    # is not in the state: each visit is closed over all its lengths at once, which keeps the
    # search exact at (places + steps) x cells x lengths.
    after = np.full((places, cells + 1), -np.inf)
    ready = np.full((places, cells + 1), -np.inf)
    came: list[list[tuple[int, int, int] | None]] = [[None] * (cells + 1) for _ in range(places)]
    waited = np.zeros((places, cells + 1), dtype=np.int64)
    after[0, 0] = 0.0
    far = np.full(places, -np.inf)
    far_from = np.zeros(places, dtype=np.int64)
    kinds = [(slot.row, _lengths(slot, cells, cell_s, settings)) for slot in slots]
    side = [(item.row, _lengths(item, cells, cell_s, settings)) for item in asides]
    side_cost = np.array([item.cost for item in asides]).reshape(len(asides), places)
    entry = np.full((len(slots), cells + 1), -np.inf)
    entered = np.zeros((len(slots), cells + 1), dtype=np.int64)
    for t in range(cells + 1):
        for j, (row, prior) in enumerate(kinds):
            reach = min(t, len(prior) - 1)
            if reach < 1:
                continue
            # Evidence of a visit is a difference of running totals, so its start can be told apart
            # from its end, and only the start is searched.
            starts = entry[j, t - reach : t][::-1] - total[row, t - reach : t][::-1]
            worth = starts + prior[1 : reach + 1]
            latest = int(np.argmax(worth))
            value = worth[latest] + total[row, t]
            if value > after[j + 1, t]:
                after[j + 1, t] = value
                came[j + 1][t] = (row, t - latest - 1, int(entered[j, t - latest - 1]))
        for number, (row, prior) in enumerate(side):
            reach = min(t, len(prior) - 1)
            if reach < 1 or spoken[row, t] <= spoken[row, t - reach]:
                continue
            # A visit beside the course leaves the place where it was: all places at once.
            starts = ready[:, t - reach : t][:, ::-1] - total[row, t - reach : t][::-1]
            worth = starts + prior[1 : reach + 1]
            best_each = np.argmax(worth, axis=1)
            values = worth[np.arange(places), best_each] + total[row, t] - side_cost[number]
            for place in map(int, np.flatnonzero(values > after[:, t])):
                after[place, t] = values[place]
                came[place][t] = (row, t - int(best_each[place]) - 1, place)
        # A gap of any length, its cost capped: near ones one by one, far ones by their best.
        near = min(t, len(gaps) - 1)
        if t - near - 1 >= 0:
            better = after[:, t - near - 1] > far
            far = np.where(better, after[:, t - near - 1], far)
            far_from = np.where(better, t - near - 1, far_from)
        window = after[:, t - near : t + 1][:, ::-1] - gaps[: near + 1]
        wait = np.argmax(window, axis=1)
        ready[:, t] = window[np.arange(places), wait]
        waited[:, t] = t - wait
        distant = far - settings.gap_most > ready[:, t]
        ready[distant, t] = far[distant] - settings.gap_most
        waited[distant, t] = far_from[distant]
        # Taken now, from the gap that ends here, so that no slot of zero length is between.
        for j in range(len(slots)):
            choice = ready[: j + 1, t] - (skips[j] - skips[: j + 1])
            nearest = int(np.argmax(choice))
            entry[j, t], entered[j, t] = choice[nearest], nearest
    # The last gap is free; places never reached cost as skipped ones.
    ends = np.where(np.isfinite(after), after - (skips[-1] - skips)[:, None], -np.inf)
    place, t = (int(x) for x in np.unravel_index(int(np.argmax(ends)), ends.shape))
    visits: list[Visit] = []
    while (step := came[place][t]) is not None:
        row, start, place = step
        visits.append(Visit(row, start, t))
        t = int(waited[place, start])
    return visits[::-1]


def _gap_costs(cell_s: float, settings: DraftWeights) -> Matrix:
    reach = settings.gap_free + settings.gap_most / settings.gap_each
    seconds = np.arange(0, int(np.ceil(reach / cell_s)) + 1) * cell_s
    cost = np.minimum(
        settings.gap_most, np.maximum(0.0, seconds - settings.gap_free) * settings.gap_each
    )
    return np.asarray(cost + settings.tight * np.clip(1 - seconds / 5, 0, 1))


def _lengths(kind: Slot | Aside, cells: int, cell_s: float, settings: DraftWeights) -> Matrix:
    most = min(cells, max(2, int(np.ceil(kind.longest_s / cell_s))))
    seconds = np.maximum(np.arange(most + 1) * cell_s, cell_s / 2)
    return np.asarray(-settings.length * 0.5 * (np.log(seconds / kind.usual_s) / kind.spread) ** 2)
