"""What a batch will do, before it does it: which cases, how long, how much disk."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from vidseg.batch.job import Ending, Job, Outcome
from vidseg.batch.journal import BatchJournal, Begun, Remembered, whole
from vidseg.batch.leases import STATE
from vidseg.pipeline.outputs import OUTPUTS


@dataclass(frozen=True, slots=True)
class BatchPlan:
    """Jobs to be handed out, the largest first, with their inputs; outcomes that hold already.

    ``seconds`` is of one process; ``measured`` where earlier cases tell it.
    """

    jobs: tuple[tuple[Job, Begun], ...]
    settled: tuple[Outcome, ...]
    seconds: float
    bytes: int
    measured: bool
    free: int

    @property
    def read_bytes(self) -> int:
        """Size of all inputs still to be worked on."""
        return sum(begun.bytes for _, begun in self.jobs)


def make_plan(jobs: Sequence[Job], journal: BatchJournal, *, retry_set_aside: bool) -> BatchPlan:
    """Sort jobs into those to be done and those that need not be."""
    todo: list[tuple[Job, Begun]] = []
    settled: list[Outcome] = []
    for job in jobs:
        try:
            begun = Begun.of(job)
        except OSError as error:
            reason = f"{error.strerror} ({error.filename})"
            settled.append(Outcome(job.case.id, Ending.FAILED, reason))
            continue
        known = journal.rows.get(job.case.id)
        if known is not None and known.holds(begun):
            if known.outcome.ending.good and whole(job.folder):
                settled.append(
                    replace(
                        known.outcome,
                        ending=Ending.UNCHANGED,
                        made=0,
                        kept=known.outcome.made + known.outcome.kept,
                    )
                )
                continue
            if known.outcome.ending is Ending.ASIDE and not retry_set_aside:
                settled.append(known.outcome)
                continue
        todo.append((job, begun))
    todo.sort(key=lambda one: -one[1].bytes)
    seconds, size, measured = _estimate(todo, list(journal.rows.values()))
    out = jobs[0].out if jobs else Path()
    return BatchPlan(tuple(todo), tuple(settled), seconds, size, measured, _free(out))


def _estimate(
    todo: Sequence[tuple[Job, Begun]], known: Sequence[Remembered]
) -> tuple[float, int, bool]:
    """Give seconds and bytes for all of ``todo``, and whether earlier cases told them; else the
    guesses of ``OUTPUTS`` do."""
    if not todo:
        return 0.0, 0, True
    first, total = todo[0][0], sum(begun.bytes for _, begun in todo)
    alike = [
        row
        for row in known
        if row.outcome.ending is Ending.DONE
        and not row.outcome.kept
        and row.begun.asked == first.asked
    ]
    read = sum(row.begun.bytes for row in alike)
    if read:
        share = total / read
        seconds = sum(row.outcome.seconds for row in alike) * share
        return seconds, round(sum(row.outcome.bytes for row in alike) * share), True
    outputs = [OUTPUTS[name] for name in first.options.outputs]
    seconds = total / 1e9 * sum(output.seconds_a_gb for output in outputs) + len(todo)
    size = total * sum(output.copies for output in outputs)
    size += len(todo) * sum(output.bytes_a_case for output in outputs)
    return seconds, round(size), False


def _free(out: Path) -> int:
    """Give the bytes free where ``out`` is, or will be."""
    for folder in (out, *out.absolute().parents):
        if folder.is_dir():
            return shutil.disk_usage(folder).free
    return 0


def is_batch(out: Path) -> bool:
    """Say whether a folder is free for a batch, or one that a batch wrote."""
    return not out.exists() or (out.is_dir() and ((out / STATE).exists() or not any(out.iterdir())))
