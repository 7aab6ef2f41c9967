"""``vidseg convert``."""

from __future__ import annotations

from pathlib import Path

import click

from vidseg.cli.options import FILE, quiet_option
from vidseg.cli.screen import has_errors, say, show_problems


@click.command("convert")
@click.argument("source", type=FILE)
@click.argument("target", type=FILE)
@click.option("--force", is_flag=True, help="Replace TARGET where it exists.")
@quiet_option
def command(source: Path, target: Path, force: bool, quiet: bool) -> int:
    """Convert the annotation SOURCE to the format that TARGET's ending names.

    Rows are carried over as written. What the target cannot hold is said, and a SOURCE with
    rows in error is not converted.

    \b
    Formats: .csv .tsv .xlsx .txt .vtt .srt .xml (Matroska chapters) .json
    Example:
      vidseg convert steps.xlsx steps.vtt
    """
    from vidseg.formats import read_sheet, write_sheet
    from vidseg.model.problem import UsageError

    if target.exists() and not force:
        raise UsageError(f"{target} exists; --force replaces it")
    sheet = read_sheet(source)
    show_problems(sheet.problems, quiet)
    if has_errors(sheet.problems):
        say(f"{source.name} has rows in error; nothing was written")
        return 1
    for sentence in write_sheet(sheet, target):
        say(f"{target.name}: {sentence}")
    say(f"written: {target} ({len(sheet.marks)} rows)", quiet)
    return 0
