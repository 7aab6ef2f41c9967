"""``case.json`` of an output folder, read back as what a library keeps of a case."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from vidseg.formats.text_file import read_text
from vidseg.model.annotation import Annotation, Event, Segment
from vidseg.model.clock import parse_time
from vidseg.model.problem import FormatError
from vidseg.model.procedure import LEVELS, Kind, Step
from vidseg.model.record import CaseFacts, Record
from vidseg.model.span import Span, Spans
from vidseg.model.timing import StepTiming

_DATE = re.compile(r"\d{4}(-\d\d(-\d\d)?)?")


def read_record(path: Path) -> tuple[Record, int]:
    """Read a ``case.json``: the record, and how many errors its annotation had.

    The covariates ``experience`` and ``complete`` (true or false) are facts of their own. Raises
    FormatError where the file is not a ``case.json``.
    """
    try:
        document = json.loads(read_text(path))
        errors = sum(problem["severity"] == "error" for problem in document["problems"])
        return _record(document), errors
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        what = f"{error!r:.80}"
        raise FormatError(
            str(path), None, f"not a case.json that `vidseg run` wrote ({what}); run it again"
        ) from None


def _record(document: Mapping[str, Any]) -> Record:
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


def _timing(row: Mapping[str, Any], segments: list[Segment]) -> StepTiming:
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


def _facts(document: Mapping[str, Any]) -> CaseFacts:
    number = document["case_number"]
    return facts_from(
        str(document["surgeon"]),
        str(document["role"]),
        None if number is None else int(number),
        {str(key): str(value) for key, value in document["covariates"].items()},
    )


def facts_from(
    surgeon: str, role: str, case_number: int | None, covariates: Mapping[str, str]
) -> CaseFacts:
    """Give facts; the covariates ``experience``, ``date`` and ``complete`` get places of their own.

    A date or completeness that cannot be understood stays a covariate.
    """
    left = dict(covariates)
    experience = left.pop("experience", "")
    complete = {"true": True, "false": False}.get(left.get("complete", ""))
    if complete is not None:
        del left["complete"]
    date = left.get("date", "")
    if _DATE.fullmatch(date):
        del left["date"]
    else:
        date = ""
    return CaseFacts(surgeon, role, experience, case_number, date, complete, tuple(left.items()))
