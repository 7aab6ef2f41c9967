"""``vidseg procedures``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from vidseg.cli.options import FILE
from vidseg.cli.screen import aligned, say
from vidseg.model.clock import format_time
from vidseg.model.procedure import Kind, Procedure, Step, vocabulary_file


@click.command("procedures")
@click.argument("code", required=False, metavar="[CODE|FILE]")
@click.option(
    "--start",
    type=FILE,
    metavar="FILE",
    help="Write the vocabulary named (blank where none is) to FILE, to make your own from.",
)
def command(code: str | None, start: Path | None) -> int:
    """List the vocabularies; print one readably; check one of your own; or start one.

    \b
    Examples:
      vidseg procedures
      vidseg procedures phaco
      vidseg procedures my-steps.toml               checks the file strictly
      vidseg procedures --start my-steps.toml       from the blank one
      vidseg procedures phaco --start my-phaco.toml
    """
    from vidseg.disk.atomic_write import write_text_aside
    from vidseg.formats.text_file import read_text
    from vidseg.formats.vocabulary import builtin_codes, load_procedure, procedure_text
    from vidseg.model.problem import UsageError

    if start is not None:
        if start.exists():
            raise UsageError(f"{start} exists; choose another name")
        own = vocabulary_file(code)
        if own is not None:
            load_procedure(str(own))
        write_text_aside(start, read_text(own) if own else procedure_text(code or "blank"))
        say(f"written: {start}; edit it, then check it with `vidseg procedures {start}`")
        return 0
    if code is None:
        found = [load_procedure(name) for name in builtin_codes()]
        rows = [("code", "name", "steps", "events", "source")]
        rows += [
            (
                procedure.code,
                procedure.name,
                str(sum(step.timed for step in procedure.steps)),
                str(sum(step.kind is Kind.EVENT for step in procedure.steps)),
                _first_line(procedure.source),
            )
            for procedure in found
        ]
        click.echo(aligned(rows, (False, False, True, True, False)))
        return 0
    click.echo(procedure_listing(load_procedure(code)))
    return 0


def _first_line(text: str, width: int = 70) -> str:
    line = " ".join(text.split())
    return line if len(line) <= width else line[: width - 1] + "…"


def procedure_listing(procedure: Procedure) -> str:
    """Write a vocabulary for reading: a block per kind, a paragraph per step."""
    titles = {
        Kind.PHASE: "Phases",
        Kind.STEP: "Steps",
        Kind.TASK: "Tasks",
        Kind.EVENT: "Events",
        Kind.EXCLUDED: "Excluded time",
    }
    lines = [
        f"{procedure.name} ({procedure.code}, version {procedure.version})",
        f"Source: {' '.join(procedure.source.split())}",
        f"Labels that mean no step is running: {', '.join(procedure.idle)}",
    ]
    for kind, title in titles.items():
        steps = [step for step in procedure.steps if step.kind is kind]
        if steps:
            lines += ["", title, "-" * len(title)]
            for step in steps:
                lines += _step_lines(step)
    return "\n".join(lines)


def _step_lines(step: Step) -> Sequence[str]:
    facts = []
    if step.parent:
        facts.append(f"within {step.parent}")
    if step.after:
        facts.append(f"after {', '.join(step.after)}")
    if step.required:
        facts.append("required")
    if step.timed:
        facts.append("may be resumed" if step.repeats else "occurs once")
    if step.overlaps:
        facts.append(f"may overlap {', '.join(step.overlaps)}")
    if step.shortest_ns is not None or step.longest_ns is not None:
        low = format_time(step.shortest_ns or 0, 0)
        high = "…" if step.longest_ns is None else format_time(step.longest_ns, 0)
        facts.append(f"plausible {low} to {high}")
    if step.category:
        facts.append(step.category)
    lines = [f"{step.code}: {step.name}" + (f" ({'; '.join(facts)})" if facts else "")]
    if step.aliases:
        lines.append(f"    also: {', '.join(step.aliases)}")
    if step.definition:
        lines.append(f"    {' '.join(step.definition.split())}")
    if step.source:
        lines.append(f"    source: {' '.join(step.source.split())}")
    return lines
