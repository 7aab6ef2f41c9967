"""``vidseg draft``."""

from __future__ import annotations

import json
from pathlib import Path

import click

from vidseg.cli.options import FILE, Duration, json_option, quiet_option
from vidseg.cli.screen import aligned, progress_shown, say, show_problems


@click.command("draft")
@click.argument("captions", type=FILE)
@click.option(
    "--procedure",
    default="phaco",
    show_default=True,
    metavar="CODE|FILE",
    help="Vocabulary: a built-in code or a .toml file of your own.",
)
@click.option("--recording", "recordings", type=FILE, multiple=True, help="The recording.")
@click.option("--length", "length_ns", type=Duration(), help="Length of the recording.")
@click.option(
    "--to-changes",
    is_flag=True,
    help="Move edges to a visual change of the recording up to 3 s away, and say so (decodes it).",
)
@click.option(
    "--library",
    metavar="FILE|URL",
    help="Learn the usual lengths of steps from your own library of cases.",
)
@click.option("-o", "--out", type=FILE, help="Where to write the draft annotation.")
@click.option("--measures", type=FILE, metavar="FILE.csv", help="Where to write values spoken.")
@click.option(
    "--usual-only", is_flag=True, help="Leave out steps beside the vocabulary's usual course."
)
@click.option("--spoken-only", is_flag=True, help="Leave out usual steps that nothing was said of.")
@click.option("--explain", is_flag=True, help="Say caption by caption what was understood.")
@click.option("--force", is_flag=True, help="Replace files that exist.")
@json_option
@quiet_option
def command(
    captions: Path,
    procedure: str,
    recordings: tuple[Path, ...],
    length_ns: int | None,
    to_changes: bool,
    library: str | None,
    out: Path | None,
    measures: Path | None,
    usual_only: bool,
    spoken_only: bool,
    explain: bool,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Draft an annotation from the timed CAPTIONS of a narrated operation, to be confirmed.

    Each row bears how sure it is and the captions that speak for it. A usual step that nothing
    was said of, but that must have been done about then, is a row of low confidence that says so.
    What to beware of stands on top. Exit code 1 where the captions hold nothing to draft from.

    \b
    Examples:
      vidseg draft talk.vtt -o draft.json
      vidseg draft talk.srt --procedure msics --recording case.mp4 -o draft.json
      vidseg draft talk.vtt --recording case.mp4 --to-changes -o draft.json
      vidseg draft talk.vtt --library library.vidseg.sqlite -o draft.json
      vidseg draft talk.vtt --spoken-only --explain
      vidseg draft talk.vtt --measures values.csv
    """
    from vidseg.disk.atomic_write import write_text_aside
    from vidseg.export.draft_sheet import draft_sheet, explanation, measures_csv
    from vidseg.formats import read_captions, write_sheet
    from vidseg.formats.vocabulary import load_procedure
    from vidseg.measure.draft import draft
    from vidseg.measure.draft.edges import moved_to_changes, visual_changes
    from vidseg.measure.draft.measures import find_measures
    from vidseg.media.picture.survey import survey
    from vidseg.media.read.probe import open_recording
    from vidseg.model.clock import format_time
    from vidseg.model.problem import UsageError

    if recordings and length_ns is not None:
        raise UsageError("give the recording or its length, not both")
    for target in (out, measures):
        if target is not None and target.exists() and not force:
            raise UsageError(f"{target} exists; --force replaces it")
    vocabulary = load_procedure(procedure)
    read = read_captions(captions)
    show_problems(read.problems, quiet)
    if to_changes and not recordings:
        raise UsageError("--to-changes needs the --recording")
    recording = open_recording(recordings) if recordings else None
    length = recording.length if recording else length_ns
    usual_s = None
    if library is not None:
        from vidseg.cli.library.options import opened
        from vidseg.many.learned import library_lengths

        with opened(library) as cases:
            usual_s = library_lengths(cases, vocabulary)
        say(f"lengths of {len(usual_s)} steps learned from {library}", quiet)
    made = draft(
        read.cues, vocabulary, length, usual_s, usual_only=usual_only, spoken_only=spoken_only
    )
    if to_changes and recording is not None and not made.refusal:
        with progress_shown(quiet) as progress:
            seen = survey(recording, lambda done: progress("looking at the pictures", done))
        made = moved_to_changes(made, visual_changes(seen, recording))
    steps = {cue: row.step.code for row in made.rows for cue in row.cues}
    found = find_measures(made.cues, vocabulary.quantities, steps)
    values = tuple(value for value in found if value.quantity)
    sheet = draft_sheet(made, captions.name)
    if as_json:
        rows = [
            {
                "label": mark.label,
                "start": mark.start,
                "end": mark.end,
                **dict(mark.attributes),
            }
            for mark in sheet.marks
        ]
        missing = [step.code for step in made.missing]
        click.echo(
            json.dumps(
                {
                    "rows": rows,
                    "missing": missing,
                    "told": made.telling.value,
                    "warnings": list(made.warnings),
                    "suggested": [
                        {"label": e.step.code, "at": e.at, "heard": e.heard} for e in made.suggested
                    ],
                    "refusal": made.refusal,
                },
                indent=1,
            )
        )
    elif explain:
        click.echo(explanation(made) + "\n")
    for warning in made.warnings:
        say(f"{captions.name}: {warning}")
    if made.refusal:
        say(f"{captions.name}: {made.refusal}; no row was drafted")
    elif not as_json and not quiet:
        table = [("start", "end", "step", "sure", "from captions at")]
        for mark, row in zip(
            [mark for mark in sheet.marks if mark.end is not None], made.rows, strict=True
        ):
            times = [format_time(made.cues[cue].span.start, 0) for cue in row.cues] or list(
                row.notes
            )
            table.append(
                (
                    format_time(row.span.start, 0),
                    format_time(row.span.end, 0),
                    row.step.name,
                    dict(mark.attributes)["confidence"],
                    ", ".join(times[:4]) + (" …" if len(times) > 4 else ""),
                )
            )
        click.echo(aligned(table, (True, True, False, True, False)))
        for event in made.events:
            click.echo(f"event at {format_time(event.at, 0)}: {event.step.name} (“{event.heard}”)")
        for event in made.suggested:
            click.echo(
                f"perhaps at {format_time(event.at, 0)}: {event.step.name} (“{event.heard}”)"
            )
        if made.missing:
            names = ", ".join(step.name for step in made.missing)
            click.echo(f"\nusual, but not drafted: {names}")
        click.echo("a draft from words alone: look at every row before you use it")
    if out is not None and not made.refusal:
        for sentence in write_sheet(sheet, out):
            say(f"{out.name}: {sentence}")
        say(f"written: {out} ({len(sheet.marks)} rows to confirm)", quiet)
    if measures is not None:
        write_text_aside(measures, measures_csv(values, made))
        for value in found:
            if not value.quantity:
                words = " ".join(made.cues[value.cue].text.split())
                say(
                    f"{format_time(value.at, 0)}: {value.value} {value.unit} of an unknown "
                    f"quantity, not in the table: “{words}”",
                    quiet,
                )
        say(f"written: {measures} ({len(values)} values)", quiet)
    return int(bool(made.refusal))
