"""Durations adjusted for case mix: a model of log duration, with surgeons as a random effect.

Effects come out as ratios of typical (median) durations. The model takes log durations as normal
with the same spread everywhere, effects as multiplying, and what was not measured as unrelated to
what was: it describes and does not prove a cause.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from vidseg.cohort.design import Design, design, references
from vidseg.cohort.estimate import NAN, Floats, too_few
from vidseg.cohort.mixed import Mixed, least_squares, random_intercept
from vidseg.cohort.select import levels
from vidseg.model.column import Column, columns

FEWEST_PER_TERM = 10
"""Cases per coefficient, and no fewer than ``FEWEST`` in all (common practice: ten)."""
FEWEST = 20
FEW_SURGEONS = 5
"""Below this many surgeons the spread between them is hardly known (common practice)."""

MODELS = columns(
    Column("cases", "cases in the model"),
    Column("missing", "cases without the step or a fact the model needs"),
    Column("censored", "cases left out because the recording cuts the step off", "cut off"),
    Column("surgeons", "surgeons in the model"),
    Column("baseline_s", "typical duration at reference levels and mean covariates, with interval"),
    Column(
        "surgeon_spread", "standard deviation between surgeons, as a factor", "spread of surgeons"
    ),
    Column(
        "residual_spread", "standard deviation between cases of a surgeon, as a factor", "of cases"
    ),
    Column("method", "mixed model, or ordinary least squares where surgeons cannot be told apart"),
    Column("note", "what to bear in mind, or why there is no model"),
)
TERMS = columns(
    Column("term", "what differs: 'experience: low against high', or 'age, for each 1 more'"),
    Column("ratio", "ratio of typical durations, with interval (_low, _high)"),
    Column("freedom", "degrees of freedom of the interval"),
    Column("p", "two-sided p that the ratio is 1"),
    Column("note", "why there is no interval"),
)
EXPECTED = columns(
    Column("case", "identifier of the case"),
    Column("time_s", "duration of the step"),
    Column("expected_s", "typical duration for such a case, whoever the surgeon"),
    Column(
        "expected_low_s",
        "lower end of the range that holds such cases, at the confidence asked for",
    ),
    Column("expected_high_s", "upper end of it; the model's own uncertainty is not added"),
    Column("ratio", "time over expected"),
)
"""Columns of the three tables; each also has procedure, level, step and name."""


@dataclass(frozen=True, slots=True)
class Adjustment:
    """Models (a row per step), their terms, and each case against what is expected of it."""

    covariates: tuple[str, ...]
    models: pd.DataFrame
    terms: pd.DataFrame
    expected: pd.DataFrame


@dataclass(frozen=True, slots=True)
class _Fit:
    found: Mixed
    freedom: Floats
    method: str
    note: str


def adjust(
    steps: pd.DataFrame,
    cases: pd.DataFrame,
    covariates: Sequence[str],
    *,
    surgeon: str = "surgeon",
    measure: str = "active_s",
    confidence: float = 0.95,
) -> Adjustment:
    """Model each step on ``covariates`` (columns of ``cases``), surgeons as random intercepts.

    Texts and true/false are compared with their most frequent value at the level; numbers enter
    as they are.
    Steps cut off by the recording are left out, which favours short ones: ``censored`` counts
    them. Raises UsageError for tables that cannot be used.
    """
    models: list[dict[str, object]] = []
    terms: list[dict[str, object]] = []
    expected: list[pd.DataFrame] = []
    for level in levels(steps, cases, (surgeon, *covariates), measure):
        reference = references(level.facts, covariates)
        for step, name in level.steps():
            head = {
                "procedure": level.procedure,
                "level": level.level,
                "step": step,
                "name": name,
            }
            table = level.times(step, measure)
            used, facts = _usable(table, surgeon, covariates)
            built = design(used, covariates, reference)
            reason = built.reason or _too_few(len(used), built)
            fit = None if reason else _fit(used, built, surgeon)
            models.append(head | facts | _model(fit, reason, confidence))
            if fit:
                terms += [head | term for term in _terms(fit, built, confidence)]
                expected.append(_expected(head, used, built, fit, confidence))
    return Adjustment(
        tuple(covariates),
        pd.DataFrame(models),
        pd.DataFrame(terms, columns=[*HEAD, "term", "ratio", *INTERVAL, "freedom", "p", "note"]),
        pd.concat(expected, ignore_index=True)
        if expected
        else pd.DataFrame(columns=[*HEAD, *EXPECTED]),
    )


HEAD = ("procedure", "level", "step", "name")
INTERVAL = ("ratio_low", "ratio_high")


def _usable(
    table: pd.DataFrame, surgeon: str, covariates: Sequence[str]
) -> tuple[pd.DataFrame, dict[str, object]]:
    known = table[["time_s", surgeon, *covariates]].notna().all(axis=1)
    complete = table[known & ~table["censored"]]
    return complete, {
        "cases": len(complete),
        "missing": int((~known).sum()),
        "censored": int((known & table["censored"]).sum()),
        "surgeons": int(complete[surgeon].nunique()),
    }


def _too_few(n: int, built: Design) -> str:
    return too_few(n, max(FEWEST, FEWEST_PER_TERM * built.matrix.shape[1]))


def _fit(used: pd.DataFrame, built: Design, surgeon: str) -> _Fit:
    log = np.log(used["time_s"].to_numpy(dtype=np.float64))
    codes, who = pd.factorize(used[surgeon])
    if len(who) < 2 or len(who) == len(used):
        note = "one surgeon only" if len(who) < 2 else "one case for each surgeon"
        n, terms = built.matrix.shape
        return _Fit(
            least_squares(log, built.matrix),
            np.full(terms, float(n - terms)),
            "ordinary least squares",
            f"{note}: the spread between surgeons cannot be told",
        )
    found = random_intercept(log, built.matrix, codes.astype(np.int64))
    notes = []
    if len(who) < FEW_SURGEONS:
        notes.append(f"only {len(who)} surgeons: the spread between them is hardly known")
    if found.between < 1e-6:
        notes.append("no spread between surgeons found")
    return _Fit(found, _freedom(built, codes, len(who)), "mixed model", "; ".join(notes))


def _freedom(built: Design, codes: np.ndarray, surgeons: int) -> Floats:
    """Count what each effect rests on: surgeons, if it is constant within each, else cases.

    The rule of inner and outer degrees of freedom (Pinheiro and Bates 2000, ch. 2.4.2).
    """
    matrix = built.matrix
    first = np.zeros((surgeons, matrix.shape[1]))
    first[codes[::-1]] = matrix[::-1]
    constant = np.isclose(matrix, first[codes]).all(axis=0)
    outer = surgeons - int(constant.sum())
    inner = len(matrix) - surgeons - int((~constant).sum())
    return np.where(constant, outer, inner).astype(np.float64)


def _limits(fit: _Fit, confidence: float) -> tuple[Floats, Floats]:
    rests = fit.freedom > 0
    t = stats.t.ppf((1 + confidence) / 2, np.where(rests, fit.freedom, 1))
    half = np.where(rests, t * fit.found.errors, np.nan)
    return np.exp(fit.found.effects - half), np.exp(fit.found.effects + half)


def _model(fit: _Fit | None, reason: str, confidence: float) -> dict[str, object]:
    if fit is None:
        numbers = dict.fromkeys(
            (
                "baseline_s",
                "baseline_low_s",
                "baseline_high_s",
                "surgeon_spread",
                "residual_spread",
            ),
            NAN,
        )
        return {**numbers, "method": "", "note": reason}
    low, high = _limits(fit, confidence)
    return {
        "baseline_s": float(np.exp(fit.found.effects[0])),
        "baseline_low_s": float(low[0]),
        "baseline_high_s": float(high[0]),
        "surgeon_spread": float(np.exp(fit.found.between)),
        "residual_spread": float(np.exp(fit.found.within)),
        "method": fit.method,
        "note": fit.note,
    }


def _terms(fit: _Fit, built: Design, confidence: float) -> list[dict[str, object]]:
    low, high = _limits(fit, confidence)
    rows: list[dict[str, object]] = []
    for place, term in enumerate(built.terms, 1):
        freedom = float(fit.freedom[place])
        t = abs(fit.found.effects[place] / fit.found.errors[place])
        rows.append(
            {
                "term": term,
                "ratio": float(np.exp(fit.found.effects[place])),
                "ratio_low": float(low[place]),
                "ratio_high": float(high[place]),
                "freedom": freedom,
                "p": float(2 * stats.t.sf(t, freedom)) if freedom > 0 else NAN,
                "note": ""
                if freedom > 0
                else "too few surgeons to tell this from the surgeons themselves",
            }
        )
    return rows


def _expected(
    head: dict[str, str], used: pd.DataFrame, built: Design, fit: _Fit, confidence: float
) -> pd.DataFrame:
    typical = np.exp(built.matrix @ fit.found.effects)
    spread = np.hypot(0.0 if np.isnan(fit.found.between) else fit.found.between, fit.found.within)
    factor = float(np.exp(stats.norm.ppf((1 + confidence) / 2) * spread))
    times = used["time_s"].to_numpy(dtype=np.float64)
    return pd.DataFrame(
        {
            **head,
            "case": used.index,
            "time_s": times,
            "expected_s": typical,
            "expected_low_s": typical / factor,
            "expected_high_s": typical * factor,
            "ratio": times / typical,
        }
    )
