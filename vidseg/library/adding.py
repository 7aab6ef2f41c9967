"""Records become rows, within one transaction that is alone among writers."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from sqlalchemy import Connection, Table, delete, func, insert, select, update

from vidseg.disk.digests import bytes_sha256
from vidseg.library import schema
from vidseg.library.schema import cut
from vidseg.model.annotation import Segment
from vidseg.model.procedure import Step
from vidseg.model.record import CaseFacts, Record
from vidseg.model.span import Span, Spans

StoredRow = dict[str, Any]
TOLD = ("surgeon", "role", "experience", "case_number", "date", "complete")
"""The facts that have a column."""


@dataclass(frozen=True, slots=True)
class Added:
    """What became of one record. ``facts`` are sentences on facts of the case that changed."""

    case: str
    procedure: str
    annotator: str
    outcome: Literal["added", "replaced", "unchanged"]
    facts: tuple[str, ...] = ()


@dataclass
class Adder:
    """Adds one batch. Rows are gathered first and written table by table."""

    connection: Connection
    rows: dict[Table, list[StoredRow]] = field(default_factory=dict)
    step_ids: dict[tuple[int, str], int] = field(default_factory=dict)

    def add(self, records: Sequence[Record]) -> list[Added]:
        """Add the records in order."""
        procedure_ids = self._procedures(records)
        case_ids, told = self._cases(records)
        markings = schema.markings
        known = {
            (row.case_id, row.procedure_id, row.annotator): (row.id, row.digest)
            for row in self.connection.execute(
                select(markings).where(markings.c.case_id.in_(set(case_ids.values())))
            )
        }
        next_id = self._next(markings)
        replaced: list[int] = []
        latest: dict[tuple[int, int, str], tuple[int, Record, str]] = {}
        done: list[Added] = []
        for record in records:
            marked = record.annotation
            procedure = procedure_ids[marked.procedure]
            key = (case_ids[marked.case], procedure, marked.annotator)
            digest = record_digest(record)
            outcome: Literal["added", "replaced", "unchanged"] = "added"
            if key in known:
                number, before = known[key]
                outcome = "unchanged" if before == digest else "replaced"
                if outcome == "replaced" and number not in replaced and key not in latest:
                    replaced.append(number)
            else:
                number, next_id = next_id, next_id + 1
            known[key] = (number, digest)
            if outcome != "unchanged":
                latest[key] = (number, record, digest)
            facts = tuple(told.pop(marked.case, ()))
            done.append(Added(marked.case, marked.procedure, marked.annotator, outcome, facts))
        self.delete(replaced)
        for (case, procedure, _), (number, record, digest) in latest.items():
            self._gather(number, case, procedure, record, digest)
        for table in (markings, schema.timings, schema.visits, schema.events):
            if self.rows.get(table):
                self.connection.execute(insert(table), self.rows[table])
        return done

    def _next(self, table: Table) -> int:
        return int(self.connection.scalar(select(func.max(table.c.id))) or 0) + 1

    def delete(self, ids: Sequence[int]) -> None:
        """Delete annotations with all their rows."""
        for table in (schema.timings, schema.visits, schema.events):
            if ids:
                self.connection.execute(delete(table).where(table.c.annotation_id.in_(ids)))
        if ids:
            markings = schema.markings
            self.connection.execute(delete(markings).where(markings.c.id.in_(ids)))

    def _procedures(self, records: Sequence[Record]) -> dict[str, int]:
        """Give the id of each vocabulary by code, with new ones and new steps written."""
        procedures, steps = schema.procedures, schema.steps
        ids = {row.code: row.id for row in self.connection.execute(select(procedures))}
        self.step_ids = {
            (row.procedure_id, row.code): row.id for row in self.connection.execute(select(steps))
        }
        next_procedure, next_step = self._next(procedures), self._next(steps)
        for record in records:
            code = record.annotation.procedure
            if code not in ids:
                ids[code], next_procedure = next_procedure, next_procedure + 1
                name = record.procedure_name
                self.connection.execute(
                    insert(procedures).values(id=ids[code], code=code, name=name)
                )
            for step in steps_of(record):
                key = (ids[code], step.code)
                if key in self.step_ids:
                    continue
                self.step_ids[key], next_step = next_step, next_step + 1
                place = record.order.index(step.code) if step.code in record.order else 10_000
                self.connection.execute(
                    insert(steps).values(
                        id=self.step_ids[key],
                        procedure_id=ids[code],
                        code=step.code,
                        name=step.name,
                        level=step.kind.value,
                        category=step.category or "",
                        place=place,
                    )
                )
        return ids

    def _cases(self, records: Sequence[Record]) -> tuple[dict[str, int], dict[str, list[str]]]:
        """Write cases and their facts; give their ids, and sentences on facts that changed."""
        cases, covariates = schema.cases, schema.covariates
        names = {record.annotation.case for record in records}
        found = {
            row.name: row
            for row in self.connection.execute(select(cases).where(cases.c.name.in_(names)))
        }
        ids = {name: int(row.id) for name, row in found.items()}
        facts: dict[str, StoredRow] = {
            name: {key: getattr(row, key) for key in TOLD} for name, row in found.items()
        }
        kept: dict[str, dict[str, str]] = {name: {} for name in names}
        by_id = {number: name for name, number in ids.items()}
        if by_id:
            held = select(covariates).where(covariates.c.case_id.in_(by_id))
            for row in self.connection.execute(held):
                kept[by_id[row.case_id]][row.name] = row.value
        next_id = self._next(cases)
        told: dict[str, list[str]] = {}
        touched: dict[str, None] = {}
        new: list[str] = []
        for record in records:
            name = record.annotation.case
            if name not in ids:
                ids[name], next_id = next_id, next_id + 1
                facts[name] = {key: getattr(record.facts, key) for key in TOLD}
                kept[name] = dict(record.facts.covariates)
                new.append(name)
                touched[name] = None
            else:
                changed = _merge(facts[name], kept[name], record.facts)
                if changed is not None:
                    touched[name] = None
                    told.setdefault(name, []).extend(changed)
        if new:
            rows = [{"id": ids[name], "name": name, **facts[name]} for name in new]
            self.connection.execute(insert(cases), rows)
        for name in touched:
            if name in found:
                statement = update(cases).where(cases.c.id == ids[name]).values(**facts[name])
                self.connection.execute(statement)
        old = [ids[name] for name in touched if name in found]
        if old:
            self.connection.execute(delete(covariates).where(covariates.c.case_id.in_(old)))
        rows = [
            {"case_id": ids[name], "name": key, "value": value}
            for name in touched
            for key, value in kept[name].items()
        ]
        if rows:
            self.connection.execute(insert(covariates), rows)
        return ids, told

    def _gather(self, number: int, case: int, procedure: int, record: Record, digest: str) -> None:
        """Lay out the rows of one annotation."""
        marked, rows = record.annotation, self.rows
        whole = cut(
            any(step.open_start for step in record.steps),
            any(step.open_end for step in record.steps),
        )
        rows.setdefault(schema.markings, []).append(
            {
                "id": number,
                "case_id": case,
                "procedure_id": procedure,
                "annotator": marked.annotator,
                "recorded": json.dumps([[span.start, span.end] for span in record.recorded]),
                "recorded_ns": record.recorded.length,
                "observed_ns": record.observed_ns,
                "excluded_ns": record.excluded_ns,
                "cut": whole,
                "digest": digest,
            }
        )
        rows.setdefault(schema.timings, []).extend(
            {
                "annotation_id": number,
                "step_id": self.step_ids[procedure, found.step.code],
                "visits": len(found.segments),
                "active_ns": found.active_ns,
                "elapsed_ns": found.elapsed_ns,
                "first_ns": found.first_ns,
                "last_ns": found.last_ns,
                "cut": cut(found.open_start, found.open_end),
            }
            for found in record.steps
        )
        rows.setdefault(schema.visits, []).extend(
            {
                "annotation_id": number,
                "place": place,
                "step_id": self.step_ids[procedure, visit.step.code],
                "start_ns": visit.span.start,
                "end_ns": visit.span.end,
                "cut": cut(visit.open_start, visit.open_end),
            }
            for place, visit in enumerate(visits_of(record), 1)
        )
        rows.setdefault(schema.events, []).extend(
            {
                "annotation_id": number,
                "place": place,
                "step_id": self.step_ids[procedure, event.step.code],
                "at_ns": event.at,
            }
            for place, event in enumerate(marked.events, 1)
        )


def steps_of(record: Record) -> list[Step]:
    """Give every label that the record uses, once."""
    marked = record.annotation
    used = {found.step.code: found.step for found in record.steps}
    used |= {event.step.code: event.step for event in marked.events}
    used |= {visit.step.code: visit.step for visit in (*marked.segments, *marked.excluded)}
    return list(used.values())


def visits_of(record: Record) -> list[Segment]:
    """Give visits and excluded spans in order of time."""
    marked = record.annotation
    return sorted((*marked.segments, *marked.excluded), key=lambda visit: visit.span)


def record_digest(record: Record) -> str:
    """Give the SHA-256 of all that is kept of an annotation, facts of the case apart."""
    kept = [
        [[span.start, span.end] for span in record.recorded],
        [record.observed_ns, record.excluded_ns],
        [
            [
                f.step.code,
                len(f.segments),
                *(f.active_ns, f.elapsed_ns, f.first_ns, f.last_ns),
                *(f.open_start, f.open_end),
            ]
            for f in record.steps
        ],
        [
            [v.step.code, v.span.start, v.span.end, v.open_start, v.open_end]
            for v in visits_of(record)
        ],
        [[event.step.code, event.at] for event in record.annotation.events],
    ]
    return bytes_sha256(json.dumps(kept).encode())


def _merge(facts: StoredRow, kept: dict[str, str], told: CaseFacts) -> list[str] | None:
    """Put told facts over kept ones; give sentences on those that replaced another.

    None where nothing changed.
    """
    sentences: list[str] = []
    changed = False
    for key in TOLD:
        value = getattr(told, key)
        if value in ("", None) or value == facts[key]:
            continue
        if facts[key] not in ("", None):
            sentences.append(f"{key} was {facts[key]}, now {value}")
        facts[key], changed = value, True
    for key, value in told.covariates:
        if kept.get(key) == value:
            continue
        if key in kept:
            sentences.append(f"{key} was {kept[key]}, now {value}")
        kept[key], changed = value, True
    return sentences if changed else None


def spans_from(text: str) -> Spans:
    """Read the recorded spans as they are kept."""
    return Spans(Span(start, end) for start, end in json.loads(text))
