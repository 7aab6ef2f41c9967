"""``vidseg batch``: many recordings at once."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

import click

from vidseg.cli.library.options import opened
from vidseg.cli.options import (
    CLIPS_ALONE,
    FILE,
    clip_options,
    clock_option,
    procedure_option,
    quiet_option,
    refuse_given,
)
from vidseg.cli.screen import CAUTION, aligned, say
from vidseg.model.cutting import Cutting
from vidseg.pipeline.outputs import OUTPUTS, USUAL, RunOptions, outputs_text

if TYPE_CHECKING:
    from vidseg.batch.drive import Engine, Stop
    from vidseg.batch.whole import BatchSettings, BatchStatus, Told
    from vidseg.batch.worklist import WorkList
    from vidseg.measure.case.ruler import Clock


class Outputs(click.ParamType[frozenset[str]]):
    """Names of outputs with commas between them."""

    name = "outputs"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> frozenset[str]:
        """Read the names."""
        if isinstance(value, frozenset):
            return value
        names = [name.strip() for name in str(value).split(",") if name.strip()]
        unknown = [name for name in names if name not in OUTPUTS]
        if unknown or not names:
            self.fail(f"{value!r}: write one or several of {', '.join(OUTPUTS)}", param, ctx)
        return frozenset(names)


@click.command("batch", epilog=outputs_text())
@click.argument("source", type=FILE, metavar="LIST|FOLDER")
@click.option("--out", type=FILE, required=True, help="The folder for all that is made.")
@click.option(
    "--only",
    type=Outputs(),
    metavar="OUTPUTS",
    help=f"Only these, with commas between: {', '.join(OUTPUTS)}. [default: all but "
    f"{', '.join(name for name in OUTPUTS if name not in USUAL)}]",
)
@click.option(
    "--library",
    "place",
    metavar="FILE|URL",
    help="Also keep the cases in this library: a SQLite file, or postgresql://….",
)
@click.option(
    "--jobs",
    type=click.IntRange(1),
    metavar="N",
    help="Cases at a time on this machine. [default: the number of cores]",
)
@click.option("--scheduler", metavar="ADDRESS", help="Use this Dask scheduler: tcp://host:8786.")
@click.option(
    "--local-cluster", type=click.IntRange(1), metavar="N", help="Use N Dask workers made here."
)
@click.option("--dry-run", is_flag=True, help="Say what would be done; write nothing.")
@click.option("--retry-set-aside", is_flag=True, help="Try cases again at which workers died.")
@click.option("--despite-errors", is_flag=True, help="Do cases although rows are in error.")
@clip_options
@procedure_option
@clock_option
@quiet_option
def command(
    source: Path,
    out: Path,
    only: frozenset[str] | None,
    place: str | None,
    jobs: int | None,
    scheduler: str | None,
    local_cluster: int | None,
    dry_run: bool,
    retry_set_aside: bool,
    despite_errors: bool,
    steps: tuple[str, ...],
    pad_ns: int,
    join_visits: bool,
    cores: int,
    procedure: str | None,
    clock: Clock,
    quiet: bool,
    **cutting: Any,
) -> int:
    """Put many recordings through `run`, or a part of it, unattended.

    LIST is a CSV or XLSX file with a row per case: recording (a file name, several with | between
    them, or a case.toml), annotation, captions, case (its id), surgeon, and so on as for `library
    add --cases`; every other column is a covariate. A FOLDER is searched for case.toml. Paths are
    relative to the list.

    Every case gets a folder in OUT/cases; OUT/index.html and batch.csv tell what became of each.
    Given again, the same command does only what is missing or changed. Ctrl-C finishes the cases
    that run and begins no other; Ctrl-C again drops them.

    \b
    Examples:
      vidseg batch list.csv --out night --dry-run
      vidseg batch list.csv --out night --library cases.sqlite
      vidseg batch recordings --out night --only durations,audit,stills --jobs 2
      vidseg batch list.csv --out night --scheduler tcp://host:8786
    """
    from vidseg.batch.whole import BatchSettings, plan_batch
    from vidseg.batch.worklist import read_work
    from vidseg.model.problem import UsageError
    from vidseg.model.procedure import vocabulary_file

    if sum(given is not None for given in (jobs, scheduler, local_cluster)) > 1:
        raise UsageError("--jobs, --scheduler and --local-cluster: give one of them")
    outputs = USUAL if only is None else only
    if place is not None and "durations" not in outputs:
        raise UsageError("--library needs durations; add them to --only")
    if "clips" not in outputs:
        refuse_given(CLIPS_ALONE, "shapes clips; add them to --only")
    if not outputs & {"clips", "stills"}:
        refuse_given(["steps"], "chooses clips and stills; add one of them to --only")
    count = jobs or local_cluster or _cores()
    options = RunOptions(steps, pad_ns, join_visits, Cutting(**cutting), outputs=outputs)
    own = vocabulary_file(procedure)
    settings = BatchSettings(
        options,
        # a worker's present folder is another
        str(own.absolute()) if own else procedure,
        clock,
        despite_errors,
        threads=cores or (1 if scheduler else max(1, _cores() // count)),
        retry_set_aside=retry_set_aside,
    )
    listed = read_work(source, out)
    for bad in listed.refused:
        say(f"{bad.place}: refused: {bad.reason}")
    if dry_run:
        _say_plan(plan_batch(listed, out, settings), listed, None if scheduler else count)
        return int(bool(listed.refused))
    told = _run(
        source, listed, out, settings, _engine(scheduler, local_cluster, count), place, quiet
    )
    return _say_end(told, out, quiet)


def _cores() -> int:
    from vidseg.media.read.threads import cores

    return cores()


def _engine(scheduler: str | None, local: int | None, count: int) -> AbstractContextManager[Engine]:
    from vidseg.batch.cluster import joined, local_cluster
    from vidseg.batch.drive import processes

    if scheduler is not None:
        return joined(scheduler)
    return processes(count) if local is None else local_cluster(local)


def _say_plan(plan: Any, listed: WorkList, count: int | None) -> None:
    from vidseg.batch.pace import words

    rows = [("case", "listed", "to do")]
    todo = {job.case.id for job, _ in plan.jobs}
    for work in listed.works:
        state = next((o.ending.value for o in plan.settled if o.case == work.case.id), "yes")
        rows.append((work.case.id, work.place, "yes" if work.case.id in todo else f"no: {state}"))
    if listed.works:
        click.echo(aligned(rows, (False, False, False)))
        click.echo("")
    places = count or 1
    basis = "as earlier cases took" if plan.measured else "a rough guess, no case has been done yet"
    each = f"with {places} at a time" if count else "divided by the workers of the cluster"
    seconds = plan.seconds / places
    click.echo(
        f"{len(plan.jobs)} to do ({plan.read_bytes / 1e9:.1f} GB), {len(plan.settled)} not to be "
        f"done again, {len(listed.refused)} refused"
    )
    if not plan.jobs:
        return
    click.echo(f"time: about {words(seconds)} {each} ({basis})")
    click.echo(f"disk: about {plan.bytes / 1e9:.2f} GB, {plan.free / 1e9:.1f} GB are free")
    if plan.bytes > plan.free:
        click.echo("the disk is too small: make room, or ask for less with --only")


def _run(
    source: Path,
    listed: WorkList,
    out: Path,
    settings: BatchSettings,
    engine: AbstractContextManager[Engine],
    place: str | None,
    quiet: bool,
) -> Told:
    from vidseg.batch.library_writer import LibraryWriter
    from vidseg.batch.whole import refuse_other_folders, run_batch

    refuse_other_folders(out)
    with ExitStack() as stack:
        keeper = None
        if place is not None:
            library = stack.enter_context(opened(place, make=True))
            keeper = LibraryWriter.of(library, listed.works, despite_errors=settings.despite_errors)
        shown = stack.enter_context(_shown(quiet))
        stop = stack.enter_context(_stopping())
        return run_batch(
            source, listed, out, settings, engine, keeper=keeper, stop=stop, shown=shown
        )


@contextmanager
def _stopping() -> Iterator[Callable[[], Stop]]:
    """Let Ctrl-C ask for an end: once to finish the running cases, twice to drop them."""
    from vidseg.batch.drive import Stop

    asked = [Stop.NO]

    def ask(_number: int, _frame: FrameType | None) -> None:
        if asked[0] is Stop.DROP:
            raise KeyboardInterrupt
        asked[0] = Stop(asked[0] + 1)
        if asked[0] is Stop.FINISH:
            say("vidseg: finishing the cases that run; Ctrl-C again drops them")
        else:
            say("vidseg: dropping the cases that run")

    before = signal.signal(signal.SIGINT, ask)
    try:
        yield lambda: asked[0]
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _shown(quiet: bool) -> Iterator[Callable[[BatchStatus], None]]:
    """Show how a batch stands: a line that changes on a terminal, else a line for each case."""
    from rich.console import Console

    from vidseg.batch.pace import span_words

    console = Console(stderr=True)
    last: list[object] = [None]

    def words(standing: BatchStatus) -> str:
        left = span_words(standing.left_s)
        return (
            f"{standing.ended} of {standing.total}, {len(standing.running)} running, left: {left}"
        )

    def tell(standing: BatchStatus) -> None:
        if standing.last is not None and standing.last is not last[0]:
            last[0] = standing.last
            reason = f": {standing.last.reason}" if standing.last.reason else ""
            say(f"[{words(standing)}] {standing.last.case}: {standing.last.ending}{reason}")

    if quiet:
        yield lambda standing: None
    elif not console.is_terminal:
        yield tell
    else:
        with console.status("beginning") as status:

            def update(standing: BatchStatus) -> None:
                status.update(
                    words(standing) if standing.places else "waiting for workers of the cluster"
                )

            yield update


def _say_end(told: Told, out: Path, quiet: bool) -> int:
    from vidseg.batch.job import Ending
    from vidseg.batch.report import summary

    told_before = (Ending.WAITING, Ending.REFUSED)
    for row in told.rows:
        if not row.outcome.ending.good and row.outcome.ending not in told_before:
            reason = f": {row.outcome.reason}" if row.outcome.reason else ""
            say(f"{row.outcome.case} ({row.listed}): {row.outcome.ending}{reason}")
    for sentence in told.sentences:
        say(sentence)
    say(summary(told.rows), quiet)
    say(f"open: {out / 'index.html'}", quiet)
    say(CAUTION, quiet)
    if told.halt:
        return 2
    endings = {row.outcome.ending for row in told.rows}
    if endings & {Ending.WAITING, Ending.DROPPED}:
        say("vidseg: stopped; the same command goes on from here")
        return 130
    return int(any(not ending.good for ending in endings))
