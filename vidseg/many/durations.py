"""How long each step takes over the cases of a library."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from vidseg.cohort.distribution import distribution
from vidseg.cohort.tables import ANY_PERCENTILE, DISTRIBUTION, WHOLE, whole_cases
from vidseg.export.shown_table import ShownTable
from vidseg.library.filters import Filter
from vidseg.library.read import Cohort, read_cohort
from vidseg.library.store import Library
from vidseg.many.report import Report, chosen, noted
from vidseg.model.column import Column, picked

SHOWN = (
    *("name", "cases", "missing", "censored", "median_s", "median_low_s", "median_high_s"),
    *("q1_s", "q3_s", "mean_s", "sd_s", "min_s", "max_s", "km_median_s", "visits", "reason"),
)
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
    schema = {name: column for name, column in DISTRIBUTION.items() if name != ANY_PERCENTILE}
    for number in percentiles:
        any_one = DISTRIBUTION[ANY_PERCENTILE]
        own = Column(f"p{number}_s", any_one.meaning.replace("N", str(number), 1))
        schema[own.name] = own
    without = set() if (table["censored"] > 0).any() else {"km_median_s"}
    shown_columns = picked(schema, *(name for name in SHOWN if name not in without))
    shown = tuple(
        ShownTable(
            f"{procedure}, {level} level" if level != WHOLE else "Whole case (observed time)",
            rows,
            shown_columns,
        )
        for (procedure, level), rows in table.groupby(["procedure", "level"], sort=False)
    )
    notes = noted(
        chosen(cohort, wanted),
        f"Times in seconds, {'in the step' if measure == 'active_s' else 'first start to last end'}"
        f". from, to: {100 * confidence:g} % bootstrap interval of the median (percentile method, "
        "seed fixed). Quartiles: type 7. It takes the cases as independent of each other.",
        "missing: cases without the step, which is not zero seconds. cut off: the recording does "
        "not show all of it; plain figures are then too low, and the Kaplan-Meier median stands "
        "beside, which supposes that being cut off has nothing to do with the length.",
    )
    return Report({"durations": table}, {"durations": schema}, shown, notes)
