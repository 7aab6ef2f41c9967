"""Rows become tables: cases and steps as ``cohort`` wants them, visits for comparing annotators.

Only the columns needed are fetched, as plain numbers, and names are put to them afterwards: a
million cases come in as fast as the database gives them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import Connection, Select, Table, func, select

from vidseg.cohort.tables import one_annotator
from vidseg.library.adding import spans_from
from vidseg.library.connection import reading
from vidseg.library.filters import Filter
from vidseg.library.schema import (
    CUT_END,
    CUT_START,
    cases,
    covariates,
    events,
    markings,
    procedures,
    steps,
    timings,
    visits,
)
from vidseg.library.store import Library
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clock import NS
from vidseg.model.problem import UsageError
from vidseg.model.procedure import Kind, Step, fold
from vidseg.model.span import Span, Spans

Numbers = NDArray[np.int64]
FETCH = 50_000
"""Rows fetched at a time."""
FACTS = ("surgeon", "role", "experience", "case_number", "date")


@dataclass(frozen=True, slots=True)
class Cohort:
    """``steps`` and ``cases`` with the columns of ``cohort.tables``, covariates after the facts."""

    steps: pd.DataFrame
    cases: pd.DataFrame
    covariates: tuple[str, ...]


def read_cohort(library: Library, wanted: Filter, *, covariates: bool = True) -> Cohort:
    """Read what ``wanted`` chooses, one annotation for each case and vocabulary.

    Without ``covariates`` the cases have their facts only.

    Raises UsageError where a step is not in the library, where nothing is chosen, and where a
    case has several annotators and none is preferred.
    """
    return _read(library, wanted, one_each=True, covariates=covariates)


def read_every(library: Library, wanted: Filter) -> Cohort:
    """Read what ``wanted`` chooses with all annotations of a case side by side."""
    return _read(library, wanted, one_each=False, covariates=True)


def _read(library: Library, wanted: Filter, *, one_each: bool, covariates: bool) -> Cohort:
    with reading(library.engine) as connection:
        labels = _labels(connection)
        marked = _annotations(connection, wanted)
        if marked.empty:
            raise UsageError(f"no case in the library is meant by: {wanted.words()}")
        every = len(marked) == _count(connection)
        marked = _one_each(marked, wanted) if one_each else marked
        codes = _step_ids(labels, wanted)
        query = select(
            timings.c.annotation_id,
            timings.c.step_id,
            timings.c.visits,
            timings.c.active_ns,
            timings.c.elapsed_ns,
            timings.c.cut,
        )
        rows = _numbers(connection, _narrowed(query, timings, wanted, codes, every), 6)
        facts, names = _facts(connection, marked, with_covariates=covariates)
    return Cohort(_step_table(rows, marked, labels), facts, names)


def _annotations(connection: Connection, wanted: Filter) -> pd.DataFrame:
    """Give the annotations chosen, by id, with the facts of their cases."""
    query = (
        select(
            markings.c.id,
            markings.c.case_id,
            markings.c.annotator,
            markings.c.observed_ns,
            markings.c.cut,
            procedures.c.code.label("procedure"),
            cases.c.name.label("case"),
            *(cases.c[name] for name in FACTS),
            cases.c.complete,
        )
        .join(cases, cases.c.id == markings.c.case_id)
        .join(procedures, procedures.c.id == markings.c.procedure_id)
        .where(*wanted.conditions())
        .order_by(markings.c.id)
    )
    names = [column.name for column in query.selected_columns]
    return pd.DataFrame(_rows(connection, query), columns=names)


def _count(connection: Connection) -> int:
    return int(connection.scalar(select(func.count()).select_from(markings)) or 0)


def _one_each(marked: pd.DataFrame, wanted: Filter) -> pd.DataFrame:
    if not marked.duplicated(["procedure", "case_id"]).any():
        return marked
    try:
        return one_annotator(marked, wanted.annotators)
    except UsageError as error:
        raise UsageError(f"{error} with --annotator (several: in order of preference)") from None


def _labels(connection: Connection) -> pd.DataFrame:
    query = select(steps, procedures.c.code.label("procedure")).join(
        procedures, procedures.c.id == steps.c.procedure_id
    )
    names = [column.name for column in query.selected_columns]
    return pd.DataFrame(_rows(connection, query.order_by(steps.c.id)), columns=names)


def _step_ids(labels: pd.DataFrame, wanted: Filter) -> list[int]:
    """Look up the steps asked for, by code or name. Raises UsageError for one not there."""
    own = labels[labels["procedure"] == wanted.procedure] if wanted.procedure else labels
    found: list[int] = []
    for label in wanted.steps:
        key = fold(label)
        fits = own[(own["code"].map(fold) == key) | (own["name"].map(fold) == key)]
        if fits.empty:
            have = ", ".join(dict.fromkeys(own.sort_values("place")["code"])) or "none"
            raise UsageError(f"the library has no step {label!r}; it has {have}")
        found += [int(number) for number in fits["id"]]
    return found


def _narrowed(
    query: Select[Any], table: Table, wanted: Filter, step_ids: Sequence[int], every: bool
) -> Select[Any]:
    if step_ids:
        query = query.where(table.c.step_id.in_(step_ids))
    if every:
        return query
    chosen = (
        select(markings.c.id)
        .join(cases, cases.c.id == markings.c.case_id)
        .join(procedures, procedures.c.id == markings.c.procedure_id)
        .where(*wanted.conditions())
    )
    return query.where(table.c.annotation_id.in_(chosen))


def _cursor(connection: Connection, query: Select[Any]) -> Any:
    """Run a query on the driver itself, which gives plain tuples."""
    compiled = query.compile(connection, compile_kwargs={"render_postcompile": True})
    cursor = connection.connection.cursor()
    parameters: Any = compiled.construct_params()
    if compiled.positional:
        parameters = [parameters[name] for name in compiled.positiontup or ()]
    cursor.execute(str(compiled), parameters)
    return cursor


def _rows(connection: Connection, query: Select[Any]) -> list[tuple[Any, ...]]:
    cursor = _cursor(connection, query)
    found: list[tuple[Any, ...]] = cursor.fetchall()
    cursor.close()
    return found


def _numbers(connection: Connection, query: Select[Any], width: int) -> Numbers:
    """Fetch rows of whole numbers into an array (rows, ``width``)."""
    cursor = _cursor(connection, query)
    parts: list[Numbers] = []
    while rows := cursor.fetchmany(FETCH):
        flat = np.fromiter(chain.from_iterable(rows), np.int64, len(rows) * width)
        parts.append(flat.reshape(-1, width))
    cursor.close()
    return np.concatenate(parts) if parts else np.empty((0, width), np.int64)


def _step_table(rows: Numbers, marked: pd.DataFrame, labels: pd.DataFrame) -> pd.DataFrame:
    """Put names to numbers; rows in the vocabulary's order, then by annotation."""
    ids = marked["id"].to_numpy(dtype=np.int64)
    place = np.minimum(np.searchsorted(ids, rows[:, 0]), len(ids) - 1)
    step_ids = labels["id"].to_numpy(dtype=np.int64)
    label = np.searchsorted(step_ids, rows[:, 1])
    known = ids[place] == rows[:, 0]
    order = np.lexsort((rows[:, 0], labels["place"].to_numpy(dtype=np.int64)[label]))
    order = order[known[order]]
    rows, place, label = rows[order], place[order], label[order]

    def text(table: pd.DataFrame, column: str, at: Numbers) -> NDArray[np.object_]:
        return table[column].to_numpy(dtype=object)[at]

    observed = marked["observed_ns"].to_numpy(dtype=np.float64)[place]
    active, elapsed = rows[:, 3], rows[:, 4]
    share = np.full(len(rows), np.nan)
    np.divide(active, observed, out=share, where=observed > 0)
    return pd.DataFrame(
        {
            "case": text(marked, "case", place),
            "annotator": text(marked, "annotator", place),
            "procedure": text(labels, "procedure", label),
            "step": text(labels, "code", label),
            "name": text(labels, "name", label),
            "level": text(labels, "level", label),
            "segments": rows[:, 2],
            "active_s": active / NS,
            "elapsed_s": elapsed / NS,
            "interrupted_s": (elapsed - active) / NS,
            "share": share,
            "open_start": (rows[:, 5] & CUT_START) > 0,
            "open_end": (rows[:, 5] & CUT_END) > 0,
        }
    )


def _facts(
    connection: Connection, marked: pd.DataFrame, *, with_covariates: bool
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Give a row per case: facts, then a column for each covariate, numbers where all are."""
    own = marked.drop_duplicates("case_id").reset_index(drop=True)
    told = own["complete"]
    complete = np.where(told.isna(), own["cut"] == 0, told == 1)
    table = pd.DataFrame(
        {
            "case": own["case"],
            **{name: own[name].replace("", None).astype(object) for name in FACTS},
            "observed_s": own["observed_ns"] / NS,
            "complete": complete.astype(bool),
        }
    )
    table["case_number"] = pd.to_numeric(own["case_number"])
    if not with_covariates:
        return table, ()
    held = _rows(connection, select(covariates.c.case_id, covariates.c.name, covariates.c.value))
    if not held:
        return table, ()
    narrow = pd.DataFrame(held, columns=["case_id", "name", "value"])
    wide = narrow.pivot(index="case_id", columns="name", values="value")
    wide = wide.reindex(own["case_id"].to_numpy())
    names: list[str] = []
    for name in wide.columns:
        values = wide[name]
        if values.isna().all():
            continue
        column = f"covariate {name}" if name in table else str(name)
        numbers = pd.to_numeric(values, errors="coerce")
        whole = bool((numbers.notna() == values.notna()).all())
        table[column] = (numbers if whole else values).to_numpy()
        names.append(column)
    return table, tuple(names)


def list_cases(library: Library, wanted: Filter) -> pd.DataFrame:
    """Give a row per annotation: case, vocabulary, annotator, facts, sums, steps and visits."""
    count = (
        select(
            timings.c.annotation_id,
            func.count().label("steps"),
            func.sum(timings.c.visits).label("visits"),
        )
        .group_by(timings.c.annotation_id)
        .subquery()
    )
    query = (
        select(
            cases.c.name.label("case"),
            procedures.c.code.label("procedure"),
            markings.c.annotator,
            *(cases.c[name] for name in FACTS),
            markings.c.recorded_ns,
            markings.c.observed_ns,
            markings.c.excluded_ns,
            count.c.steps,
            count.c.visits,
            markings.c.cut,
        )
        .join(cases, cases.c.id == markings.c.case_id)
        .join(procedures, procedures.c.id == markings.c.procedure_id)
        .outerjoin(count, count.c.annotation_id == markings.c.id)
        .where(*wanted.conditions())
        .order_by(markings.c.case_id, markings.c.id)
    )
    names = [column.name for column in query.selected_columns]
    with reading(library.engine) as connection:
        table = pd.DataFrame(_rows(connection, query), columns=names)
    for name in ("recorded", "observed", "excluded"):
        table[f"{name}_ns"] = table[f"{name}_ns"] / NS
    table = table.rename(columns=lambda name: str(name).replace("_ns", "_s"))
    table["open_start"] = (table["cut"] & CUT_START) > 0
    table["open_end"] = (table.pop("cut") & CUT_END) > 0
    return table


@dataclass(frozen=True, slots=True)
class Marked:
    """One case with all its annotations chosen, on the recording's clock."""

    case: str
    procedure: str
    recorded: Spans
    annotations: tuple[Annotation, ...]


def read_annotated(library: Library, wanted: Filter) -> list[Marked]:
    """Read the cases that two or more annotators marked with one vocabulary, with all visits.

    What is recorded is what all of them took as recorded.
    """
    with reading(library.engine) as connection:
        labels = _labels(connection)
        marked = _annotations(connection, wanted)
        several = marked[marked.duplicated(["procedure", "case_id"], keep=False)]
        ids = [int(number) for number in several["id"]]
        recorded: dict[int, Spans] = {}
        found: dict[int, list[tuple[int, ...]]] = {}
        for start in range(0, len(ids), 500):
            part = ids[start : start + 500]
            query = select(markings.c.id, markings.c.recorded)
            for number, text in _rows(connection, query.where(markings.c.id.in_(part))):
                recorded[number] = spans_from(text)
            query = select(visits).where(visits.c.annotation_id.in_(part))
            for row in _rows(connection, query.order_by(visits.c.annotation_id, visits.c.place)):
                found.setdefault(row[0], []).append(row)
    known = {
        int(number): Step(code, name, Kind(level))
        for number, code, name, level in labels[["id", "code", "name", "level"]].to_numpy()
    }
    result: list[Marked] = []
    for (procedure, case), group in several.groupby(["procedure", "case"], sort=False):
        window = recorded[int(group["id"].iloc[0])]
        for number in group["id"]:
            window = window & recorded[int(number)]
        own = tuple(
            _annotation(str(case), str(procedure), str(who), found.get(int(number), []), known)
            for number, who in zip(group["id"], group["annotator"], strict=True)
        )
        result.append(Marked(str(case), str(procedure), window, own))
    return result


def _annotation(
    case: str,
    procedure: str,
    annotator: str,
    rows: Sequence[tuple[int, ...]],
    known: dict[int, Step],
) -> Annotation:
    all_visits = [
        Segment(
            known[step],
            Span(start, end),
            open_start=bool(cut & CUT_START),
            open_end=bool(cut & CUT_END),
        )
        for _, _, step, start, end, cut in rows
    ]
    return Annotation(
        case,
        procedure,
        annotator,
        segments=tuple(v for v in all_visits if v.step.kind is not Kind.EXCLUDED),
        excluded=tuple(v for v in all_visits if v.step.kind is Kind.EXCLUDED),
    )


def read_visits(library: Library, wanted: Filter) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give all visits and all point events of what is chosen, a row each, in file order."""
    with reading(library.engine) as connection:
        labels = _labels(connection).set_index("id")
        marked = _annotations(connection, wanted).set_index("id")
        codes = _step_ids(labels.reset_index(), wanted)
        every = len(marked) == _count(connection)
        spans = _numbers(connection, _narrowed(select(visits), visits, wanted, codes, every), 6)
        points = _numbers(connection, _narrowed(select(events), events, wanted, codes, every), 4)

    def named(rows: Numbers, step_at: int) -> pd.DataFrame:
        own, what = marked.loc[rows[:, 0]], labels.loc[rows[:, step_at]]
        return pd.DataFrame(
            {
                "case": own["case"].to_numpy(),
                "annotator": own["annotator"].to_numpy(),
                "procedure": own["procedure"].to_numpy(),
                "order": rows[:, 1],
                "step": what["code"].to_numpy(),
                "name": what["name"].to_numpy(),
            }
        )

    segments = named(spans, 2)
    segments["level"] = labels.loc[spans[:, 2], "level"].to_numpy()
    segments["start_s"], segments["end_s"] = spans[:, 3] / NS, spans[:, 4] / NS
    segments["length_s"] = (spans[:, 4] - spans[:, 3]) / NS
    segments["open_start"] = (spans[:, 5] & CUT_START) > 0
    segments["open_end"] = (spans[:, 5] & CUT_END) > 0
    happened = named(points, 2).rename(columns={"step": "event"})
    happened["category"] = labels.loc[points[:, 2], "category"].to_numpy()
    happened["at_s"] = points[:, 3] / NS
    return segments, happened
