"""Hands jobs to an executor, one for each place it has, and takes what comes back.

Any ``concurrent.futures.Executor`` will do. A job whose worker died goes to the end of the line;
the marks that workers leave (``claims``) say which case was at fault, and after two deaths it is
set aside.
"""

from __future__ import annotations

import time
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    wait,
)
from contextlib import contextmanager
from dataclasses import dataclass
from enum import IntEnum

from vidseg.batch.job import Ending, Job, Outcome, do, drop_file, set_aside
from vidseg.batch.leases import MOST_DEATHS, deaths
from vidseg.batch.processes import Lanes

LOOK_EVERY_S = 0.2
MOST_TRIES = 8
"""Times that a job is handed out where workers vanish before they have begun it."""


class Stop(IntEnum):
    """What the user wants: go on, finish the running cases, or drop them."""

    NO = 0
    FINISH = 1
    DROP = 2


@dataclass(frozen=True, slots=True)
class Engine:
    """What runs jobs. ``places`` gives how many at a time; ``died`` are the exceptions by which it
    tells that a worker is gone; ``lost`` says why nothing more can be run, else is empty."""

    executor: Executor
    places: Callable[[], int]
    name: str
    died: tuple[type[BaseException], ...] = ()
    lost: Callable[[], str] = lambda: ""


@contextmanager
def processes(count: int) -> Iterator[Engine]:
    """Use ``count`` processes of this machine for the block."""
    lanes = Lanes(count)
    try:
        yield Engine(lanes, lambda: count, f"{count} processes")
    except BaseException:
        lanes.shutdown(wait=False, cancel_futures=True)
        raise
    lanes.shutdown()


def drive(
    jobs: Iterable[Job],
    engine: Engine,
    ended: Callable[[Job, Outcome], None],
    stop: Callable[[], Stop] = lambda: Stop.NO,
    tick: Callable[[frozenset[str]], None] = lambda running: None,
) -> tuple[tuple[Job, ...], str]:
    """Run jobs until all have ended, the user stops, the disk is full, or the engine is gone.

    ``ended`` is told each outcome, ``tick`` several times a second which cases run. Gives the jobs
    that were not ended, and why where it is not the user's wish.
    """
    waiting = deque(jobs)
    running: dict[Future[Outcome], Job] = {}
    tries: Counter[str] = Counter()
    halt = ""
    dropping = False
    while waiting or running:
        wish = stop()
        if wish is Stop.DROP and running and not dropping:
            dropping = True
            first = next(iter(running.values()))
            drop_file(first.out, first.token).touch()
        if not (wish or halt):
            _hand_out(waiting, running, tries, engine)
        elif not running:
            break
        if not running:
            time.sleep(LOOK_EVERY_S)  # there is no worker at present
        done, _ = wait(running, LOOK_EVERY_S, FIRST_COMPLETED)
        for future in done:
            job = running.pop(future)
            outcome = _outcome(future, job, engine, tries[job.case.id])
            if outcome is None:
                waiting.append(job)
                continue
            if outcome.disk_full:
                halt = f"the disk is full ({job.out}); make room and give the same command again"
            ended(job, outcome)
        tick(frozenset(job.case.id for job in running.values()))
        lost = engine.lost()
        if lost and (waiting or running):
            return (*running.values(), *waiting), lost
    return tuple(waiting), halt


def _hand_out(
    waiting: deque[Job],
    running: dict[Future[Outcome], Job],
    tries: Counter[str],
    engine: Engine,
) -> None:
    places = engine.places()
    while waiting and len(running) < places:
        job = waiting.popleft()
        tries[job.case.id] += 1
        running[engine.executor.submit(do, job)] = job


def _outcome(future: Future[Outcome], job: Job, engine: Engine, tried: int) -> Outcome | None:
    """Give what became of a job; None where it is to be tried again."""
    gone: tuple[type[BaseException], ...] = (BrokenExecutor, CancelledError, *engine.died)
    try:
        return future.result()
    except gone as error:
        if deaths(job.out, job.case.id, job.token) >= MOST_DEATHS:
            return set_aside(job)
        if tried >= MOST_TRIES:
            reason = f"its worker was lost {tried} times: {error or type(error).__name__}"
            return Outcome(job.case.id, Ending.FAILED, reason)
        return None
    except Exception as error:
        reason = (
            f"the worker could not run it ({type(error).__name__}: {error}); workers need this "
            "vidseg and the same Python"
        )
        return Outcome(job.case.id, Ending.FAILED, reason)
