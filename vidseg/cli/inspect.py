"""``vidseg inspect``."""

from __future__ import annotations

import json
from pathlib import Path

import click

from vidseg.cli.options import FILE, json_option, quiet_option
from vidseg.cli.screen import progress_shown, show_problems
from vidseg.model.clock import NS, format_time
from vidseg.model.problem import Problem, VidsegError
from vidseg.model.recording import Part, Recording


@click.command("inspect")
@click.argument("recordings", type=FILE, nargs=-1, required=True)
@click.option(
    "--hidden",
    is_flag=True,
    help="Also read each file to its last byte for what may be hidden in it: messages within the "
    "pictures, attachments, cover pictures, data tracks, bytes that nothing refers to.",
)
@json_option
@quiet_option
def command(recordings: tuple[Path, ...], hidden: bool, as_json: bool, quiet: bool) -> int:
    """Tell in plain words what each of RECORDINGS is: picture, clock, sound, captions, chapters;
    and warn of what makes its times doubtful and of what may identify someone.

    \b
    Example:
      vidseg inspect case.mp4
      vidseg inspect case.mp4 --hidden
    """
    from vidseg.export.facts_json import problem_json, recording_facts
    from vidseg.media.read.parts import join_parts
    from vidseg.media.read.probe import read_part
    from vidseg.reading import hidden_problems, recording_problems

    with progress_shown(quiet) as progress:
        parts = [
            read_part(path, progress=lambda done, path=path: progress(path.name, done))  # type: ignore[misc]
            for path in recordings
        ]
    found = [Recording((part,)) for part in parts]
    problems = [
        (*recording_problems(recording), *(hidden_problems(recording) if hidden else ()))
        for recording in found
    ]
    if as_json:
        facts = [
            recording_facts(recording) | {"problems": [problem_json(problem) for problem in own]}
            for recording, own in zip(found, problems, strict=True)
        ]
        click.echo(json.dumps(facts, indent=1))
        return 0
    click.echo("\n\n".join(part_text(p, own) for p, own in zip(parts, problems, strict=True)))
    if len(parts) > 1:
        try:
            click.echo("\n" + joined_text(join_parts(parts)))
        except VidsegError as error:
            click.echo(f"\nThese are not parts of one recording: {error}")
    show_problems([problem for own in problems for problem in own], quiet)
    return 0


def joined_text(recording: Recording) -> str:
    """Say what the files are as parts of one recording."""
    clock = {
        "timecode": "by their timecode, which agrees",
        "touching": "one after another without a hole, since their start times are not known",
    }[recording.clock]
    return (
        f"As parts of one recording: {format_time(recording.length)}, {recording.n_frames} frames, "
        f"placed {clock}."
    )


def part_text(part: Part, problems: tuple[Problem, ...]) -> str:
    """Describe one file."""
    rate = float(part.rate)
    steadiness = "constant" if part.constant_rate else "on average, variable"
    shape = f"{part.width}x{part.height}"
    if part.pixel_aspect != 1:
        shape += f", pixels {part.pixel_aspect} wide"
    if part.rotation:
        shape += f", to be shown turned by {part.rotation} degrees"
    if part.interlaced:
        shape += ", interlaced"
    lines = [
        f"{part.path.name} ({_size(part.size_bytes)}, {part.container})",
        f"  picture   {part.codec} {part.profile}, {part.pixel_format}, {shape}".rstrip(),
        f"  clock     {format_time(part.length)} long, {len(part.frame_ns)} frames, "
        f"{rate:.3f} frames/s ({part.rate}) {steadiness}; a tick is "
        f"{float(part.time_base) * 1000:.4g} ms",
        f"            zero is the first displayed frame, timestamp {part.first_pts} in the file",
    ]
    for track in part.audio:
        language = f", {track.language}" if track.language else ""
        offset = f", starts at {track.start_ns / NS:+.3f} s" if abs(track.start_ns) > 1e6 else ""
        lines.append(
            f"  sound     {track.codec}, {track.rate_hz} Hz, {track.channels} channel(s)"
            f"{language}{offset}, {format_time(track.length_ns)} long"
        )
    if not part.audio:
        lines.append("  sound     none")
    lines += [
        f"  captions  {track.codec}{', ' + track.language if track.language else ''}"
        for track in part.captions
    ]
    if part.chapters:
        lines.append(f"  chapters  {len(part.chapters)}")
        lines += [
            f"            {format_time(chapter.span.start)}  {chapter.title}"
            for chapter in part.chapters
        ]
    if part.timecode:
        lines.append(f"  timecode  {part.timecode}")
    own = [problem for problem in problems if problem.source == part.path.name]
    doubts = sum(problem.code == "doubtful-clock" for problem in own)
    lines.append(
        f"  doubts    {doubts or 'none found'}; identifying fields: "
        f"{len(own) - doubts or 'none found'}"
    )
    return "\n".join(lines)


def _size(size_bytes: int) -> str:
    if size_bytes >= 1_000_000_000:
        return f"{size_bytes / 1e9:.2f} GB"
    return f"{size_bytes / 1e6:.1f} MB"
