"""Comparisons of two annotators pooled over cases, with limits of agreement."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from vidseg.measure.agreement.agree import OVERLAPS, Agreement, StepAgreement, labelled
from vidseg.measure.agreement.kappa import cohen_kappa
from vidseg.measure.agreement.segmental import Boundaries, Hits
from vidseg.model.clock import NS

FEWEST_DIFFERENCES = 5
"""Limits of agreement need this many differences (our choice; below it sd is hardly known)."""
NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of agreement (Bland and Altman, Lancet 1986;327:307-310), seconds.

    ``bias_s`` mean difference, ``sd_s`` with n - 1, limits bias -/+ 1.96 sd. They assume
    differences that are roughly normal and do not grow with the length of the step. NaN, with
    the reason, below ``FEWEST_DIFFERENCES``.
    """

    n: int
    bias_s: float
    sd_s: float
    low_s: float
    high_s: float
    reason: str = ""


def limits(differences_ns: Iterable[int | None]) -> Limits:
    """Give the limits of agreement of differences in ns, None left out."""
    known = np.array([d for d in differences_ns if d is not None], dtype=np.float64) / NS
    n = len(known)
    if n < FEWEST_DIFFERENCES:
        reason = f"too few: {n} differences, {FEWEST_DIFFERENCES} needed"
        return Limits(n, NAN, NAN, NAN, NAN, reason)
    bias, sd = float(known.mean()), float(known.std(ddof=1))
    return Limits(n, bias, sd, bias - 1.96 * sd, bias + 1.96 * sd)


@dataclass(frozen=True, slots=True)
class PooledStep:
    """One step over cases: Dice of the summed times and mean of the cases' Dice; biases."""

    step: str
    cases: int
    dice_pooled: float
    dice_mean: float
    start: Limits
    end: Limits
    active: Limits


@dataclass(frozen=True, slots=True)
class PooledAgreement:
    """Many cases. ``_pooled``: counts or times summed first (the rule of MS-TCN); ``_mean``: the
    mean of the cases' figures (the rule of Lea's published code). F1 in percent by overlap."""

    cases: int
    observed_ns: int
    accuracy_pooled: float
    kappa_pooled: float
    kappa_mean: float
    kappa_labelled_pooled: float
    edit_mean: float
    f1_pooled: tuple[tuple[int, float], ...]
    boundaries: tuple[Boundaries, ...]
    steps: tuple[PooledStep, ...]
    start: Limits
    end: Limits


def pool(agreements: Sequence[Agreement]) -> PooledAgreement:
    """Pool comparisons of one level, made with the same tolerances. Raises ValueError for none."""
    if not agreements:
        raise ValueError("nothing to pool")
    labels = tuple(sorted({label for one in agreements for label in one.labels}))
    table = np.zeros((len(labels), len(labels)), dtype=np.int64)
    for one in agreements:
        places = np.array([labels.index(label) for label in one.labels], dtype=np.int64)
        table[np.ix_(places, places)] += one.table
    steps = list(dict.fromkeys(step.step for one in agreements for step in one.steps))
    return PooledAgreement(
        cases=len(agreements),
        observed_ns=sum(one.observed_ns for one in agreements),
        accuracy_pooled=float(np.trace(table) / table.sum()) if table.sum() else NAN,
        kappa_pooled=cohen_kappa(table),
        kappa_mean=_mean(one.kappa for one in agreements),
        kappa_labelled_pooled=cohen_kappa(labelled(table, labels)),
        edit_mean=_mean(one.edit for one in agreements),
        f1_pooled=tuple(
            (percent, sum((dict(one.hits)[percent] for one in agreements), Hits(0, 0, 0)).f1)
            for percent in OVERLAPS
        ),
        boundaries=_pooled_boundaries(agreements),
        steps=tuple(_pooled_step(step, agreements) for step in steps),
        start=_limits_of(agreements, lambda step: step.start_ns),
        end=_limits_of(agreements, lambda step: step.end_ns),
    )


def _mean(values: Iterable[float]) -> float:
    known = [value for value in values if value == value]
    return float(np.mean(known)) if known else NAN


def _pooled_boundaries(agreements: Sequence[Agreement]) -> tuple[Boundaries, ...]:
    total = list(agreements[0].boundaries)
    for one in agreements[1:]:
        total = [a + b for a, b in zip(total, one.boundaries, strict=True)]
    return tuple(total)


def _limits_of(
    agreements: Sequence[Agreement], difference: Callable[[StepAgreement], int | None]
) -> Limits:
    return limits(difference(step) for one in agreements for step in one.steps)


def _pooled_step(code: str, agreements: Sequence[Agreement]) -> PooledStep:
    found = [step for one in agreements for step in one.steps if step.step == code]
    total = sum(step.first_ns + step.second_ns for step in found)
    return PooledStep(
        step=code,
        cases=len(found),
        dice_pooled=2 * sum(step.shared_ns for step in found) / total if total else NAN,
        dice_mean=_mean(step.dice for step in found),
        start=limits(step.start_ns for step in found),
        end=limits(step.end_ns for step in found),
        active=limits(step.active_ns for step in found),
    )
