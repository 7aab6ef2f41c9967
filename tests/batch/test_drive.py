"""The driver on other executors, what a second start does, and what the journal remembers."""

import errno
import json
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from vidseg.batch.drive import Engine, Stop, drive
from vidseg.batch.job import Ending, Job, Outcome, do
from vidseg.batch.journal import BatchJournal, Begun, whole
from vidseg.batch.leases import claimed
from vidseg.batch.whole import BatchSettings, BatchStatus, Told, jobs_of, plan_batch
from vidseg.batch.worklist import read_work
from vidseg.disk import locks
from vidseg.model.problem import UsageError
from vidseg.pipeline.outputs import RunOptions

Batch = Callable[..., Told]
TABLES = RunOptions(outputs=frozenset({"durations"}))


def endings(told: Told) -> list[Ending]:
    return [row.outcome.ending for row in told.rows]


def age(out: Path) -> None:
    """Let the journal be written a minute later, so that no input is too fresh to be trusted."""
    path = out / ".batch" / "journal.jsonl"
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    for row in rows:
        row["begun"]["seen_ns"] += 60_000_000_000
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")


def test_any_executor_will_do(
    share: Callable[..., Path],
    tmp_path: Path,
    contents_of: Callable[[Path], dict[str, bytes]],
    batch: Batch,
    thread_engine: Any,
) -> None:
    source = share(4)
    assert set(endings(batch(source, tmp_path / "one", engine=thread_engine(1)))) == {Ending.DONE}
    assert set(endings(batch(source, tmp_path / "two", engine=thread_engine(2)))) == {Ending.DONE}
    made = contents_of(tmp_path / "one")
    assert len(made) == 4 * 6
    assert made == contents_of(tmp_path / "two")


def test_where_nobody_can_be_kept_out_it_says_so(
    share: Callable[..., Path], tmp_path: Path, batch: Batch, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unknown(_file: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(locks, "_lock", unknown)
    told = batch(share(1), tmp_path / "out")
    assert endings(told) == [Ending.DONE]
    assert "this folder knows no locks: let no other batch work in it" in told.sentences


def test_a_case_that_another_process_has_is_a_failed_one(
    share: Callable[..., Path], tmp_path: Path, batch: Batch, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("vidseg.batch.job.PATIENCE_S", 0.0)
    with claimed(tmp_path / "out", "c00", "another batch", 0):
        (row,) = batch(share(1), tmp_path / "out").rows
    assert row.outcome.ending is Ending.FAILED
    assert row.outcome.reason == "another process works on c00"
    assert row.outcome.trace == ""


def test_again_it_does_only_what_is_missing_or_changed(
    share: Callable[..., Path], tmp_path: Path, batch: Batch
) -> None:
    source, out = share(4), tmp_path / "out"
    batch(source, out)
    age(out)
    asked: list[str] = []

    class Listening(ThreadPoolExecutor):
        def submit(self, fn: Any, /, job: Job) -> Future[Any]:  # type: ignore[override]
            asked.append(job.case.id)
            return super().submit(fn, job)

    @contextmanager
    def listening() -> Iterator[Engine]:
        with Listening(1) as pool:
            yield Engine(pool, lambda: 1, "threads")

    def again(settings: BatchSettings | None = None) -> tuple[list[str], Told]:
        asked.clear()
        told = batch(source, out, settings=settings or BatchSettings(TABLES), engine=listening())
        age(out)
        return sorted(asked), told

    assert again()[0] == []
    (out / "cases" / "c01" / "case.json").unlink()
    source.write_text(source.read_text().replace(",S2,", ",S9,"), encoding="utf-8")
    names, told = again()
    assert names == ["c01", "c02"]
    assert endings(told) == [Ending.UNCHANGED, Ending.DONE, Ending.DONE, Ending.UNCHANGED]
    assert '"S9"' in (out / "cases" / "c02" / "case.json").read_text(encoding="utf-8")
    own = tmp_path / "own.csv"
    text = source.read_text(encoding="utf-8")
    first = text.splitlines()[1].split(",")[2]
    own.write_text(Path(first).read_text(encoding="utf-8"), encoding="utf-8")
    source.write_text(text.replace(first, str(own), 1), encoding="utf-8")
    assert again()[0] == ["c00"]
    own.write_text(own.read_text().replace("0:00.8", "0:00.9"), encoding="utf-8")
    assert again()[0] == ["c00"]
    assert again()[0] == []
    more = RunOptions(outputs=frozenset({"durations", "stills"}))
    assert len(again(BatchSettings(more))[0]) == 4


def test_a_torn_line_of_the_journal_is_passed_over(
    tmp_path: Path, share: Any, batch: Batch
) -> None:
    source, out = share(2), tmp_path / "out"
    batch(source, out)
    path = out / ".batch" / "journal.jsonl"
    text = path.read_text(encoding="utf-8")
    path.write_text(text[:-20], encoding="utf-8")
    journal = BatchJournal(out)
    assert len(journal.rows) == 1
    ((name, row),) = journal.rows.items()
    journal.write(row.begun, replace(row.outcome, case="another"))
    assert set(BatchJournal(out).rows) == {name, "another"}
    journal.tidy()
    assert len(path.read_text(encoding="utf-8").splitlines()) == 2
    assert batch(source, out).rows[0].outcome.ending.good


def test_a_folder_with_a_file_missing_or_cut_is_not_whole(
    tmp_path: Path, share: Any, batch: Batch
) -> None:
    source, out = share(1), tmp_path / "out"
    batch(source, out)
    folder = out / "cases" / "c00"
    assert whole(folder)
    (folder / "events.csv").write_bytes(b"")
    assert not whole(folder)
    assert not whole(out / "none")
    assert endings(batch(source, out)) == [Ending.DONE]
    assert whole(folder)


def test_stopped_it_finishes_what_runs_and_begins_nothing(
    share: Callable[..., Path], tmp_path: Path, batch: Batch
) -> None:
    out, seen = tmp_path / "out", []

    def shown(standing: BatchStatus) -> None:
        seen.append(standing)

    def stop() -> Stop:
        return Stop.FINISH if seen and seen[-1].ended else Stop.NO

    told = batch(share(6), out, stop=stop, shown=shown)
    counts = endings(told)
    assert 0 < counts.count(Ending.DONE) < 6
    assert counts.count(Ending.WAITING) == 6 - counts.count(Ending.DONE)
    assert set(endings(batch(tmp_path / "c.csv", out))) == {Ending.DONE, Ending.UNCHANGED}


def test_dropped_cases_leave_nothing_half_made(share: Callable[..., Path], tmp_path: Path) -> None:
    source, out = share(3), tmp_path / "out"
    listed = read_work(source, out)
    (job,) = jobs_of(listed, out, BatchSettings(TABLES), "t")[:1]
    (out / ".batch").mkdir(parents=True)
    (out / ".batch" / "drop-t").touch()
    assert do(job).ending is Ending.DROPPED
    assert not (out / "cases" / "c00").exists()
    (out / ".batch" / "drop-t").unlink()
    assert do(job).ending is Ending.DONE


def test_a_case_at_which_two_workers_died_is_set_aside(share: Any, tmp_path: Path) -> None:
    out = tmp_path / "out"
    job = jobs_of(read_work(share(1), out), out, BatchSettings(TABLES), "t")[0]
    for _ in range(2):
        with claimed(out, "c00", "t", 0):
            marks = (out / ".batch" / "claims" / "c00").read_bytes()
        (out / ".batch" / "claims" / "c00").write_bytes(marks)  # as if it had not ended
    # the second block took its own mark away, so two are left
    assert do(job).ending is Ending.ASIDE
    other = replace(job, token="another batch")
    assert do(other).ending is Ending.DONE


class Vanishing(Executor):
    """An executor whose workers vanish without having begun anything."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.cancel()
        future.set_running_or_notify_cancel()
        return future


def test_workers_that_always_vanish_do_not_keep_it_for_ever(share: Any, tmp_path: Path) -> None:
    out = tmp_path / "out"
    jobs = jobs_of(read_work(share(2), out), out, BatchSettings(TABLES), "t")
    met: list[Outcome] = []
    engine = Engine(Vanishing(), lambda: 1, "none")
    assert drive(jobs, engine, lambda _job, outcome: met.append(outcome)) == ((), "")
    assert [outcome.ending for outcome in met] == [Ending.FAILED] * 2
    assert "its worker was lost 8 times" in met[0].reason


def test_a_lost_engine_gives_back_all_that_is_left(share: Any, tmp_path: Path) -> None:
    out = tmp_path / "out"
    jobs = jobs_of(read_work(share(2), out), out, BatchSettings(TABLES), "t")
    engine = Engine(Vanishing(), lambda: 0, "none", lost=lambda: "gone")
    left, halt = drive(jobs, engine, lambda _job, _outcome: None)
    assert (len(left), halt) == (2, "gone")


def test_two_batches_do_not_share_a_folder(
    share: Any, tmp_path: Path, batch: Batch, thread_engine: Any
) -> None:
    source, out = share(1), tmp_path / "out"

    @contextmanager
    def other() -> Iterator[Engine]:
        with pytest.raises(UsageError, match="another batch works in"):
            batch(source, out)
        with thread_engine() as engine:
            yield engine

    assert endings(batch(source, out, engine=other())) == [Ending.DONE]
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("x", encoding="utf-8")
    with pytest.raises(UsageError, match="no batch wrote"):
        batch(source, tmp_path / "mine")


def test_a_worker_of_another_version_says_so(share: Any, tmp_path: Path) -> None:
    out = tmp_path / "out"
    job = jobs_of(read_work(share(1), out), out, BatchSettings(TABLES), "t")[0]
    assert "install the same" in do(replace(job, version="0.0.1")).reason


def test_a_plan_tells_time_and_disk_as_earlier_cases_took(
    share: Any, tmp_path: Path, batch: Batch
) -> None:
    out = tmp_path / "out"
    settings = BatchSettings(TABLES)
    guess = plan_batch(read_work(share(6), out), out, settings)
    assert (len(guess.jobs), guess.measured) == (6, False)
    assert not out.exists()
    batch(share(2), out)
    age(out)
    plan = plan_batch(read_work(share(6), out), out, settings)
    assert (len(plan.jobs), len(plan.settled), plan.measured) == (4, 2, True)
    rows = list(BatchJournal(out).rows.values())
    share_done = plan.read_bytes / sum(row.begun.bytes for row in rows)
    assert plan.seconds == pytest.approx(share_done * sum(row.outcome.seconds for row in rows))
    assert plan.bytes == pytest.approx(share_done * sum(row.outcome.bytes for row in rows), abs=1)
    assert isinstance(plan.jobs[0][1], Begun)
    assert plan.free > 0
