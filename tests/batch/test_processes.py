"""Processes that are killed, and their manners."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import BrokenExecutor
from pathlib import Path
from typing import Any

import pytest

from vidseg.batch.processes import NICENESS, Lanes
from vidseg.batch.whole import BatchSettings, Told
from vidseg.cli import main
from vidseg.pipeline.outputs import RunOptions

pytestmark = pytest.mark.slow

Contents = Callable[[Path], dict[str, bytes]]
Report = Callable[[Path], dict[str, dict[str, str]]]
only = ("--only", "durations,stills", "--quiet")
posix = pytest.mark.skipif(os.name == "nt", reason="signals as here are POSIX's")


def kill_at(gate: Any, case: str, times: int) -> threading.Thread:
    """Kill so many processes that begin the case; the next one is let go on."""
    gate.hold(case)

    def watch() -> None:
        killed: set[int] = set()
        while len(killed) < times:
            pid = gate.process_at(case)
            if pid is not None and pid not in killed:
                os.kill(pid, signal.SIGKILL)
                killed.add(pid)
            time.sleep(0.005)
        gate.release(case)

    thread = threading.Thread(target=watch)
    thread.start()
    return thread


@posix
def test_a_case_that_kills_is_set_aside_and_the_others_are_done(
    share: Callable[..., Path],
    tmp_path: Path,
    batch: Callable[..., Told],
    contents_of: Contents,
    report_of: Report,
    gate: Any,
) -> None:
    source, out, plain = share(6), tmp_path / "out", tmp_path / "plain"
    batch(
        source,
        plain,
        settings=BatchSettings(RunOptions(outputs=frozenset({"durations", "stills"}))),
    )
    once, twice = kill_at(gate, "c01", 1), kill_at(gate, "c03", 2)
    assert main(["batch", str(source), "--out", str(out), "--jobs", "2", *only]) == 1
    once.join()
    twice.join()
    rows = report_of(out)
    assert {name for name, row in rows.items() if row["outcome"] == "done"} == {
        "c00", "c01", "c02", "c04", "c05",
    }  # fmt: skip
    assert rows["c03"]["outcome"] == "set aside"
    assert not (out / "cases" / "c03").exists()
    assert main(["batch", str(source), "--out", str(out), *only]) == 1
    assert report_of(out)["c03"]["outcome"] == "set aside"
    assert main(["batch", str(source), "--out", str(out), "--retry-set-aside", *only]) == 0
    assert contents_of(out) == contents_of(plain)


@posix
def test_a_lane_that_broke_is_made_anew_and_gives_way_to_others() -> None:
    with Lanes(1) as lanes:
        with pytest.raises(BrokenExecutor):
            lanes.submit(os._exit, 9).result()
        own = os.getpriority(os.PRIO_PROCESS, 0)
        priority = lanes.submit(os.getpriority, os.PRIO_PROCESS, 0).result()
        assert priority == min(19, own + NICENESS)


ORPHAN = """
import os, sys, time
from vidseg.batch.processes import Lanes
if __name__ == "__main__":
    lanes = Lanes(1)
    print(lanes.submit(os.getpid).result(), flush=True)
    lanes.submit(time.sleep, 3600)
    sys.stdin.read()
"""


@posix
def test_processes_end_with_their_parent(tmp_path: Path, wait_for: Callable[..., None]) -> None:
    script = tmp_path / "orphan.py"
    script.write_text(ORPHAN, encoding="utf-8")
    with subprocess.Popen(
        [sys.executable, str(script)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        parent.kill()
    wait_for(lambda: not alive(child))


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    stat = Path(f"/proc/{pid}/stat")  # one that has ended but is not waited for counts as gone
    return not (stat.exists() and stat.read_text().rsplit(")", 1)[1].split()[0] == "Z")
