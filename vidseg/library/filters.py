"""Which cases and steps are meant, as conditions of a query."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import ColumnElement, and_, exists, func, or_

from vidseg.library.schema import cases, covariates, markings, procedures

Covariate = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Filter:
    """Each field narrows the choice; several values of one field widen it again.

    ``dates`` and ``case_numbers`` are (first, last), both included, None for no end. A date may
    be a year or a month; the last then counts as a whole. ``annotators`` are in order of
    preference.
    """

    procedure: str | None = None
    steps: tuple[str, ...] = ()
    surgeons: tuple[str, ...] = ()
    roles: tuple[str, ...] = ()
    experiences: tuple[str, ...] = ()
    dates: tuple[str | None, str | None] = (None, None)
    case_numbers: tuple[int | None, int | None] = (None, None)
    covariates: tuple[Covariate, ...] = ()
    annotators: tuple[str, ...] = ()
    complete_only: bool = False

    def conditions(self) -> list[ColumnElement[bool]]:
        """Give the conditions on annotations joined with their cases and procedures."""
        found: list[ColumnElement[bool]] = []
        if self.procedure is not None:
            found.append(procedures.c.code == self.procedure)
        for column, wanted in (
            (cases.c.surgeon, self.surgeons),
            (cases.c.role, self.roles),
            (cases.c.experience, self.experiences),
            (markings.c.annotator, self.annotators),
        ):
            if wanted:
                found.append(column.in_(wanted))
        found += self._ranges()
        names = dict.fromkeys(name for name, _ in self.covariates)
        found += [
            _has(name, (value for other, value in self.covariates if other == name))
            for name in names
        ]
        if self.complete_only:
            found.append(
                or_(
                    cases.c.complete.is_(True),
                    and_(cases.c.complete.is_(None), markings.c.cut == 0),
                )
            )
        return found

    def _ranges(self) -> Iterable[ColumnElement[bool]]:
        first, last = self.dates
        if first is not None or last is not None:
            yield cases.c.date != ""
        if first is not None:
            yield cases.c.date >= first
        if last is not None:
            yield func.substr(cases.c.date, 1, len(last)) <= last
        low, high = self.case_numbers
        if low is not None:
            yield cases.c.case_number >= low
        if high is not None:
            yield cases.c.case_number <= high

    def words(self) -> str:
        """Say in words what is chosen."""
        parts = [
            f"{name} {' or '.join(values)}"
            for name, values in (
                ("procedure", (self.procedure,) if self.procedure else ()),
                ("step", self.steps),
                ("surgeon", self.surgeons),
                ("role", self.roles),
                ("experience", self.experiences),
                ("annotator", self.annotators),
            )
            if values
        ]
        for name, (low, high) in (("date", self.dates), ("case number", self.case_numbers)):
            if low is not None or high is not None:
                parts.append(f"{name} {'' if low is None else low}..{'' if high is None else high}")
        parts += [f"{name} = {value}" for name, value in self.covariates]
        if self.complete_only:
            parts.append("complete recordings only")
        return ", ".join(parts) or "all"


def _has(name: str, values: Iterable[str]) -> ColumnElement[bool]:
    return exists().where(
        covariates.c.case_id == cases.c.id,
        covariates.c.name == name,
        covariates.c.value.in_(list(values)),
    )
