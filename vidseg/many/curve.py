"""How the time of a step goes with the case number, for each surgeon or for all together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from vidseg.cohort.band import against_band, moving_share_within, reference_band
from vidseg.cohort.bins import BINS, PAIRS
from vidseg.cohort.competence import lc_cusum, simulated_limit
from vidseg.cohort.control import cusum, ewma
from vidseg.cohort.learning import POINTS, LearningCurve, learning_curve
from vidseg.cohort.tables import whole_cases
from vidseg.export.shown_table import ShownTable
from vidseg.library.filters import Filter
from vidseg.library.read import Cohort, read_cohort
from vidseg.library.store import Library
from vidseg.many.report import Report, chosen, noted
from vidseg.model.column import Column, Columns, columns, picked
from vidseg.model.problem import UsageError

HEAD = columns(
    Column("procedure", "code of the vocabulary"),
    Column("step", "code of the step"),
    Column("name", "name of the step", "step"),
    Column("series", "pseudonym of the surgeon, or 'all surgeons'", "surgeon"),
)
CURVES = HEAD | columns(
    Column("cases", "cases on the curve"),
    Column("missing", "cases without the step"),
    Column("unseen", "cases that have it wholly within excluded time"),
    Column("unnumbered", "cases left out because they have no case number", "no number"),
    Column("censored", "cases left out because the recording cuts the step off", "cut off"),
    Column(
        "rate",
        "power law: what is left of the time at each doubling of the case number; interval",
        "left at doubling",
    ),
    Column("exponent", "power law: time = first_case_s * number ** exponent, with interval"),
    Column(
        "first_case_s",
        "power law: median time at case 1 as the line has it, with interval",
        "case 1, s",
    ),
    Column("r_squared", "power law: part of the variance of log time that it explains"),
    Column("spread", "power law: residual standard deviation as a factor"),
    Column(
        "neighbours",
        "correlation of neighbouring residuals; far from 0 the intervals are too narrow",
    ),
    Column(
        "slope_s",
        "median change in seconds from case to case (Theil and Sen), with interval",
        "s per case",
    ),
    Column("tau", "Kendall's tau of time with case number"),
    Column("trend_p", "two-sided p that time neither rises nor falls (Mann and Kendall)"),
    Column("stretches", "stretches of one level found; 1: no change of level, 0: not looked for"),
    Column("bins_h", "Kruskal and Wallis' H over the bins of experience"),
    Column("bins_p", "its p"),
    Column("reason", "why figures are missing, and what to bear in mind", "not given, and why"),
)
STRETCHES = HEAD | columns(
    Column("first", "first case number of the stretch", "from case"),
    Column("last", "last case number", "to case"),
    Column("cases", "cases in it"),
    Column("level_s", "geometric mean of the times"),
)
CHARTS = HEAD | columns(
    Column("case", "identifier of the case"),
    Column("case_number", "place of the case in the surgeon's own series"),
    Column("time_s", "duration of the step"),
    Column("cusum_above", "sum of excess above the target (log time), in standard deviations"),
    Column("cusum_below", "sum below the target"),
    Column("cusum_signal", "whether either sum passes the limit of 5"),
    Column("ewma", "weighted average of log time against the target, in standard deviations"),
    Column("ewma_outside", "whether it lies outside its limits"),
    Column("failed", "whether the case took longer than the time that counts as failure"),
    Column("lc_cusum", "LC-CUSUM score: evidence that the failure rate is acceptable"),
    Column("lc_cusum_signal", "whether the score lies above its limit"),
    Column("band", "-1 below, 0 within, 1 above the band of the reference group"),
    Column("share_within", "part of the last cases not above the band"),
)
CURVE_POINTS = HEAD | POINTS
ALL = "all surgeons"
SLACK, LIMIT = 0.5, 5.0
"""Of the CUSUM, in standard deviations: customary (NIST/SEMATECH e-Handbook 6.3.2.3)."""


@dataclass(frozen=True, slots=True)
class Watch:
    """What the charts watch for; each part is made only where its numbers are given.

    ``target_s`` and ``spread`` (standard deviation of log time) for CUSUM and EWMA;
    ``fail_above_s`` with the acceptable failure rate and the margin to an inadequate one for
    LC-CUSUM; ``reference`` (column, value) names the group that makes the band.
    """

    target_s: float | None = None
    spread: float = 0.25
    fail_above_s: float | None = None
    acceptable: float = 0.1
    margin: float = 0.1
    reference: tuple[str, str] | None = None
    window: int = 20


@dataclass(frozen=True, slots=True)
class Curves:
    """The curves by (step, series), with the report on them."""

    curves: Mapping[tuple[str, str], LearningCurve]
    report: Report


def curves(
    library: Library,
    wanted: Filter,
    *,
    together: bool = False,
    measure: str = "active_s",
    window: int = 9,
    bin_size: int = 50,
    confidence: float = 0.95,
    watch: Watch | None = None,
) -> Curves:
    """Study the steps asked for (without any: the whole case), a curve for each surgeon."""
    cohort = read_cohort(library, wanted)
    reference = None
    if watch is not None and watch.reference is not None:
        column, value = watch.reference
        fields = {"surgeon": "surgeons", "role": "roles", "experience": "experiences"}
        if column in fields:
            group: dict[str, tuple[object, ...]] = {fields[column]: (value,)}
        else:
            group = {"covariates": ((column, value),)}
        reference = read_cohort(
            library,
            Filter(
                wanted.procedure,
                wanted.steps,
                annotators=wanted.annotators,
                **group,  # type: ignore[arg-type]
            ),
        )
    return curves_of(
        cohort,
        wanted,
        together=together,
        measure=measure,
        window=window,
        bin_size=bin_size,
        confidence=confidence,
        watch=watch or Watch(),
        reference=reference,
    )


def _studied(cohort: Cohort, wanted: Filter) -> pd.DataFrame:
    return cohort.steps if wanted.steps else whole_cases(cohort.cases)


def curves_of(
    cohort: Cohort,
    wanted: Filter,
    *,
    together: bool = False,
    measure: str = "active_s",
    window: int = 9,
    bin_size: int = 50,
    confidence: float = 0.95,
    watch: Watch | None = None,
    reference: Cohort | None = None,
) -> Curves:
    """Study a cohort already read."""
    watch = watch or Watch()
    steps = _studied(cohort, wanted)
    own = cohort.cases[cohort.cases["case"].isin(steps["case"])]
    surgeons = [str(name) for name in sorted(own["surgeon"].dropna().unique(), key=str)]
    series: list[str | None] = [None] if together or not surgeons else list(surgeons)
    found: dict[tuple[str, str], LearningCurve] = {}
    charts: list[pd.DataFrame] = []
    notes: list[str] = []
    pairs = steps[["procedure", "level", "step"]].drop_duplicates().itertuples(index=False)
    for procedure, _, step in pairs:
        for surgeon in series:
            try:
                curve = learning_curve(
                    steps,
                    cohort.cases,
                    step,
                    procedure=procedure,
                    surgeon=surgeon,
                    measure=measure,
                    window=window,
                    bin_size=bin_size,
                    confidence=confidence,
                )
            except UsageError:
                if surgeon is None:
                    raise
                continue  # this surgeon has no case at the level of this step
            name = surgeon or ALL
            found[step, name] = curve
            chart = _chart(curve, watch, _reference(reference, wanted, step, measure), notes)
            if chart is not None:
                charts.append(_headed(chart, curve, name))
    tables, schemas = _tables(found)
    if charts:
        tables["charts"] = pd.concat(charts, ignore_index=True)
        schemas["charts"] = CHARTS
    heed = [note for curve in found.values() for note in curve.notes]
    cut = sum(curve.censored for curve in found.values())
    if cut:
        heed.append(
            f"{cut} times cut off by the recording's edge are left out, which favours short ones."
        )
    told = noted(
        chosen(cohort, wanted),
        f"Intervals: {100 * confidence:g} %. The power law is fitted by least squares on "
        "logarithms; cases are taken as independent of each other given the trend.",
        *dict.fromkeys(heed),
        *dict.fromkeys(notes),
        "Less time is not more skill: case mix and supervision change with experience.",
    )
    report = Report(tables, schemas, _shown(tables), told)
    return Curves(found, report)


def _headed(table: pd.DataFrame, curve: LearningCurve, series: str) -> pd.DataFrame:
    head = {
        "procedure": curve.procedure,
        "step": curve.step,
        "name": curve.name,
        "series": series,
    }
    plain = table.drop(columns=[name for name in head if name in table])
    for place, (name, value) in enumerate(head.items()):
        plain.insert(place, name, value)
    return plain


def _row(curve: LearningCurve, series: str) -> dict[str, object]:
    law, slope = curve.power_law, curve.slope.slope
    reasons = dict.fromkeys(
        filter(
            None,
            (
                law.reason,
                slope.reason,
                curve.trend.reason,
                curve.changes.reason and f"changes of level: {curve.changes.reason}",
                curve.experience.reason and f"bins: {curve.experience.reason}",
            ),
        )
    )
    row: dict[str, object] = {
        "procedure": curve.procedure,
        "step": curve.step,
        "name": curve.name,
        "series": series,
        "cases": len(curve.points),
        "missing": curve.missing,
        "unseen": curve.unseen,
        "unnumbered": curve.unnumbered,
        "censored": curve.censored,
    }
    for name, end, estimate in (
        ("rate", "", law.rate),
        ("exponent", "", law.exponent),
        ("first_case", "_s", law.first_case_s),
    ):
        row[f"{name}{end}"] = estimate.value
        row[f"{name}_low{end}"] = estimate.low
        row[f"{name}_high{end}"] = estimate.high
    return row | {
        "r_squared": law.r_squared,
        "spread": law.spread,
        "neighbours": law.neighbours,
        "slope_s": slope.value,
        "slope_low_s": slope.low,
        "slope_high_s": slope.high,
        "tau": curve.trend.tau,
        "trend_p": curve.trend.p,
        "stretches": len(curve.changes.stretches),
        "bins_h": curve.experience.h,
        "bins_p": curve.experience.p,
        "reason": "; ".join(reasons),
    }


def _tables(
    found: Mapping[tuple[str, str], LearningCurve],
) -> tuple[dict[str, pd.DataFrame], dict[str, Columns]]:
    parts: dict[str, list[pd.DataFrame]] = {"points": [], "stretches": [], "bins": [], "pairs": []}
    for (_, series), curve in found.items():
        stretches = pd.DataFrame([asdict(stretch) for stretch in curve.changes.stretches])
        for name, table in (
            ("points", curve.points),
            ("stretches", stretches),
            ("bins", curve.experience.bins),
            ("pairs", curve.experience.pairs),
        ):
            if len(table):
                parts[name].append(_headed(table, curve, series))
    tables = {"curves": pd.DataFrame([_row(c, series) for (_, series), c in found.items()])}
    tables |= {name: pd.concat(some, ignore_index=True) for name, some in parts.items() if some}
    schemas: dict[str, Columns] = {
        "curves": CURVES,
        "points": CURVE_POINTS,
        "stretches": STRETCHES,
        "bins": HEAD | BINS,
        "pairs": HEAD | PAIRS,
    }
    return tables, schemas


def _shown(tables: Mapping[str, pd.DataFrame]) -> tuple[ShownTable, ...]:
    who = ("name", "series")
    curve = (
        *("cases", "missing", "unnumbered", "censored", "rate", "rate_low", "rate_high"),
        *("first_case_s", "slope_s", "slope_low_s", "slope_high_s", "trend_p", "reason"),
    )
    span = ("first", "last", "cases")
    shown = [ShownTable("Time against case number", tables["curves"], picked(CURVES, *who, *curve))]
    if "stretches" in tables:
        own = picked(STRETCHES, *who, *span, "level_s")
        shown.append(ShownTable("Stretches of one level", tables["stretches"], own))
    if "bins" in tables:
        own = picked(HEAD | BINS, *who, *span, "mean_s", "error_s", "median_s")
        shown.append(ShownTable("Bins of experience", tables["bins"], own))
    if "charts" in tables:
        charts = tables["charts"]
        own = tuple(
            column
            for name, column in CHARTS.items()
            if name in charts and name not in ("procedure", "step")
        )
        shown.append(ShownTable("Charts, case by case", charts, own))
    return tuple(shown)


def _reference(
    reference: Cohort | None, wanted: Filter, step: str, measure: str
) -> np.ndarray | None:
    """Give the complete times of the step in the reference group."""
    if reference is None:
        return None
    steps = _studied(reference, wanted)
    own = steps[(steps["step"] == step) & ~(steps["open_start"] | steps["open_end"])]
    times = own[measure].to_numpy(dtype=np.float64)
    return times[times > 0]


def _chart(
    curve: LearningCurve, watch: Watch, reference: np.ndarray | None, notes: list[str]
) -> pd.DataFrame | None:
    """Run the charts asked for over the points of one curve."""
    points = curve.points[["case", "case_number", "time_s"]]
    times = points["time_s"].to_numpy(dtype=np.float64)
    charts: dict[str, NDArray[Any]] = {}
    if watch.target_s is not None:
        distance = np.log(times / watch.target_s) / watch.spread
        sums = cusum(distance, 0.0, SLACK, LIMIT)
        averages = ewma(distance, 0.0, 1.0)
        charts |= {
            "cusum_above": sums.above,
            "cusum_below": sums.below,
            "cusum_signal": sums.signal_above | sums.signal_below,
            "ewma": averages.averages,
            "ewma_outside": averages.outside,
        }
        notes.append(
            f"CUSUM and EWMA watch log time against {watch.target_s:g} s with a standard deviation "
            f"of {watch.spread:g} (slack {SLACK:g}, limit {LIMIT:g}, weight 0.2, 3 standard "
            "deviations); both must come from elsewhere than the cases watched."
        )
    if watch.fail_above_s is not None and len(times):
        failed = times > watch.fail_above_s
        limit = simulated_limit(watch.acceptable, watch.margin, len(times))
        scores = lc_cusum(failed, watch.acceptable, watch.margin, limit.limit)
        charts |= {
            "failed": failed,
            "lc_cusum": scores.sums,
            "lc_cusum_signal": scores.sums > limit.limit,
        }
        notes.append(
            f"LC-CUSUM, {len(times)} cases: failure is a time above {watch.fail_above_s:g} s, "
            f"acceptable a rate of {watch.acceptable:g}, inadequate "
            f"{watch.acceptable + watch.margin:g}; limit {limit.limit:.2f} by simulation, at which "
            f"{100 * limit.false_alarm:.1f} % of inadequate series signal. A step done in time is "
            "not a step done well."
        )
    if reference is not None:
        band = reference_band(reference)
        if band.reason:
            notes.append(f"{curve.name}: no band of the reference group: {band.reason}")
        else:
            charts |= {
                "band": against_band(times, band),
                "share_within": moving_share_within(times, band, watch.window),
            }
            notes.append(
                f"{curve.name}: band of the reference group (10th to 90th percentile of {band.n} "
                f"cases) {band.low_s:.2f} to {band.high_s:.2f} s, median {band.median_s:.2f} s."
            )
    return points.assign(**charts) if charts else None
