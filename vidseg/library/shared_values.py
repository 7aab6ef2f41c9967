"""What a library holds of its cases as texts, to count how many share it."""

from __future__ import annotations

from sqlalchemy import select

from vidseg.library.connection import reading
from vidseg.library.schema import cases, covariates
from vidseg.library.store import Library


def told_of_cases(library: Library, but: str) -> tuple[dict[str, str], ...]:
    """Give the covariates, role and experience of every case but the one named ``but``."""
    told: dict[int, dict[str, str]] = {}
    with reading(library.engine) as connection:
        query = select(cases.c.id, cases.c.role, cases.c.experience).where(cases.c.name != but)
        for case, role, experience in connection.execute(query):
            facts = {"role": role, "experience": experience}
            told[case] = {name: value for name, value in facts.items() if value}
        held = select(covariates.c.case_id, covariates.c.name, covariates.c.value)
        for case, name, value in connection.execute(held):
            if case in told:
                told[case][name] = value
    return tuple(told.values())
