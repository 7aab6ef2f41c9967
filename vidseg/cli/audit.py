"""``vidseg audit``."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

import click

from vidseg.cli.options import FILE, case_of, json_option, procedure_option, quiet_option
from vidseg.cli.screen import progress_shown, say, show_problems


@click.command("audit")
@click.argument("recordings", type=FILE, nargs=-1, required=True, metavar="RECORDING…|case.toml")
@click.option("--annotation", type=FILE, help="Steps; findings are told by the step they touch.")
@procedure_option
@click.option("--out", type=FILE, help="Folder for audit.csv, .json, .txt and pictures of cuts.")
@json_option
@quiet_option
def command(
    recordings: tuple[Path, ...],
    annotation: Path | None,
    procedure: str | None,
    out: Path | None,
    as_json: bool,
    quiet: bool,
) -> int:
    """Say whether the clock of a recording can be trusted: cuts, freezes, black or still pictures,
    gaps and repeats of frame times, variable rate, changed speed. Decodes the recording once.

    With an annotation, or a case.toml and its declared edits, findings that nothing explains are
    problems that name the step. What is concluded from pictures is a suspicion: look at it.

    \b
    Examples:
      vidseg audit case.mp4
      vidseg audit case.mp4 --annotation steps.csv --out audit
      vidseg audit case.toml
    """
    from vidseg.export.audit_files import audit_lines, audit_rows
    from vidseg.measure.audit.explain import unexplained
    from vidseg.model.problem import UsageError
    from vidseg.pipeline.audit import audit_recording, write_audit
    from vidseg.reading import read_case_files

    case = case_of(recordings, annotation=annotation)
    if procedure is not None and case.annotation is None:
        raise UsageError("--procedure needs an --annotation, whose steps it names")
    with progress_shown(quiet) as progress:
        if case.annotation is None:
            from vidseg.media.read.probe import open_recording

            recording = open_recording(case.recordings, starts=case.starts)
            result = None
        else:
            result = read_case_files(case, procedure=procedure, progress=progress)
            recording = result.recording
        findings = audit_recording(recording, partial(progress, "audit"))
        if out is not None:
            write_audit(findings, recording, out, partial(progress, "pictures"))
    if as_json:
        click.echo(json.dumps(audit_rows(findings, recording), indent=1))
    else:
        for line in audit_lines(findings):
            click.echo(line)
    if result is not None:
        told = unexplained(findings, case.edits, result.annotation)
        show_problems((*result.problems, *told), quiet)
    say(f"{len(findings)} finding(s)", quiet)
    if out is not None:
        say(f"written: {out}", quiet)
    return 0
