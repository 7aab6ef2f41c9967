"""What the tests of marking share: a desk without files, keepers, and a server in a thread."""

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest

from synthetic_clips import make_clip
from vidseg.formats.vocabulary import load_procedure
from vidseg.mark.hub import Hub
from vidseg.mark.keeper import AnnotationFacts, AnnotationKeeper
from vidseg.mark.session import Session
from vidseg.mark.sheet_rows import Desk
from vidseg.mark.start import MarkingRequest, marking
from vidseg.model.case import Case
from vidseg.model.recording import Recording

FACTS = AnnotationFacts("phaco")


@pytest.fixture(scope="session")
def desk(ten_minutes: Recording) -> Desk:
    """A desk for ten minutes of recording, of which there is no file."""
    return Desk(ten_minutes, load_procedure("phaco"))


@contextmanager
def _started(*arguments: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Start `vidseg mark` as a user would, and give the process and the page's address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "vidseg", "mark", *arguments, "--no-browser", "--quiet"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        yield process, process.stdout.readline().strip()
    finally:
        process.kill()
        process.communicate()


@pytest.fixture(scope="session")
def started() -> Callable[..., AbstractContextManager[tuple[subprocess.Popen[str], str]]]:
    """Start `vidseg mark` in a process of its own."""
    return _started


@contextmanager
def _kept(
    path: Path, desk: Desk, heard: list[tuple[str, Any]] | None = None
) -> Iterator[AnnotationKeeper]:
    """A keeper for a block; what it tells goes to ``heard``."""
    told = [] if heard is None else heard
    keeper = AnnotationKeeper(path, desk, FACTS, lambda name, data: told.append((name, data)))
    try:
        yield keeper
    finally:
        keeper.close()


@dataclass
class Served:
    """A server at work: ``page`` asks as its own page does."""

    session: Session
    page: httpx.Client
    base: str
    outcome: list[tuple[int | None, bool]]

    @property
    def host(self) -> str:
        return self.base.split("/")[2]

    @property
    def token(self) -> str:
        return self.base.split("/")[3]


@contextmanager
def _served(wanted: MarkingRequest) -> Iterator[Served]:
    """Serve in a thread for a block, and stop as the page would."""
    hub = Hub()
    addresses: list[str] = []
    outcome: list[tuple[int | None, bool]] = []
    ready = threading.Event()
    session = wanted.open(hub, lambda stage, done: None)

    def announce(address: str) -> None:
        addresses.append(address)
        ready.set()

    def run() -> None:
        outcome.append(marking(session, hub, 0, announce))

    thread = threading.Thread(target=run)
    thread.start()
    assert ready.wait(300)
    base = addresses[0]
    origin = base.rsplit("/", 2)[0]
    with httpx.Client(
        base_url=base, headers={"Origin": origin}, timeout=300, trust_env=False
    ) as page:
        try:
            yield Served(session, page, base, outcome)
        finally:
            # a test may have stopped it already
            with suppress(httpx.TransportError):
                page.post("stop", json={})
            thread.join(300)
            assert not thread.is_alive()


@pytest.fixture(scope="session")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two seconds at 25 frames/s."""
    path = tmp_path_factory.mktemp("mark") / "clip.mp4"
    make_clip(path, frames=50, size=(160, 96))
    return path


@pytest.fixture(scope="session")
def kept() -> Callable[..., AbstractContextManager[AnnotationKeeper]]:
    return _kept


@pytest.fixture(scope="session")
def served(clip: Path) -> Callable[..., AbstractContextManager[Served]]:
    """Serve the clip: ``served(annotation, draft=…, …)``."""

    def start(annotation: Path | None, **more: Any) -> AbstractContextManager[Served]:
        return _served(MarkingRequest(Case("clip", (clip,), annotation), **more))

    return start


@pytest.fixture(scope="session")
def serving() -> Callable[[MarkingRequest], AbstractContextManager[Served]]:
    """Serve anything: ``serving(Wanted(…))``."""
    return _served
