"""What is printed: progress, problems and tables. Data goes to stdout, all else to stderr."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from vidseg.model.clock import format_time
from vidseg.model.problem import GUIDE, Problem, Severity
from vidseg.model.timing import StepTiming, Timing

CAUTION = (
    "Before you share any of it: patients must have consented, and nothing in picture, sound, "
    "captions or names may identify them. Time is not skill. vidseg is not a medical device."
)
"""Said after every command that writes what could be shared."""
COLOURS = {Severity.ERROR: "red", Severity.WARNING: "yellow", Severity.NOTE: "blue"}


@contextmanager
def progress_shown(quiet: bool) -> Iterator[Callable[[str, float], None]]:
    """Show a bar for each stage on stderr while the block runs; silent where asked or piped."""
    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        yield lambda stage, fraction: None
        return
    columns = (
        TextColumn("{task.description:>22}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console) as bars:
        tasks: dict[str, object] = {}

        def report(stage: str, fraction: float) -> None:
            if stage not in tasks:
                tasks[stage] = bars.add_task(stage, total=1.0)
            bars.update(tasks[stage], completed=min(1.0, fraction))  # type: ignore[arg-type]

        yield report


def say(text: str, quiet: bool = False) -> None:
    """Tell the user something on stderr."""
    if not quiet:
        click.echo(text, err=True)


def show_problems(problems: Iterable[Problem], quiet: bool = False, *, guide: bool = True) -> None:
    """Print problems on stderr, errors first; with ``quiet`` the notes are left out.

    With ``guide``, and unless ``quiet``, the pages that say more on them are named at the end, each
    once in a command.
    """
    order, pages = list(Severity), dict[str, None]()
    for problem in sorted(problems, key=lambda p: order.index(p.severity)):
        if quiet and problem.severity is Severity.NOTE:
            continue
        pages[GUIDE.get(problem.code, "problems")] = None
        mark = click.style(problem.severity.value, fg=COLOURS[problem.severity])
        place = problem.source + (f":{problem.line}" if problem.line is not None else "")
        click.echo(
            f"{place + ': ' if place else ''}{mark} [{problem.code}] {problem.message}", err=True
        )
    if guide and not quiet:
        context = click.get_current_context(silent=True)
        named: set[str] = context.meta.setdefault(f"{__name__}.named", set()) if context else set()
        if new := [f"vidseg guide {page}" for page in pages if page not in named]:
            click.echo(f"more on these: {', '.join(new)}", err=True)
        named |= set(pages)


def count_problems(problems: Sequence[Problem]) -> str:
    """Say how many problems of each severity there are, in words."""
    counts = [
        f"{number} {severity.value}{'s' if number != 1 else ''}"
        for severity in Severity
        if (number := sum(p.severity is severity for p in problems))
    ]
    return ", ".join(counts) if counts else "no problems"


def has_errors(problems: Iterable[Problem]) -> bool:
    """Say whether any problem is an error."""
    return any(problem.severity is Severity.ERROR for problem in problems)


def aligned(rows: Sequence[Sequence[str]], right: Sequence[bool]) -> str:
    """Align rows of text in columns, the first row underlined; ``right`` per column."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(right))]

    def line(row: Sequence[str]) -> str:
        cells = (
            cell.rjust(width) if flush else cell.ljust(width)
            for cell, width, flush in zip(row, widths, right, strict=True)
        )
        return "  ".join(cells).rstrip()

    rule = "  ".join("-" * width for width in widths)
    return "\n".join([line(rows[0]), rule, *(line(row) for row in rows[1:])])


def durations_text(timing: Timing, recording_timing: Timing | None = None) -> str:
    """Write the times of one case as an aligned table with its sums.

    ``recording_timing`` is told beside where it differs: ``timing`` then is operative time.
    """
    head = ("level", "step", "visits", "first start", "active", "elapsed", "interrupted", "share")
    rows = [head, *(_duration_cells(found, timing) for found in timing.steps)]
    lines = [aligned(rows, (False, False, True, True, True, True, True, True))]
    lines.append("")
    lines.append(
        f"recorded {format_time(timing.recorded_ns)}, excluded {format_time(timing.excluded_ns)}, "
        f"observed {format_time(timing.observed_ns)}"
    )
    for level in timing.levels:
        twice = level.overlaps.length
        lines.append(
            f"{level.level.value} level: covered {format_time(level.covered_ns)}, "
            f"gaps {format_time(level.gap_ns)}"
            + (f", counted by two or more {format_time(twice)}" if twice else "")
        )
    if recording_timing is not None and recording_timing != timing:
        lines.append(
            "times are operative, put right by the declared edits; in the recording: "
            + ", ".join(
                f"{found.step.code} {format_time(found.active_ns)}"
                for found in recording_timing.steps
            )
        )
    if any(found.open_start or found.open_end for found in timing.steps):
        lines.append("≥: the recording does not show all of the step; it took at least this long")
    return "\n".join(lines)


def _duration_cells(found: StepTiming, timing: Timing) -> tuple[str, ...]:
    at_least = "≥ " if found.open_start or found.open_end else ""
    share = found.active_ns / timing.observed_ns if timing.observed_ns else 0.0
    return (
        found.step.kind.value,
        found.step.name,
        str(len(found.segments)),
        format_time(found.first_ns),
        at_least + format_time(found.active_ns),
        at_least + format_time(found.elapsed_ns),
        format_time(found.interrupted_ns),
        f"{100 * share:.1f} %",
    )
