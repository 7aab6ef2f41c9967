"""``vidseg library add``."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vidseg.cli.library.options import library_option, opened
from vidseg.cli.options import FILE, length_option, procedure_option, quiet_option, rate_option
from vidseg.cli.screen import progress_shown, say, show_problems

if TYPE_CHECKING:
    from vidseg.library.adding import Added
    from vidseg.many.gather import Gathered

AT_ONCE = 500
"""Cases read before they are written."""


@click.command("add")
@click.argument("sources", type=FILE, nargs=-1, required=True)
@click.option(
    "--cases",
    "table",
    type=FILE,
    metavar="TABLE",
    help="CSV or XLSX with a row per case: case (or annotation, a file name), length or frames "
    "and rate, surgeon, role, experience, case_number, date, complete; every other column is a "
    "covariate.",
)
@click.option(
    "--case-column",
    metavar="NAME",
    help="The annotation tables hold many cases each, told apart by this column.",
)
@click.option("--case", "case", default="", help="Name of the case, for a single one.")
@click.option("--annotator", default="", help="Who marked these; kept beside other annotators.")
@procedure_option
@rate_option
@length_option
@click.option("--despite-errors", is_flag=True, help="Add cases although rows are in error.")
@library_option
@quiet_option
def command(
    sources: tuple[Path, ...],
    table: Path | None,
    case_column: str | None,
    case: str,
    annotator: str,
    procedure: str | None,
    rate: Fraction | None,
    length_ns: int | None,
    despite_errors: bool,
    place: str,
    quiet: bool,
) -> int:
    """Add cases to the library: output folders of `vidseg run` (or a folder of such), case.toml
    files, or bare annotations with a table of cases.

    Each case goes in wholly or not at all. The same again changes nothing; a changed one replaces
    what was there, and that is said. Several processes may add at once.

    \b
    Examples:
      vidseg library add *.vidseg
      vidseg library add steps/*.csv --cases cases.csv
      vidseg library add second/*.csv --cases cases.csv --annotator B
      vidseg library add all.csv --case-column VideoID --cases videos.csv
    """
    from vidseg.formats.case_table import read_case_table
    from vidseg.many.gather import GatherOptions, gather
    from vidseg.model.problem import UsageError

    if case and (len(sources) > 1 or case_column):
        raise UsageError("--case names a single case; use --cases for several")
    if length_ns and (len(sources) > 1 or case_column):
        raise UsageError("--length is that of a single recording; use --cases for several")
    wanted = GatherOptions.of(
        read_case_table(table) if table else (),
        case_column=case_column,
        procedure=procedure,
        rate=rate,
        length_ns=length_ns,
        annotator=annotator,
        case=case,
        despite_errors=despite_errors,
    )
    missing = [str(path) for path in sources if not path.exists()]
    if missing:
        raise UsageError(f"no such file: {', '.join(missing)}")
    counts: Counter[str] = Counter()
    with opened(place, make=True) as library, progress_shown(quiet) as progress:
        waiting: list[Gathered] = []

        def write() -> None:
            records = [met.record for met in waiting if met.record is not None]
            for added in library.add(records):
                counts[added.outcome] += 1
                _tell(added, quiet)
            waiting.clear()

        for met in gather(sources, wanted, progress):
            _show(met, quiet)
            counts["refused"] += met.record is None
            counts["without length"] += bool(met.doubt) and met.record is not None
            counts["--cases"] += met.listed
            counts["--rate"] += met.in_frames
            waiting.append(met)
            if len(waiting) >= AT_ONCE:
                write()
        write()
        say(f"{_sum(counts)} in {library.place}", quiet)
    idle = [
        f"{option}: {why}"
        for option, given, why in (
            ("--cases", table, f"no row of {table} is about any of these cases"),
            ("--rate", rate, "no row of these annotations is written in frames or timecode"),
        )
        if given is not None and not counts[option]
    ]
    for sentence in idle:
        say(f"{sentence}, so it changed nothing")
    return int(counts["refused"] > 0 or bool(idle))


def _show(met: Gathered, quiet: bool) -> None:
    if met.record is None:
        show_problems(met.problems, quiet)
        say(f"{met.source}: not added: {met.refused}")
    elif not quiet:
        from vidseg.model.problem import Severity

        show_problems(p for p in met.problems if p.severity is Severity.ERROR)


def _tell(added: Added, quiet: bool) -> None:
    who = f" by {added.annotator}" if added.annotator else ""
    if added.outcome == "replaced":
        say(f"{added.case}{who} ({added.procedure}): replaced what was there", quiet)
    for sentence in added.facts:
        say(f"{added.case}: {sentence}", quiet)


def _sum(counts: Counter[str]) -> str:
    parts = [
        f"{counts[outcome]} {outcome}"
        for outcome in ("added", "replaced", "unchanged")
        if counts[outcome]
    ]
    if counts["refused"]:
        parts.append(f"{counts['refused']} not added")
    if counts["without length"]:
        parts.append(
            f"{counts['without length']} of unknown length, their observed time ends with the "
            "last mark"
        )
    return ", ".join(parts) or "nothing to add"
