"""Two or more groups of cases compared, step by step.

Rank tests take the cases as independent: many cases of few surgeons are not, and then p values are
too small (see ``adjust`` for a model with surgeons). Groups that were not drawn by lot differ
in more than their name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from vidseg.cohort.bootstrap import difference_intervals
from vidseg.cohort.estimate import NAN, Floats, too_few
from vidseg.cohort.ranks import (
    FEWEST_PER_GROUP,
    hodges_lehmann,
    holm,
    kruskal_wallis,
    mann_whitney,
)
from vidseg.cohort.select import Level, levels
from vidseg.cohort.survival import FEWEST_EVENTS, kaplan_meier, log_rank, survival_quantile
from vidseg.model.column import Column, columns
from vidseg.model.problem import UsageError

GROUPS = columns(
    Column("group", "name of the group"),
    Column("cases_total", "cases of the group annotated at this level"),
    Column("cases", "cases with observed time in the step"),
    Column("missing", "cases without the step"),
    Column("unseen", "cases that have it wholly within excluded time"),
    Column("censored", "cases in which the recording cuts the step off", "cut off"),
    Column("mean_s", "mean, cut-off steps as seen"),
    Column("median_s", "median, cut-off steps as seen"),
    Column(
        "km_median_s", "median by Kaplan-Meier, where censored > 0; inf: not reached", "K-M median"
    ),
)
TESTS = columns(
    Column("test", "Mann-Whitney, Kruskal-Wallis, or log-rank where any step is cut off"),
    Column("statistic", "U of the first group, H, or chi-squared", "U, H or chi²"),
    Column("freedom", "degrees of freedom (chi-squared tests)"),
    Column("p", "two-sided p"),
    Column("p_holm", "p corrected for the number of steps of this level (Holm)", "p, Holm"),
    Column("note", "why figures are missing, or what to bear in mind"),
)
PAIRS = columns(
    Column("first", "name of a group"),
    Column("second", "name of another"),
    Column("u", "Mann-Whitney U of the first"),
    Column("p", "two-sided p of Mann-Whitney"),
    Column("p_holm", "p corrected for the number of pairs of this step (Holm)", "p, Holm"),
    Column("shift_s", "Hodges-Lehmann shift, first minus second, with interval (_low_s, _high_s)"),
    Column("mean_difference_s", "first minus second, with bootstrap percentile interval"),
    Column("median_difference_s", "first minus second, with bootstrap percentile interval"),
    Column("note", "why figures are missing, or what to bear in mind"),
)
"""Columns of the three tables; each also has procedure, level, step and name."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Groups (columns ``GROUPS``), one test per step (``TESTS``), each pair (``PAIRS``).

    ``ungrouped``: cases left out because the column is empty or names no group asked for.
    """

    by: str
    names: tuple[str, ...]
    ungrouped: int
    groups: pd.DataFrame
    tests: pd.DataFrame
    pairs: pd.DataFrame


def compare(
    steps: pd.DataFrame,
    cases: pd.DataFrame,
    by: str,
    groups: Sequence[str] | None = None,
    *,
    measure: str = "active_s",
    confidence: float = 0.95,
    seed: int = 0,
) -> Comparison:
    """Compare the groups that the column ``by`` of ``cases`` makes; ``groups`` picks and orders.

    Raises UsageError for tables that cannot be used and for fewer than two groups.
    """
    found = levels(steps, cases, (by,), measure)
    label = cases[by].astype(str).where(cases[by].notna(), "")
    present = sorted(set(label) - {""})
    names = tuple(groups) if groups is not None else tuple(present)
    absent = [name for name in names if name not in present]
    if absent:
        raise UsageError(f"no case has {by} = {', '.join(map(repr, absent))}")
    if len(names) < 2 or len(set(names)) < len(names):
        raise UsageError(f"a comparison needs two different groups; {by} gives {list(names)}")
    group_rows: list[dict[str, object]] = []
    test_rows: list[dict[str, object]] = []
    pair_rows: list[dict[str, object]] = []
    for level in found:
        tests_of_level = []
        own = level.facts[by]
        texts = own.astype(str).where(own.notna(), "").to_numpy(dtype=object)
        for step, name in level.steps():
            head = {
                "procedure": level.procedure,
                "level": level.level,
                "step": step,
                "name": name,
            }
            samples = _samples(level, step, measure, texts, names)
            group_rows += [head | _group(key, one, confidence) for key, one in samples.items()]
            tests_of_level.append(head | _test(samples))
            pair_rows += [head | pair for pair in _pairs(samples, confidence, seed)]
        test_rows += _corrected(tests_of_level)
    return Comparison(
        by=by,
        names=names,
        ungrouped=int((~label.isin(names)).sum()),
        groups=pd.DataFrame(group_rows),
        tests=pd.DataFrame(test_rows),
        pairs=pd.DataFrame(pair_rows),
    )


@dataclass(frozen=True, slots=True)
class _Sample:
    total: int
    unseen: int
    times: Floats
    seen: np.ndarray


def _samples(
    level: Level, step: str, measure: str, texts: np.ndarray, names: Sequence[str]
) -> dict[str, _Sample]:
    table = level.times(step, measure)
    seconds = table["time_s"].to_numpy(dtype=np.float64)
    cut = table["censored"].to_numpy(dtype=bool)
    unseen = table["unseen"].to_numpy(dtype=bool)
    found = {}
    for name in names:
        own = texts == name
        known = own & ~np.isnan(seconds)
        found[name] = _Sample(
            int(own.sum()), int((own & unseen).sum()), seconds[known], ~cut[known]
        )
    return found


def _group(name: str, sample: _Sample, confidence: float) -> dict[str, object]:
    times, n = sample.times, len(sample.times)
    cut = int((~sample.seen).sum())
    surviving = kaplan_meier(times, sample.seen, confidence) if cut else None
    return {
        "group": name,
        "cases_total": sample.total,
        "cases": n,
        "missing": sample.total - n - sample.unseen,
        "unseen": sample.unseen,
        "censored": cut,
        "mean_s": float(times.mean()) if n else NAN,
        "median_s": float(np.median(times)) if n else NAN,
        "km_median_s": survival_quantile(surviving, 0.5).value if surviving else NAN,
    }


def _test(samples: Mapping[str, _Sample]) -> dict[str, object]:
    ordered = list(samples.values())
    if any((~sample.seen).any() for sample in ordered):
        return _log_rank(ordered)
    if len(ordered) == 2:
        u, p, reason = mann_whitney(ordered[0].times, ordered[1].times)
        return _tested("Mann-Whitney", u, NAN, p, reason)
    h, p, reason = kruskal_wallis([sample.times for sample in ordered])
    return _tested("Kruskal-Wallis", h, len(ordered) - 1, p, reason)


def _log_rank(samples: Sequence[_Sample]) -> dict[str, object]:
    cut = sum(int((~sample.seen).sum()) for sample in samples)
    events = sum(int(sample.seen.sum()) for sample in samples)
    reason = too_few(
        min(len(sample.times) for sample in samples), FEWEST_PER_GROUP, "cases in a group"
    ) or too_few(events, FEWEST_EVENTS, "steps seen to their end")
    if reason:
        return _tested("log-rank", NAN, NAN, NAN, reason)
    chi_squared, freedom, p = log_rank([(sample.times, sample.seen) for sample in samples])
    note = f"{cut} cut off, taken as longer than seen"
    return _tested("log-rank", chi_squared, freedom, p, note)


def _tested(test: str, statistic: float, freedom: float, p: float, note: str) -> dict[str, object]:
    return {"test": test, "statistic": statistic, "freedom": freedom, "p": p, "note": note}


def _corrected(rows: list[dict[str, object]]) -> list[dict[str, object]]:
    corrected = holm(np.array([row["p"] for row in rows], dtype=np.float64))
    return [row | {"p_holm": float(p)} for row, p in zip(rows, corrected, strict=True)]


def _pairs(samples: Mapping[str, _Sample], confidence: float, seed: int) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for first, second in combinations(samples, 2):
        a, b = samples[first], samples[second]
        u, p, reason = mann_whitney(a.times, b.times)
        shift = hodges_lehmann(a.times, b.times, confidence)
        mean, median = difference_intervals(a.times, b.times, confidence, seed=seed)
        cut = int((~a.seen).sum() + (~b.seen).sum())
        doubt = f"{cut} cut off, taken as seen here" if cut else ""
        row: dict[str, object] = {"first": first, "second": second, "u": u, "p": p}
        for key, estimate in (
            ("shift", shift),
            ("mean_difference", mean),
            ("median_difference", median),
        ):
            row[f"{key}_s"] = estimate.value
            row[f"{key}_low_s"] = estimate.low
            row[f"{key}_high_s"] = estimate.high
        reasons = dict.fromkeys(filter(None, (reason, shift.reason, mean.reason, doubt)))
        rows.append(row | {"note": "; ".join(reasons)})
    return _corrected(rows)
