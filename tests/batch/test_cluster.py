"""A scheduler and three workers as a department starts them: killed workers, a killed scheduler."""

import os
import random
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from vidseg.batch import cluster as cluster_engine
from vidseg.batch import leases as claims
from vidseg.batch.journal import BatchJournal
from vidseg.batch.whole import BatchSettings, Told
from vidseg.model.problem import UsageError
from vidseg.pipeline.outputs import RunOptions

pytest.importorskip("distributed", reason="distributed is not installed")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name == "nt", reason="kills as here are POSIX's"),
]

Contents = Callable[[Path], dict[str, bytes]]
Report = Callable[[Path], dict[str, dict[str, str]]]
ONLY = ("--only", "durations,stills", "--quiet")
CASES, KILLS, WORKERS = 60, 10, 3
PASSING = 4
"""So many cases may begin between two kills, so that no machine is through before the last."""
PATIENCE_S = 600
"""Nothing is measured here: a machine with other work may take its time."""


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


class Cluster:
    """A scheduler and workers, each a process of its own; a killed worker is started again."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port = folder, port
        self.address = f"tcp://127.0.0.1:{port}"
        self.scheduler = self.start("scheduler", "--host", "127.0.0.1", "--port", str(port))
        self.workers: list[subprocess.Popen[bytes]] = []

    def start(self, what: str, *arguments: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", f"distributed.cli.dask_{what}", *arguments]
        with (self.folder / f"{what}.log").open("ab") as log:
            return subprocess.Popen(
                [*command, "--no-dashboard"], stdout=log, stderr=log, cwd=self.folder
            )

    def add_worker(self) -> None:
        self.workers.append(
            self.start("worker", self.address, "--no-nanny", "--nthreads", "1", "--host",
                       "127.0.0.1", "--memory-limit", "0")
        )  # fmt: skip

    def kill_worker(self, chance: random.Random) -> None:
        worker = self.workers.pop(chance.randrange(len(self.workers)))
        worker.kill()
        worker.wait()

    def close(self) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()
        self.workers.clear()


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    started = Cluster(tmp_path, free_port())
    try:
        yield started
    finally:
        started.close()


def begin(cluster: Cluster, source: Path, out: Path, *more: str) -> subprocess.Popen[bytes]:
    """Start the batch in a process of its own."""
    command = [sys.executable, "-m", "vidseg", "batch", str(source), "--out", str(out)]
    return subprocess.Popen(
        [*command, "--scheduler", cluster.address, *ONLY, *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )


def ended(out: Path) -> int:
    """How many cases the journal holds."""
    path = out / claims.STATE / "journal.jsonl"
    return path.read_bytes().count(b"\n") if path.exists() else 0


def test_sixty_cases_ten_workers_killed_and_the_scheduler(
    share: Callable[..., Path],
    tmp_path: Path,
    cluster: Cluster,
    batch: Callable[..., Told],
    contents_of: Contents,
    report_of: Report,
    gate: Any,
    wait_for: Callable[..., None],
) -> None:
    source, out, plain = share(CASES), tmp_path / "out", tmp_path / "plain"
    gate.permit(0)
    for _ in range(WORKERS):
        cluster.add_worker()
    batch(
        source,
        plain,
        settings=BatchSettings(RunOptions(outputs=frozenset({"durations", "stills"}))),
    )
    wanted = contents_of(plain)
    assert len({name.split("/")[1] for name in wanted}) == CASES

    chance = random.Random(20)
    killed = 0
    night = begin(cluster, source, out)

    def kill() -> None:
        nonlocal killed
        while killed < KILLS:
            before = ended(out)
            gate.permit(gate.permits_taken() + PASSING)
            wait_for(lambda before=before: ended(out) > before)
            # another case is being worked on or was a moment ago, and what comes next is held
            cluster.kill_worker(chance)
            killed += 1
            cluster.add_worker()
        gate.permit_all()

    killer = threading.Thread(target=kill)
    killer.start()
    told = night.communicate(timeout=PATIENCE_S)[0].decode()
    killer.join()
    rows = report_of(out)
    assert len(rows) == CASES
    # chance may have killed two workers at one case, which then counts as a case that kills
    aside = [name for name, row in rows.items() if row["outcome"] == "set aside"]
    # and a worker killed between its last file and its answer leaves nothing to be done
    assert {row["outcome"] for row in rows.values()} <= {"done", "unchanged", "set aside"}, told
    assert night.returncode == int(bool(aside)), told
    assert not list((out / "cases").glob(".*.old"))

    # the rest, with a scheduler that dies, and with another
    for number in range(20):
        shutil.rmtree(out / "cases" / f"c{number:02}", ignore_errors=True)
    BatchJournal(out).tidy()
    before = ended(out)
    gate.permit(gate.permits_taken() + 2)
    night = begin(cluster, source, out, "--retry-set-aside")
    wait_for(lambda: ended(out) > before or night.poll() is not None)
    cluster.scheduler.kill()
    told = night.communicate(timeout=PATIENCE_S)[0].decode()
    assert night.returncode == 2, told
    assert "the scheduler is gone" in told
    assert "Traceback" not in told
    cluster.close()

    gate.permit_all()
    again = Cluster(tmp_path, free_port())
    try:
        again.add_worker()
        night = begin(again, source, out, "--retry-set-aside")
        told = night.communicate(timeout=PATIENCE_S)[0].decode()
        assert night.returncode == 0, told
    finally:
        again.close()
    assert contents_of(out) == wanted


def test_without_a_scheduler_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster_engine, "PATIENCE_S", 0.5)
    address = f"tcp://127.0.0.1:{free_port()}"
    with pytest.raises(UsageError, match="no scheduler answers"), cluster_engine.joined(address):
        pass


def listening() -> list[int]:
    """Ports on which this process and its children take calls."""
    psutil = pytest.importorskip("psutil", reason="psutil is not installed")
    here = psutil.Process()
    return [
        connection.laddr.port
        for process in (here, *here.children(recursive=True))
        for connection in process.net_connections("tcp")
        if connection.status == psutil.CONN_LISTEN
    ]


def answer_to_a_stranger(port: int) -> bytes:
    with socket.create_connection(("127.0.0.1", port), timeout=10) as caller:
        caller.sendall(b"GET /json/identity.json HTTP/1.1\r\nHost: localhost\r\n\r\n")
        try:
            return caller.recv(64)
        except ConnectionResetError:
            return b""


def test_nobody_else_speaks_to_a_local_cluster() -> None:
    distributed = pytest.importorskip("distributed", reason="distributed is not installed")
    before = set(listening())
    with cluster_engine.local_cluster(1) as engine:
        assert engine.executor.submit(sum, [1, 2]).result(timeout=60) == 3
        ports = set(listening()) - before
        assert len(ports) == 3  # the scheduler, a worker and its keeper; no page of any of them
        for port in ports:
            assert not answer_to_a_stranger(port).startswith(b"HTTP")
            for address, security in (
                (f"tcp://127.0.0.1:{port}", None),
                (f"tls://127.0.0.1:{port}", distributed.security.Security.temporary()),
            ):
                with pytest.raises((OSError, TimeoutError)):
                    distributed.Client(
                        address, security=security, timeout=5, set_as_default=False
                    ).close()
