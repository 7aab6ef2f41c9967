"""``case.json``: the canonical record of one case, for programs and for provenance; and the same
read back as what a library keeps of the case."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TypedDict, cast

from vidseg import __version__
from vidseg.export.facts_json import (
    ProblemDocument,
    RecordingDocument,
    problem_json,
    recording_facts,
)
from vidseg.export.tables import (
    DurationRow,
    EventRow,
    Row,
    SegmentRow,
    duration_rows,
    event_rows,
    segment_rows,
)
from vidseg.formats.text_file import read_text
from vidseg.model.annotation import Annotation, Event, Segment
from vidseg.model.case import CaseResult
from vidseg.model.clock import format_seconds, parse_time
from vidseg.model.edits import describe
from vidseg.model.problem import FormatError
from vidseg.model.procedure import LEVELS, Kind, Step
from vidseg.model.record import CaseFacts, Record, facts_from
from vidseg.model.span import Span, Spans
from vidseg.model.timing import StepTiming

CASE_JSON = "case.json"


class ProcedureDocument(TypedDict):
    """The vocabulary."""

    code: str
    name: str
    version: str


class InputDocument(TypedDict):
    """A file that went in."""

    file: str
    sha256: str


class LevelDocument(TypedDict):
    """Coverage by the labels of one level."""

    level: str
    covered_s: str
    gap_s: str
    overlap_s: str


class TimesDocument(TypedDict):
    """Sums of the case, in operative time."""

    recorded_s: str
    excluded_s: str
    observed_s: str
    covered_s: str
    gap_s: str
    levels: list[LevelDocument]


class CaseDocument(TypedDict):
    """A ``case.json`` as a whole; its rows are those of the tables, without the case."""

    vidseg: str
    case: str
    procedure: ProcedureDocument
    annotator: str
    surgeon: str
    role: str
    case_number: int | None
    covariates: dict[str, str]
    inputs: list[InputDocument]
    clock: str
    recording: RecordingDocument
    times: TimesDocument
    durations: list[DurationRow]
    segments: list[SegmentRow]
    events: list[EventRow]
    edits: list[str]
    problems: list[ProblemDocument]


def case_json(result: CaseResult, hash_of: Callable[[Path], str]) -> str:
    """Write the case: annotation as understood, times, recording, problems, provenance.

    ``hash_of`` gives the SHA-256 of an input. Nothing in it depends on the clock or on the
    machine, so that the same inputs give the same text.
    """
    timing = result.timing
    document: CaseDocument = {
        "vidseg": __version__,
        "case": result.annotation.case,
        "procedure": {
            "code": result.procedure.code,
            "name": result.procedure.name,
            "version": result.procedure.version,
        },
        "annotator": result.annotation.annotator,
        "surgeon": result.case.surgeon,
        "role": result.case.role,
        "case_number": result.case.case_number,
        "covariates": dict(result.case.covariates),
        "inputs": [{"file": path.name, "sha256": hash_of(path)} for path in result.case.files],
        "clock": result.recording.clock,
        "recording": recording_facts(result.recording),
        "times": {
            "recorded_s": format_seconds(timing.recorded_ns),
            "excluded_s": format_seconds(timing.excluded_ns),
            "observed_s": format_seconds(timing.observed_ns),
            "covered_s": format_seconds(timing.covered_ns),
            "gap_s": format_seconds(timing.gap_ns),
            "levels": [
                {
                    "level": level.level.value,
                    "covered_s": format_seconds(level.covered_ns),
                    "gap_s": format_seconds(level.gap_ns),
                    "overlap_s": format_seconds(level.overlaps.length),
                }
                for level in timing.levels
            ],
        },
        "durations": [_without_case(row) for row in duration_rows(timing, result.recording_timing)],
        "segments": [
            _without_case(row) for row in segment_rows(result.annotation, result.recording)
        ],
        "events": [_without_case(row) for row in event_rows(result.annotation, result.recording)],
        "edits": [describe(edit) for edit in result.edits.edits],
        "problems": [problem_json(problem) for problem in result.problems],
    }
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def _without_case(row: Row) -> Row:
    return cast(Row, {key: value for key, value in row.items() if key != "case"})


def read_record(path: Path) -> tuple[Record, int]:
    """Read a ``case.json``: the record, and how many errors its annotation had.

    The covariates ``experience`` and ``complete`` (true or false) are facts of their own. Raises
    FormatError where the file is not a ``case.json``.
    """
    try:
        document: CaseDocument = json.loads(read_text(path))
        errors = sum(problem["severity"] == "error" for problem in document["problems"])
        return _record(document), errors
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        what = f"{error!r:.80}"
        raise FormatError(
            str(path), None, f"not a case.json that `vidseg run` wrote ({what}); run it again"
        ) from None


def _record(document: CaseDocument) -> Record:
    segments: list[Segment] = []
    excluded: list[Segment] = []
    for row in document["segments"]:
        step = Step(row["step"], row["name"], Kind(row["level"]))
        segment = Segment(
            step,
            Span(parse_time(row["start_s"]), parse_time(row["end_s"])),
            open_start=bool(row["open_start"]),
            open_end=bool(row["open_end"]),
        )
        (segments if step.kind in LEVELS else excluded).append(segment)
    events = [
        Event(
            Step(row["event"], row["name"], Kind.EVENT, category=row["category"] or None),
            parse_time(row["at_s"]),
        )
        for row in document["events"]
    ]
    annotation = Annotation(
        str(document["case"]),
        str(document["procedure"]["code"]),
        str(document["annotator"]),
        segments=tuple(segments),
        events=tuple(events),
        excluded=tuple(excluded),
    )
    times = document["times"]
    return Record(
        annotation=annotation,
        procedure_name=str(document["procedure"]["name"]),
        order=tuple(row["step"] for row in document["durations"]),
        recorded=Spans(
            Span(parse_time(start), parse_time(end))
            for start, end in document["recording"]["recorded_s"]
        ),
        observed_ns=parse_time(times["observed_s"]),
        excluded_ns=parse_time(times["excluded_s"]),
        steps=tuple(_timing(row, segments) for row in document["durations"]),
        facts=_facts(document),
    )


def _timing(row: DurationRow, segments: list[Segment]) -> StepTiming:
    own = tuple(segment for segment in segments if segment.step.code == row["step"])
    return StepTiming(
        step=Step(row["step"], row["name"], Kind(row["level"])),
        segments=own,
        active_ns=parse_time(row["active_s"]),
        elapsed_ns=parse_time(row["elapsed_s"]),
        interrupted_ns=parse_time(row["interrupted_s"]),
        shared_ns=parse_time(row["shared_s"]),
        first_ns=parse_time(row["first_start_s"]),
        last_ns=parse_time(row["last_end_s"]),
        open_start=bool(row["open_start"]),
        open_end=bool(row["open_end"]),
    )


def _facts(document: CaseDocument) -> CaseFacts:
    number = document["case_number"]
    return facts_from(
        str(document["surgeon"]),
        str(document["role"]),
        None if number is None else int(number),
        {str(key): str(value) for key, value in document["covariates"].items()},
    )
