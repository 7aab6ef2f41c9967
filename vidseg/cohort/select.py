"""The times of one step in every case in which it could have been marked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from vidseg.cohort.tables import MEASURES, check_cases, check_steps
from vidseg.model.problem import UsageError


@dataclass(frozen=True, slots=True)
class Level:
    """All step rows of one level of one vocabulary, and the facts of its cases.

    ``facts`` is indexed by case: every case with a row at this level, so that a case without some
    step counts as missing there, while one annotated at another level only does not count.
    """

    procedure: str
    level: str
    rows: pd.DataFrame
    facts: pd.DataFrame

    def steps(self) -> Iterator[tuple[str, str]]:
        """Yield code and name of each step, in the order in which they first occur."""
        first = self.rows.drop_duplicates("step")
        yield from zip(first["step"].astype(str), first["name"].astype(str), strict=True)

    def times(self, step: str, measure: str = "active_s") -> pd.DataFrame:
        """Give ``facts`` with ``time_s``, ``censored`` and ``unseen``, a row for every case.

        ``time_s`` is NaN where the step is missing, or lies wholly within excluded time, which
        ``unseen`` tells.
        """
        own = self.rows[self.rows["step"] == step].set_index("case")
        found = own.reindex(self.facts.index)
        seconds = found[measure].to_numpy(dtype=np.float64)
        unseen = seconds == 0
        censored = own.index[(own["open_start"] | own["open_end"]).to_numpy(dtype=bool)]
        return self.facts.assign(
            time_s=np.where(unseen, np.nan, seconds),
            censored=self.facts.index.isin(censored) & ~unseen,
            unseen=unseen,
        )


def levels(
    steps: pd.DataFrame,
    cases: pd.DataFrame,
    columns: Sequence[str] = (),
    measure: str = "active_s",
) -> list[Level]:
    """Split the step rows by vocabulary and level, with the ``columns`` of their cases.

    Raises UsageError for tables that cannot be used, and for a case without a row in ``cases``.
    """
    if measure not in MEASURES:
        raise UsageError(f"no such time: {measure}; take one of {', '.join(MEASURES)}")
    check_steps(steps)
    facts = check_cases(cases, columns).set_index("case")[list(dict.fromkeys(columns))]
    found = []
    for (procedure, level), rows in steps.groupby(["procedure", "level"], sort=False):
        own = pd.Index(rows["case"].unique(), name="case")
        unknown = own.difference(facts.index)
        if len(unknown):
            raise UsageError(f"case {unknown[0]!r} is not in the table of cases")
        found.append(Level(str(procedure), str(level), rows, facts[facts.index.isin(own)]))
    return found


def level_of(found: Sequence[Level], step: str, procedure: str | None = None) -> Level:
    """Give the level that holds ``step``. Raises UsageError where none or several do."""
    holding = [
        one
        for one in found
        if procedure in (None, one.procedure) and (one.rows["step"] == step).any()
    ]
    if not holding:
        raise UsageError(f"no case has a step {step!r}")
    if len(holding) > 1:
        places = ", ".join(f"{one.procedure} ({one.level})" for one in holding)
        raise UsageError(f"the step {step!r} stands in {places}; name the procedure")
    return holding[0]
