"""A batch from start to end: planned, driven, remembered, kept, told."""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass
from pathlib import Path

from vidseg.batch.drive import Engine, Stop, drive
from vidseg.batch.job import CASES, Ending, Job, Outcome, drop_file
from vidseg.batch.journal import BatchJournal, Begun
from vidseg.batch.leases import STATE
from vidseg.batch.library_writer import LibraryWriter
from vidseg.batch.pace import Pace
from vidseg.batch.plan import BatchPlan, is_batch, make_plan
from vidseg.batch.report import ReportRow, write_report
from vidseg.batch.worklist import WorkList
from vidseg.disk.locks import InUseError, locked
from vidseg.measure.case.ruler import Clock
from vidseg.model.problem import UsageError
from vidseg.pipeline.outputs import RunOptions

REPORT_EVERY_S = 60.0
"""How often the report is written while the batch goes on."""


@dataclass(frozen=True, slots=True)
class BatchSettings:
    """How a batch is done: as for ``run``, and how jobs behave (see ``Job``)."""

    options: RunOptions
    procedure: str | None = None
    clock: Clock = "recording"
    despite_errors: bool = False
    threads: int = 1
    retry_set_aside: bool = False


@dataclass(frozen=True, slots=True)
class BatchStatus:
    """How a batch stands: cases ended and to be done in all, names of those that run, how long the
    rest may take (s, at least and at most; None where it is not known), the last outcome."""

    ended: int
    total: int
    running: frozenset[str]
    left_s: tuple[float, float] | None
    places: int
    last: Outcome | None


@dataclass(frozen=True, slots=True)
class Told:
    """How it ended: a row for every case in the list's order, and sentences for the user.

    ``halt`` says why it stopped early where the user did not wish it.
    """

    rows: tuple[ReportRow, ...]
    sentences: tuple[str, ...]
    halt: str = ""


def jobs_of(listed: WorkList, out: Path, settings: BatchSettings, token: str) -> list[Job]:
    """Make a job of every case listed."""
    return [
        Job(
            work.case,
            out,
            settings.options,
            token,
            settings.procedure,
            settings.clock,
            settings.despite_errors,
            settings.threads,
        )
        for work in listed.works
    ]


def plan_batch(listed: WorkList, out: Path, settings: BatchSettings) -> BatchPlan:
    """Say what a batch would do; writes nothing. Raises UsageError for a folder not a batch's."""
    refuse_other_folders(out)
    jobs = jobs_of(listed, out.absolute(), settings, "")
    return make_plan(jobs, BatchJournal(out), retry_set_aside=settings.retry_set_aside)


def refuse_other_folders(out: Path) -> None:
    """Raise UsageError for a folder that holds what no batch wrote."""
    if not is_batch(out):
        raise UsageError(f"{out} holds files that no batch wrote; choose another folder with --out")


def run_batch(
    source: Path,
    listed: WorkList,
    out: Path,
    settings: BatchSettings,
    engine: AbstractContextManager[Engine],
    *,
    keeper: LibraryWriter | None = None,
    stop: Callable[[], Stop] = lambda: Stop.NO,
    shown: Callable[[BatchStatus], None] = lambda standing: None,
) -> Told:
    """Do all that is missing or changed, and write the report, also when it is stopped.

    Raises UsageError for a folder that is not a batch's or that another batch works in, and for an
    engine that cannot be had.
    """
    refuse_other_folders(out)
    try:
        (out / STATE).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"cannot write to {out}: {error.strerror}") from error
    try:
        with locked(out / STATE / "lock") as alone:
            batch = _Batch(source, listed, out.absolute(), settings, keeper, stop, shown)
            if not alone:
                batch.sentences.append("this folder knows no locks: let no other batch work in it")
            return batch.run(engine)
    except InUseError:
        raise UsageError(
            f"another batch works in {out}; wait for it, or choose another folder with --out"
        ) from None


class _Batch:
    def __init__(
        self,
        source: Path,
        listed: WorkList,
        out: Path,
        settings: BatchSettings,
        keeper: LibraryWriter | None,
        stop: Callable[[], Stop],
        shown: Callable[[BatchStatus], None],
    ) -> None:
        self.source, self.listed, self.out, self.settings = source, listed, out, settings
        self.keeper, self.stop, self.shown = keeper, stop, shown
        self.token = uuid.uuid4().hex
        self.journal = BatchJournal(out)
        self.outcomes: dict[str, Outcome] = {}
        self.sentences: list[str] = []
        self.reported = time.monotonic()
        self.last: Outcome | None = None

    def run(self, engine: AbstractContextManager[Engine]) -> Told:
        for old in (self.out / STATE).glob("drop-*"):
            old.unlink(missing_ok=True)
        self.journal.tidy()
        jobs = jobs_of(self.listed, self.out, self.settings, self.token)
        plan = make_plan(jobs, self.journal, retry_set_aside=self.settings.retry_set_aside)
        for outcome in plan.settled:
            self.outcomes[outcome.case] = outcome
            self._keep(outcome)
        self.begun: dict[str, Begun] = {job.case.id: begun for job, begun in plan.jobs}
        self.pace = Pace({case: begun.bytes for case, begun in self.begun.items()})
        halt = ""
        if plan.jobs:
            with engine as running:
                self.engine = running
                try:
                    left, halt = drive(
                        [job for job, _ in plan.jobs], running, self._ended, self.stop, self._tick
                    )
                finally:
                    self._drop_file_gone()
            for job in left:
                self.outcomes[job.case.id] = Outcome(job.case.id, Ending.WAITING)
        return self._finish(halt)

    def _ended(self, job: Job, outcome: Outcome) -> None:
        case = outcome.case
        self.outcomes[case] = self.last = outcome
        self.pace.ended(case, outcome.seconds, worked=outcome.ending is Ending.DONE)
        if outcome.ending is not Ending.DROPPED:
            try:
                self.journal.write(self.begun[case], outcome)
            except OSError as error:
                self._say(f"what is done cannot be remembered: {error.strerror}")
        self._keep(outcome)

    def _keep(self, outcome: Outcome) -> None:
        if self.keeper is not None and outcome.ending.good:
            self.keeper.keep(self.out / CASES / outcome.case)

    def _tick(self, running: frozenset[str]) -> None:
        if time.monotonic() - self.reported > REPORT_EVERY_S:
            self.reported = time.monotonic()
            with suppress(OSError):
                write_report(self.out, self.source.name, self._rows(), self.sentences)
        places = self.engine.places()
        total = len(self.begun)
        ended = total - len(self.pace.weights)
        left = self.pace.left_s(places)
        self.shown(BatchStatus(ended, total, running, left, places, self.last))

    def _drop_file_gone(self) -> None:
        with suppress(OSError):
            drop_file(self.out, self.token).unlink(missing_ok=True)

    def _say(self, sentence: str) -> None:
        if sentence not in self.sentences:
            self.sentences.append(sentence)

    def _rows(self) -> list[ReportRow]:
        rows = [
            ReportRow(
                work.place,
                self.outcomes.get(work.case.id, Outcome(work.case.id, Ending.WAITING)),
            )
            for work in self.listed.works
        ]
        refused = [
            ReportRow(bad.place, Outcome(bad.name, Ending.REFUSED, bad.reason))
            for bad in self.listed.refused
        ]
        return rows + refused

    def _finish(self, halt: str) -> Told:
        if self.keeper is not None:
            self.keeper.flush()
            for sentence in (*self.keeper.refused, self.keeper.words(), self.keeper.trouble):
                if sentence:
                    self._say(sentence)
        if halt:
            self._say(halt)
        rows = self._rows()
        try:
            write_report(self.out, self.source.name, rows, self.sentences)
        except OSError as error:
            self._say(f"the report cannot be written: {error.strerror}")
        return Told(tuple(rows), tuple(self.sentences), halt)
