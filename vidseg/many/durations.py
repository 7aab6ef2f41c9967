"""How long each step takes over the cases of a library."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from vidseg.cohort.distribution import distribution
from vidseg.cohort.tables import DISTRIBUTION, WHOLE, whole_cases
from vidseg.library.filters import Filter
from vidseg.library.read import Cohort, read_cohort
from vidseg.library.store import Library
from vidseg.many.report import CAUTIONS, Report, Shown, chosen

SHOWN = {
    "name": "step",
    "cases": "cases",
    "missing": "missing",
    "censored": "cut off",
    "median_s": "median s",
    "median_low_s": "from",
    "median_high_s": "to",
    "q1_s": "q1",
    "q3_s": "q3",
    "mean_s": "mean s",
    "sd_s": "sd",
    "min_s": "min",
    "max_s": "max",
    "km_median_s": "K-M median",
    "visits": "visits",
    "reason": "not given, and why",
}
PERCENTILES = (5, 10, 90, 95)


def durations(
    library: Library,
    wanted: Filter,
    *,
    measure: str = "active_s",
    percentiles: Sequence[int] = PERCENTILES,
    confidence: float = 0.95,
) -> Report:
    """Describe every step, and the whole case unless steps were asked for."""
    cohort = read_cohort(library, wanted, covariates=False)
    return durations_of(cohort, wanted, measure, percentiles, confidence)


def durations_of(
    cohort: Cohort,
    wanted: Filter,
    measure: str = "active_s",
    percentiles: Sequence[int] = PERCENTILES,
    confidence: float = 0.95,
) -> Report:
    """Describe the steps of a cohort already read."""
    table = distribution(
        cohort.steps, measure=measure, percentiles=percentiles, confidence=confidence
    )
    if not wanted.steps:
        whole = distribution(
            whole_cases(cohort.cases),
            measure=measure,
            percentiles=percentiles,
            confidence=confidence,
        )
        table = pd.concat([table, whole], ignore_index=True)
    meanings = {name: text for name, text in DISTRIBUTION.items() if not name.startswith("p<")}
    meanings |= {f"p{n}_s": DISTRIBUTION["p<N>_s"].replace("N", str(n), 1) for n in percentiles}
    columns = dict(SHOWN)
    if not (table["censored"] > 0).any():
        del columns["km_median_s"]
    screen = tuple(
        Shown(
            f"{procedure}, {level} level" if level != WHOLE else "Whole case (observed time)",
            rows,
            columns,
        )
        for (procedure, level), rows in table.groupby(["procedure", "level"], sort=False)
    )
    notes = (
        chosen(cohort, wanted),
        f"Times in seconds, {'in the step' if measure == 'active_s' else 'first start to last end'}"
        f". from, to: {100 * confidence:g} % bootstrap interval of the median (percentile method, "
        "seed fixed). Quartiles: type 7. It takes the cases as independent of each other.",
        "missing: cases without the step, which is not zero seconds. cut off: the recording does "
        "not show all of it; plain figures are then too low, and the Kaplan-Meier median stands "
        "beside, which supposes that being cut off has nothing to do with the length.",
        *CAUTIONS,
    )
    return Report({"durations": table}, {"durations": meanings}, screen, notes)
