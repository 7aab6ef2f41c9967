"""What several tests share: a recording made by hand, a browser, an empty PostgreSQL database where
they can be had, and the rule that CI skips nothing."""

import os
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vidseg.model.recording import Part, Recording


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


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):  # type: ignore[no-untyped-def]
    """Under ``VIDSEG_REQUIRE_ALL`` (continuous integration) a skipped test is a failed one."""
    report = yield
    if report.skipped and os.environ.get("VIDSEG_REQUIRE_ALL") and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped although everything is to be tested: {report.longrepr}"
    return report
