"""``vidseg draft``."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vidseg.cli.options import FILE, json_option, length_option, quiet_option, refuse_given
from vidseg.cli.screen import aligned, progress_shown, say, show_problems
from vidseg.model.procedure import DEFAULT_PROCEDURE

if TYPE_CHECKING:
    from vidseg.model.annotation import Sheet


@click.command("draft")
@click.argument("captions", type=FILE, required=False)
@click.option(
    "--procedure",
    default=DEFAULT_PROCEDURE,
    show_default=True,
    metavar="CODE|FILE",
    help="Vocabulary: a built-in code or a .toml file of your own.",
)
@click.option("--recording", "recordings", type=FILE, multiple=True, help="The recording.")
@length_option
@click.option(
    "--to-changes",
    is_flag=True,
    help="Move edges to a visual change of the recording up to 3 s away, and say so (decodes it).",
)
@click.option(
    "--library",
    metavar="FILE|URL",
    help="Learn the usual course and lengths of steps from your own library of cases.",
)
@click.option("--surgeon", "surgeons", multiple=True, help="Learn from this surgeon's cases only.")
@click.option(
    "--transcribe", is_flag=True, help="Hear what is said in the --recording (see `transcribe`)."
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
    captions: Path | None,
    procedure: str,
    recordings: tuple[Path, ...],
    length_ns: int | None,
    to_changes: bool,
    library: str | None,
    surgeons: tuple[str, ...],
    transcribe: bool,
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
    Without captions the draft is a timetable: what is usual, stretched to the length.

    \b
    Examples:
      vidseg draft talk.vtt -o draft.json
      vidseg draft talk.srt --procedure msics --recording case.mp4 -o draft.json
      vidseg draft talk.vtt --recording case.mp4 --to-changes -o draft.json
      vidseg draft talk.vtt --library library.vidseg.sqlite -o draft.json
      vidseg draft talk.vtt --spoken-only --explain
      vidseg draft talk.vtt --measures values.csv
      vidseg draft --recording case.mp4 --transcribe -o draft.json
      vidseg draft --length 14:30 --library cases.sqlite -o timetable.json
    """
    from vidseg.disk.atomic_write import write_text_aside
    from vidseg.export.draft_sheet import (
        draft_sheet,
        explanation,
        measures_csv,
        timetable_sheet,
    )
    from vidseg.formats import read_captions, write_sheet
    from vidseg.formats.vocabulary import load_procedure
    from vidseg.measure.draft import draft
    from vidseg.measure.draft.course import course_from
    from vidseg.measure.draft.edges import moved_to_changes, visual_changes
    from vidseg.measure.draft.measures import find_measures
    from vidseg.measure.draft.utterances import merged
    from vidseg.media.picture.survey import survey
    from vidseg.media.read.probe import open_recording
    from vidseg.model.clock import format_time
    from vidseg.model.problem import UsageError

    if recordings and length_ns is not None:
        raise UsageError("give the recording or its length, not both")
    for target in (out, measures):
        if target is not None and target.exists() and not force:
            raise UsageError(f"{target} exists; --force replaces it")
    if out is None and measures is None:
        refuse_given(["force"], "is for files: give --out or --measures")
    if as_json:
        refuse_given(["explain"], "prints text, and --json prints JSON: give one of them")
    if to_changes and not recordings:
        raise UsageError("--to-changes needs the --recording")
    if surgeons and library is None:
        raise UsageError("--surgeon chooses cases of a --library")
    if transcribe and (captions is not None or not recordings):
        raise UsageError("--transcribe hears the --recording, in place of CAPTIONS")
    vocabulary = load_procedure(procedure)
    recording = open_recording(recordings) if recordings else None
    length = recording.length if recording else length_ns
    usual_s, course = None, None
    if library is not None:
        from vidseg.cli.library.options import opened
        from vidseg.many.learned import library_course, library_lengths

        with opened(library) as cases:
            usual_s = library_lengths(cases, vocabulary)
            course = library_course(cases, vocabulary, surgeons)
        learned = f"and the course of {course.cases} cases " if course else ""
        say(f"lengths of {len(usual_s)} steps {learned}learned from {library}", quiet)
    if transcribe and recording is not None:
        from vidseg.speech.captions_file import Listening, heard_captions
        from vidseg.speech.recogniser import hints_of

        with progress_shown(quiet) as progress:
            how = Listening(hints=hints_of(vocabulary))
            captions = heard_captions(recording, how, partial(progress, "listening"))
        say(f"heard: {captions}; read it against the sound", quiet)
    if captions is None:
        idle = ("to_changes", "measures", "usual_only", "spoken_only", "explain")
        refuse_given(idle, "is for CAPTIONS, and there are none")
        if length is None:
            raise UsageError("without CAPTIONS a timetable is made: give --recording or --length")
        usual = course or course_from(vocabulary)
        sheet = timetable_sheet(usual, length, "timetable", vocabulary.code)
        return _timetable(sheet, usual.cases, out, as_json=as_json, quiet=quiet)
    read = read_captions(captions)
    show_problems(read.problems, quiet)
    if course is not None:
        vocabulary = course.taught(vocabulary)
    made = draft(
        read.cues, vocabulary, length, usual_s, usual_only=usual_only, spoken_only=spoken_only
    )
    if to_changes and recording is not None and not made.refusal:
        with progress_shown(quiet) as progress:
            seen = survey(recording, lambda done: progress("looking at the pictures", done))
        made = moved_to_changes(made, visual_changes(seen, recording))
    steps = {cue: row.step.code for row in made.rows for cue in row.cues}
    found = find_measures(merged(made.cues), vocabulary.quantities, steps)
    values = tuple(value for value in found if value.quantity)
    sheet = draft_sheet(made, captions.name)
    if as_json:
        rows = _rows(sheet)
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


def _rows(sheet: Sheet) -> list[dict[str, object]]:
    return [
        {"label": mark.label, "start": mark.start, "end": mark.end, **dict(mark.attributes)}
        for mark in sheet.marks
    ]


def _timetable(sheet: Sheet, cases: int, out: Path | None, *, as_json: bool, quiet: bool) -> int:
    """Print and write a timetable, and say what it is."""
    from vidseg.formats import write_sheet
    from vidseg.model.clock import format_time

    if as_json:
        click.echo(json.dumps({"rows": _rows(sheet), "cases": cases}, indent=1))
    elif not quiet:
        table = [("start", "end", "step")]
        for mark in sheet.marks:
            assert isinstance(mark.start, int)
            assert isinstance(mark.end, int)
            table.append((format_time(mark.start, 0), format_time(mark.end, 0), mark.label))
        click.echo(aligned(table, (True, True, False)))
    of = f"{cases} cases of your library" if cases else "the vocabulary's usual course"
    say(f"a timetable of {of}, stretched to the length: nothing of this case is known to it", quiet)
    if out is not None:
        for sentence in write_sheet(sheet, out):
            say(f"{out.name}: {sentence}")
        say(f"written: {out} ({len(sheet.marks)} rows to confirm)", quiet)
    return 0
