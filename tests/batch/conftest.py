"""A share with small recordings and a list of cases on them, and what a batch wrote."""

import csv
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import cv2
import pytest

from synthetic_clips import make_clip
from vidseg.batch.drive import Engine
from vidseg.batch.whole import BatchSettings, Told, run_batch
from vidseg.batch.worklist import read_work
from vidseg.media.read import threads as media_threads
from vidseg.model.clock import NS
from vidseg.pipeline.outputs import RunOptions

STEPS = "start,end,step\n0:00.2,0:00.8,main incision\n0:01,{end},capsulorhexis\n"
Share = Callable[..., Path]
BESIDE = {".stamps.json"}
"""Files of a case's folder that hold times of files."""


@pytest.fixture(scope="session")
def footage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("share")
    for number in range(3):
        make_clip(
            folder / f"r{number}.mp4", frames=50, size=(96, 64), gop=25, first_number=50 * number
        )
        end = f"0:01.{5 + number}"
        (folder / f"s{number}.csv").write_text(STEPS.format(end=end), encoding="utf-8")
    for path in folder.iterdir():  # what was written just now may yet change, and is not trusted
        os.utime(path, ns=(path.stat().st_atime_ns, path.stat().st_mtime_ns - 60 * NS))
    return folder


def write_list(path: Path, rows: list[dict[str, str]]) -> Path:
    """Write a list; the columns are those that any row has."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, names, restval="")
        writer.writeheader()
        writer.writerows(rows)
    return path


@pytest.fixture
def share(footage: Path, tmp_path: Path) -> Share:
    """Make a list of so many cases, on recordings of its own or on those of all tests."""

    def make(count: int, prefix: str = "c") -> Path:
        rows = [
            {
                "case": f"{prefix}{number:02}",
                "recording": str(footage / f"r{number % 3}.mp4"),
                "annotation": str(footage / f"s{number // 3 % 3}.csv"),
                "surgeon": f"S{number % 4}",
                "pupil_mm": str(4 + number % 5),
            }
            for number in range(count)
        ]
        return write_list(tmp_path / f"{prefix}.csv", rows)

    return make


def contents(out: Path) -> dict[str, bytes]:
    """Everything a batch wrote for its cases, by name, but for times."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted((out / "cases").rglob("*"))
        if path.is_file() and path.name not in BESIDE
    }


def report(out: Path) -> dict[str, dict[str, str]]:
    """The rows of ``batch.csv`` by case."""
    with (out / "batch.csv").open(encoding="utf-8", newline="") as stream:
        return {row["case"]: row for row in csv.DictReader(stream)}


@pytest.fixture
def contents_of() -> Callable[[Path], dict[str, bytes]]:
    return contents


@pytest.fixture
def report_of() -> Callable[[Path], dict[str, dict[str, str]]]:
    return report


@pytest.fixture
def list_of() -> Callable[[Path, list[dict[str, str]]], Path]:
    return write_list


class Gate:
    """Holds cases in the workers that are started from now on: see ``gate/sitecustomize.py``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def hold(self, case: str) -> None:
        """Let no worker begin this case until ``release``."""
        (self.folder / f"stay-{case}").touch()

    def release(self, case: str) -> None:
        (self.folder / f"stay-{case}").unlink()

    def permit(self, count: int) -> None:
        """Let so many cases in all be begun from the start of the test on."""
        new = self.folder / "permits.new"
        new.write_text(str(count), encoding="utf-8")
        new.replace(self.folder / "permits")

    def permit_all(self) -> None:
        (self.folder / "permits").unlink()

    def permits_taken(self) -> int:
        """How many cases were begun under a permit."""
        return len(list(self.folder.glob("permit-*")))

    def process_at(self, case: str) -> int | None:
        """The process that came to the case last, None where none did."""
        try:
            return int((self.folder / f"at-{case}").read_text(encoding="utf-8"))
        except FileNotFoundError:
            return None


@pytest.fixture
def gate(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Gate:
    folder = tmp_path / "gate"
    folder.mkdir()
    monkeypatch.setenv("VIDSEG_GATE", str(folder))
    paths = [str(Path(__file__).with_name("gate")), os.environ.get("PYTHONPATH", "")]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, paths)))
    return Gate(folder)


@pytest.fixture(autouse=True)
def own_threads(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Jobs done in this process choose threads for it; other tests must not feel it."""
    monkeypatch.setattr(media_threads, "_chosen", [])
    before = cv2.getNumThreads()
    yield
    cv2.setNumThreads(before)


@contextmanager
def threads(count: int = 1) -> Iterator[Engine]:
    """Threads of this process as an engine."""
    with ThreadPoolExecutor(count) as pool:
        yield Engine(pool, lambda: count, "threads")


def do_batch(source: Path, out: Path, **changes: Any) -> Told:
    """Run a batch in this process, tables only unless ``settings`` say otherwise."""
    settings = changes.pop("settings", BatchSettings(RunOptions(outputs=frozenset({"durations"}))))
    engine = changes.pop("engine", None) or threads()
    return run_batch(source, read_work(source, out), out, settings, engine, **changes)


@pytest.fixture
def batch() -> Callable[..., Told]:
    return do_batch


@pytest.fixture
def thread_engine() -> Callable[..., Any]:
    return threads
