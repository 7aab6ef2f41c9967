"""Records made by hand, an empty library in SQLite and, where a server can be had, PostgreSQL."""

import os
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from vidseg.measure.durations import time_case
from vidseg.model.annotation import Annotation, Event, Segment
from vidseg.model.clock import NS
from vidseg.model.procedure import Kind, Procedure, Step
from vidseg.model.record import Facts, Record
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
    segments, excluded, events = [], [], []
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
        Facts(**facts),  # type: ignore[arg-type]
    )


@pytest.fixture
def make_record() -> Maker:
    return make


@pytest.fixture
def place(tmp_path: Path) -> str:
    return str(tmp_path / "library.sqlite")


def _as_postgres(command: list[str]) -> list[str]:
    """The server refuses to run as root."""
    if hasattr(os, "getuid") and os.getuid() == 0:
        return ["runuser", "-u", "postgres", "--", *command]
    return command


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """The URL of a server: VIDSEG_POSTGRES_URL, else a throw-away one of the machine's own."""
    pytest.importorskip("psycopg", reason="psycopg is not installed")
    given = os.environ.get("VIDSEG_POSTGRES_URL")
    if given:
        yield given
        return
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if not found or (os.getuid() == 0 and shutil.which("runuser") is None):
        pytest.skip("no PostgreSQL: set VIDSEG_POSTGRES_URL, or install a server")
    programs = found[-1].parent
    folder = Path(tempfile.mkdtemp(prefix="vidseg-pg-"))
    try:
        if os.getuid() == 0:
            shutil.chown(folder, "postgres")
        data = folder / "data"
        subprocess.run(
            _as_postgres([str(programs / "initdb"), "-D", str(data), "-A", "trust", "-N"]),
            check=True,
            capture_output=True,
        )
        options = f"-c listen_addresses='' -c unix_socket_directories={folder} -c fsync=off"
        control = [str(programs / "pg_ctl"), "-D", str(data), "-w"]
        start = [*control, "-l", str(folder / "log"), "-o", options, "start"]
        subprocess.run(
            _as_postgres(start),
            check=True,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=folder,
        )
        owner = "postgres" if os.getuid() == 0 else os.environ.get("USER", "postgres")
        yield f"postgresql://{owner}@/postgres?host={folder}"
        subprocess.run(
            _as_postgres([*control, "-m", "immediate", "stop"]), check=True, capture_output=True
        )
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def postgres(postgres_server: str) -> Iterator[str]:
    """The URL of an empty database."""
    import psycopg

    name = f"vidseg_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(postgres_server, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    head, _, tail = postgres_server.partition("?")
    yield head.rsplit("/", 1)[0] + f"/{name}" + (f"?{tail}" if tail else "")
    with psycopg.connect(postgres_server, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(params=["sqlite", "postgresql"])
def anywhere(request: pytest.FixtureRequest, place: str) -> str:
    """A place for a library: a file, and a database of a server."""
    return place if request.param == "sqlite" else str(request.getfixturevalue("postgres"))
