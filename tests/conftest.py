"""What several tests share: patience, a recording made by hand, a browser, an empty PostgreSQL
database where they can be had, and the rules of a run: how many workers, what first, and that CI
skips nothing."""

import os
import shutil
import subprocess
import tempfile
import time
import uuid
from collections.abc import Callable, Generator, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

import hypothesis
import numpy as np
import pytest

from vidseg.model.recording import Part, Recording

PATIENCE_S = 300.0
"""No test measures time: a machine with other work may take as long as this over anything."""

hypothesis.settings.register_profile(
    "unhurried", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow]
)
hypothesis.settings.load_profile("unhurried")


@pytest.fixture(scope="session")
def patience_s() -> float:
    """How long, in seconds, to wait for what must come before the test has failed."""
    return PATIENCE_S


@pytest.fixture(autouse=True)
def _pictures_are_not_read(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Reading takes a third of a second a picture: tests that are about it ask for ``reading``."""
    if "reading" not in request.fixturenames:
        monkeypatch.setattr("vidseg.media.picture.text_reader.can_read", lambda: False)


@pytest.fixture
def reading() -> None:
    """Read pictures, or skip where the recogniser is not installed."""
    from vidseg.media.picture.text_reader import can_read

    if not can_read():
        pytest.skip("the text extra is not installed: pip install '.[text]'")


def _wait_for(condition: Callable[[], object]) -> None:
    until = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < until, "it did not come to pass"
        time.sleep(0.02)


@pytest.fixture(scope="session")
def wait_for() -> Callable[..., None]:
    """Wait until a condition holds."""
    return _wait_for


@pytest.fixture(scope="session")
def ten_minutes() -> Recording:
    """Ten minutes at 25 frames/s, as data; there is no such file."""
    part = Part(
        path=Path("made-up.mp4"),
        start=0,
        length=600_000_000_000,
        frame_ns=np.arange(15_000, dtype=np.int64) * 40_000_000,
        width=640,
        height=360,
        container="mp4",
        codec="h264",
        profile="High",
        pixel_format="yuv420p",
        rate=Fraction(25),
        time_base=Fraction(1, 12800),
        first_pts=0,
    )
    return Recording((part,))


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


CHROMIUM_ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--mute-audio",
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Debian's Chromium, without a window, as playwright drives it."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        pytest.skip("no Chromium on this machine")
    with sync_api.sync_playwright() as playwright:
        found = playwright.chromium.launch(
            executable_path=chromium, args=list(CHROMIUM_ARGUMENTS), headless=True
        )
        yield found
        found.close()


@pytest.fixture(scope="session")
def axe() -> str:
    """The script of axe-core, the accessibility checker."""
    script = Path(os.environ.get("VIDSEG_AXE", ""))
    if not script.is_file():
        pytest.skip("VIDSEG_AXE does not name axe-core's axe.min.js")
    return script.read_text(encoding="utf-8")


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """Two workers, half of the time being waiting; none where files or tests are named, which are
    sooner done, and can be debugged, in this process."""
    if "PYTEST_XDIST_AUTO_NUM_WORKERS" in os.environ:
        return None
    return 2 if any(Path(argument).is_dir() for argument in config.args) else 0


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with slow tests come first, so that no worker waits for another at the end."""
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)


Report = TypeVar("Report", pytest.TestReport, pytest.CollectReport)


def _failed_if_skipped(report: Report) -> Report:
    if report.skipped and os.environ.get("VIDSEG_REQUIRE_ALL") and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped although everything is to be tested: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Under ``VIDSEG_REQUIRE_ALL`` (continuous integration) a skipped test is a failed one."""
    return _failed_if_skipped((yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """A whole file that would skip fails likewise."""
    return _failed_if_skipped((yield))
