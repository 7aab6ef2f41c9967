"""One case as a job: plain data that goes to a worker, what the worker does, what comes back."""

from __future__ import annotations

import shutil
import socket
import time
import traceback
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

from vidseg import __version__
from vidseg.batch.leases import MOST_DEATHS, STATE, claimed
from vidseg.disk.locks import InUseError
from vidseg.disk.trouble import is_disk_full
from vidseg.export.document import digest
from vidseg.export.folder import read_manifest
from vidseg.formats import read_sheet
from vidseg.formats.vocabulary import builtin_texts
from vidseg.measure.case.ruler import Clock
from vidseg.media.read.threads import use_threads
from vidseg.model.case import Case
from vidseg.model.problem import Problem, Severity, VidsegError
from vidseg.model.procedure import chosen_vocabulary, vocabulary_file
from vidseg.pipeline.outputs import RunOptions
from vidseg.pipeline.writing import write_case
from vidseg.reading import read_case_files

CASES = "cases"
"""The folder, in the batch's, that holds a folder for each case."""
PATIENCE_S = 600.0
"""How long a worker waits for another one that still has the same case."""
LEAST_FREE = 4 << 20
"""With fewer bytes free after a failure the disk counts as full."""


class Ending(StrEnum):
    """What became of a case."""

    DONE = "done"
    UNCHANGED = "unchanged"
    IN_ERROR = "rows in error"
    FAILED = "failed"
    ASIDE = "set aside"
    REFUSED = "refused"
    DROPPED = "dropped"
    WAITING = "not begun"

    @property
    def good(self) -> bool:
        """Whether the case's outputs are there."""
        return self in (Ending.DONE, Ending.UNCHANGED)


@dataclass(frozen=True, slots=True)
class Job:
    """One case to be done. ``token`` names the batch; ``threads`` is how many a decoder may use."""

    case: Case
    out: Path
    options: RunOptions
    token: str
    procedure: str | None = None
    clock: Clock = "recording"
    despite_errors: bool = False
    threads: int = 1
    version: str = __version__

    @property
    def folder(self) -> Path:
        """Where the case's outputs go."""
        return self.out / CASES / self.case.id

    @property
    def inputs(self) -> tuple[Path, ...]:
        """The files that go in, with that of the vocabulary that counts."""
        files, named = self.case.files, None
        if self.procedure is None and self.case.annotation in files:
            with suppress(VidsegError):  # told when the case is done
                named = read_sheet(Path(str(self.case.annotation))).procedure
        own = vocabulary_file(chosen_vocabulary(self.procedure, named, self.case.procedure))
        return files if own is None or own in files else (*files, own)

    @property
    def asked(self) -> str:
        """The digest of what is asked for, the same for all cases of a batch."""
        asked = (replace(self.options, cores=0), self.procedure, self.clock, self.despite_errors)
        return digest((self.version, *asked))

    @property
    def key(self) -> str:
        """The digest of all that goes into the outputs but the inputs' bytes."""
        return digest((self.asked, self.case, builtin_texts()))


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one case. ``problems`` as "code" or "3 × code"; ``bytes`` of the folder."""

    case: str
    ending: Ending
    reason: str = ""
    problems: tuple[str, ...] = ()
    errors: int = 0
    notes: tuple[str, ...] = ()
    seconds: float = 0.0
    recorded_ns: int = 0
    made: int = 0
    kept: int = 0
    bytes: int = 0
    worker: str = ""
    disk_full: bool = False
    trace: str = ""


class _Dropped(Exception):  # noqa: N818 - a request, not a fault
    """The user wants running cases dropped."""


def drop_file(out: Path, token: str) -> Path:
    """Give the file whose presence tells workers to drop what they have in hand."""
    return out / STATE / f"drop-{token}"


def do(job: Job) -> Outcome:
    """Do one case, in whatever process; raises nothing that a case can cause."""
    start = time.monotonic()
    try:
        outcome = _claimed(job)
    except (VidsegError, InUseError) as error:
        outcome = _failed(job, error, str(error))
    except _Dropped:
        outcome = Outcome(job.case.id, Ending.DROPPED, "dropped on request")
    except OSError as error:
        outcome = _failed(job, error, f"{error.strerror or error} ({error.filename or 'a file'})")
    except Exception as error:
        text = "".join(traceback.format_exception(error))
        reason = f"unexpected, a fault of vidseg: {type(error).__name__}: {error}"
        outcome = replace(_failed(job, error, reason), trace=text)
    return replace(outcome, seconds=time.monotonic() - start, worker=socket.gethostname())


def _claimed(job: Job) -> Outcome:
    if job.version != __version__:
        return Outcome(
            job.case.id,
            Ending.FAILED,
            f"the worker has vidseg {__version__}, this batch is of {job.version}; install the "
            "same on all machines",
        )
    use_threads(job.threads)
    with claimed(job.out, job.case.id, job.token, PATIENCE_S) as deaths:
        if deaths >= MOST_DEATHS:
            return set_aside(job)
        return _done(job)


def set_aside(job: Job) -> Outcome:
    """Give the outcome of a case that is not tried again."""
    return Outcome(
        job.case.id,
        Ending.ASIDE,
        f"{MOST_DEATHS} workers died at it (out of memory, killed, or a fault in a decoder); it is "
        "not tried again unless --retry-set-aside is given",
    )


def _done(job: Job) -> Outcome:
    drop = drop_file(job.out, job.token)
    looked = 0.0

    def progress(_stage: str, _fraction: float) -> None:
        nonlocal looked
        now = time.monotonic()
        if now - looked > 1.0:
            looked = now
            if drop.exists():
                raise _Dropped

    result = read_case_files(job.case, procedure=job.procedure, clock=job.clock, progress=progress)
    told = _told(job.case.id, result.problems)
    told = replace(told, recorded_ns=result.timing.recorded_ns)
    if told.errors and not job.despite_errors:
        wrong = [str(p) for p in result.problems if p.severity is Severity.ERROR]
        more = f" … and {len(wrong) - 5} more" if len(wrong) > 5 else ""
        return replace(told, ending=Ending.IN_ERROR, reason="; ".join(wrong[:5]) + more)
    options = replace(job.options, cores=job.threads)
    made = write_case(result, job.folder, options, progress)
    return replace(
        told,
        ending=Ending.DONE if made.made else Ending.UNCHANGED,
        notes=made.notes,
        made=len(made.made),
        kept=made.kept,
        bytes=sum(entry.bytes for entry in read_manifest(job.folder).values()),
    )


def _told(case: str, problems: tuple[Problem, ...]) -> Outcome:
    counts = Counter(problem.code for problem in problems)
    told = [code if count == 1 else f"{count} × {code}" for code, count in counts.items()]
    errors = sum(problem.severity is Severity.ERROR for problem in problems)
    return Outcome(case, Ending.DONE, problems=tuple(told), errors=errors)


def _failed(job: Job, error: BaseException, reason: str) -> Outcome:
    return Outcome(job.case.id, Ending.FAILED, reason, disk_full=_is_full(error, job.out))


def _is_full(error: BaseException | None, out: Path) -> bool:
    while error is not None:
        if is_disk_full(error):
            return True
        error = error.__cause__ or error.__context__
    try:
        return shutil.disk_usage(out).free < LEAST_FREE
    except OSError:
        return False
