"""Records made by hand, an empty library in SQLite and, where a server can be had, PostgreSQL."""

from collections.abc import Callable
from pathlib import Path

import pytest

from vidseg.measure.case.durations import time_case
from vidseg.model.annotation import Annotation, Event, Segment
from vidseg.model.clock import NS
from vidseg.model.procedure import Kind, Procedure, Step
from vidseg.model.record import CaseFacts, Record
from vidseg.model.span import Span, Spans

PROCEDURE = Procedure(
    "made_up",
    "A made-up operation",
    "1",
    "tests",
    (
        Step("cut", "First cut"),
        Step("turn", "Turning"),
        Step("close", "Closing"),
        Step("tear", "Small tear", Kind.EVENT, category="complication"),
        Step("pause", "Pause", Kind.EXCLUDED),
    ),
)
Rows = list[tuple[str, float, float]]
Maker = Callable[..., Record]


def make(
    case: str,
    rows: Rows,
    annotator: str = "",
    *,
    length_s: float = 100,
    open_end: str = "",
    procedure: Procedure = PROCEDURE,
    **facts: object,
) -> Record:
    """A record from rows (code, start s, end s); the step ``open_end`` is cut off at its end."""
    segments, excluded, events = [], [], []  # type: ignore[var-annotated]
    for code, start, end in rows:
        step = procedure.step(code)
        if step.kind is Kind.EVENT:
            events.append(Event(step, int(start * NS)))
            continue
        visit = Segment(step, Span(int(start * NS), int(end * NS)), open_end=code == open_end)
        (segments if step.timed else excluded).append(visit)
    annotation = Annotation(
        case,
        procedure.code,
        annotator,
        segments=tuple(segments),
        events=tuple(events),
        excluded=tuple(excluded),
    )
    recorded = Spans([Span(0, int(length_s * NS))])
    timing = time_case(annotation, procedure, recorded)
    return Record(
        annotation,
        procedure.name,
        tuple(step.code for step in procedure.steps),
        recorded,
        timing.observed_ns,
        timing.excluded_ns,
        timing.steps,
        CaseFacts(**facts),  # type: ignore[arg-type]
    )


@pytest.fixture
def make_record() -> Maker:
    return make


@pytest.fixture
def place(tmp_path: Path) -> str:
    return str(tmp_path / "library.sqlite")


@pytest.fixture(params=["sqlite", "postgresql"])
def anywhere(request: pytest.FixtureRequest, place: str) -> str:
    """A place for a library: a file, and a database of a server."""
    return place if request.param == "sqlite" else str(request.getfixturevalue("postgres"))
