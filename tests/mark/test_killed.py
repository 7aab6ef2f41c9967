"""A server killed at any moment: every batch that it answered is there when it starts again."""

import errno
import os
import random
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import httpx
import pytest

from vidseg.formats import read_sheet
from vidseg.mark.journal import journal_path
from vidseg.mark.keeper import AnnotationKeeper
from vidseg.mark.sheet_rows import Desk

pytestmark = pytest.mark.slow

KILLS = 12
Kept = Callable[..., AbstractContextManager[AnnotationKeeper]]
Started = Callable[..., AbstractContextManager[tuple[subprocess.Popen[str], str]]]


def mark_until_killed(
    process: subprocess.Popen[str], base: str, number: int, answers: int, wait_s: float
) -> dict[str, int]:
    """Send batches one after the other; kill the server ``wait_s`` after so many of its answers,
    whatever it does then. Gives what was answered."""
    answered: dict[str, int] = {}
    killer = threading.Timer(wait_s, process.kill)
    origin = base.rsplit("/", 2)[0]
    with httpx.Client(
        base_url=base, headers={"Origin": origin}, timeout=300, trust_env=False
    ) as page:
        before = None
        try:
            for count in range(10_000):
                name = f"r{number}-{count // 3}"
                after = None
                if count % 3 < 2:
                    after = {"id": name, "label": "capsulorhexis", "start_ns": count % 3}
                batch = {"id": f"{name}-{count}", "changes": [{"before": before, "after": after}]}
                answer = page.post("changes", json={"client": "c", "batch": batch})
                assert answer.status_code == 200, answer.text
                answered[batch["id"]] = answer.json()["revision"]  # type: ignore[index]
                before = after
                if len(answered) == answers:
                    killer.start()
        except httpx.TransportError:
            pass
    killer.join()
    process.wait(300)
    return answered


def test_killed_at_random_moments(started: Started, clip: Path, tmp_path: Path) -> None:
    """Each server goes on with what the one killed before left; at the end all that was ever
    answered is in the history, in order, and the file holds the rows."""
    chance = random.Random(7)
    kept = tmp_path / "steps.json"
    answered: dict[str, int] = {}
    addresses = set()
    for number in range(KILLS):
        with started(str(clip), "--annotation", str(kept)) as (process, base):
            addresses.add(base)
            answered |= mark_until_killed(
                process, base, number, chance.randint(1, 6), chance.uniform(0, 0.2)
            )
    assert len(addresses) == 1
    with started(str(clip), "--annotation", str(kept)) as (process, base):
        origin = base.rsplit("/", 2)[0]
        with httpx.Client(
            base_url=base, headers={"Origin": origin}, timeout=300, trust_env=False
        ) as page:
            state = page.get("state").json()
            page.post("stop", json={})
        assert process.wait(300) == 0
    order = [entry["id"] for entry in state["history"]]
    assert [name for name in order if name in answered] == list(answered)
    assert [order.index(name) + 1 for name in answered] == list(answered.values())
    assert len(order) - len(answered) <= KILLS
    assert len(answered) > KILLS
    assert len(read_sheet(kept).marks) == len(state["rows"])
    assert not journal_path(kept).exists()


def test_a_change_made_just_before_the_kill_is_in_the_next_session(
    started: Started, clip: Path, tmp_path: Path, desk: Desk, kept: Kept
) -> None:
    path = tmp_path / "steps.json"
    with started(str(clip), "--annotation", str(path)) as (process, base):
        answered = mark_until_killed(process, base, 0, 1, 0.1)
        assert answered
    with kept(path, desk) as keeper:
        assert [batch.id for batch in keeper.batches][: len(answered)] == list(answered)


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 0)])
def test_a_signal_ends_it_in_good_order(
    started: Started, clip: Path, tmp_path: Path, number: signal.Signals, code: int
) -> None:
    path = tmp_path / "steps.json"
    with started(str(clip), "--annotation", str(path)) as (process, base):
        origin = base.rsplit("/", 2)[0]
        with httpx.Client(
            base_url=base, headers={"Origin": origin}, timeout=300, trust_env=False
        ) as page:
            row = {"id": "a", "label": "capsulorhexis", "start_ns": 0, "end_ns": 40_000_000}
            batch = {"id": "1", "changes": [{"before": None, "after": row}]}
            page.post("changes", json={"client": "c", "batch": batch})
            with page.stream("GET", "events") as stream:
                lines = stream.iter_lines()
                next(lines)
                os.kill(process.pid, number)
                assert "event: stopping" in list(lines)
        assert process.wait(300) == code
        assert process.stderr is not None
        assert "Traceback" not in process.stderr.read()
    assert len(read_sheet(path).marks) == 1
    assert [child.name for child in tmp_path.iterdir()] == ["steps.json"]


def mounted(folder: Path, size: str) -> bool:
    command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    try:
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        return False


def fill(ballast: Path) -> None:
    """Write until there is no room for a byte."""
    with ballast.open("wb", buffering=0) as file:
        for size in (512, 1):
            try:
                while True:
                    file.write(b"\0" * size)
            except OSError as error:
                if error.errno != errno.ENOSPC:
                    raise


def test_a_disk_that_is_truly_full(
    tmp_path: Path, desk: Desk, kept: Kept, wait_for: Callable[..., None]
) -> None:
    """A file system of 64 KB, filled up while rows are marked, and emptied again."""
    from vidseg.mark.journal import Unwritable
    from vidseg.mark.rows import Batch, Change, MarkRow

    folder = tmp_path / "small"
    folder.mkdir()
    if not mounted(folder, "64k"):
        pytest.skip("no small file system can be mounted here (needs root)")
    try:
        path, ballast = folder / "steps.json", folder / "ballast"
        with kept(path, desk) as keeper:
            row = MarkRow("a", "capsulorhexis", 0, 40_000_000)
            keeper.make(Batch("1", "c", (Change(None, row),)))
            assert keeper.bring_up_to_date()
            fill(ballast)
            answered, refused = [row], ""
            for number in range(400):
                after = MarkRow("a", "capsulorhexis", 0, 40_000_000, note=f"note {number} " * 5)
                change = Change(answered[-1], after)
                try:
                    keeper.make(Batch(f"n{number}", "c", (change,)))
                    answered.append(after)
                except Unwritable as error:
                    refused = str(error)
                    break
            assert refused == "the disk is full"
            assert not keeper.bring_up_to_date()
            assert "full" in (keeper.trouble or "")
            assert [mark.note for mark in read_sheet(path).marks] != [answered[-1].note]
            assert keeper.rows["a"] == answered[-1]
            ballast.unlink()
            last = MarkRow("a", "capsulorhexis", 0, 40_000_000, note="last")
            keeper.make(Batch("last", "c", (Change(answered[-1], last),)))
            wait_for(keeper.bring_up_to_date)
        assert [mark.note for mark in read_sheet(path).marks] == ["last"]
    finally:
        subprocess.run(["umount", str(folder)], check=True)
