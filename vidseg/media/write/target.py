"""The files written: which containers, how they are opened, how their chapters are set."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av
import av.container
import av.error

from vidseg.model.clock import NS, format_time
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.recording import Chapter, Part
from vidseg.model.span import Span

CONTAINERS = {".mp4": "mp4", ".mov": "mov", ".mkv": "matroska", ".webm": "webm"}
"""Suffix to FFmpeg's name of the container."""

EDIT_LIST_CONTAINERS = ("mp4", "mov")
"""Containers whose chapters tile time and whose edit lists can hide samples."""

NO_STEP = "No step"
"""Title of a chapter during which no step runs; every vocabulary reads it as idle."""

NEUTRAL_PROGRAM = "none"
"""What a file fit to share names as the program that wrote it: Matroska wants a name."""

_TIME_SCALE = 90_000


def container_of(out: Path) -> str:
    """Give the container that the suffix of ``out`` asks for. Raises MediaError for others."""
    kind = CONTAINERS.get(out.suffix.lower())
    if kind is None:
        raise MediaError(
            str(out),
            f"cannot write {out.suffix or 'a file without suffix'}: expected "
            f"{', '.join(CONTAINERS)}",
        )
    return kind


def refuse_own_sources(parts: Iterable[Part], out: Path) -> None:
    """Raise MediaError where writing ``out`` would replace a file of the recording."""
    for part in parts:
        if out.resolve() == part.path.resolve():
            raise MediaError(str(out), "this is the recording itself; give another output name")


@contextmanager
def errors_of(path: Path) -> Iterator[None]:
    """Turn what FFmpeg and the file system raise inside the block into a MediaError."""
    try:
        yield
    except (av.error.FFmpegError, OSError) as error:
        raise MediaError(str(path), str(error.strerror or error)) from error


@contextmanager
def open_target(
    path: Path, kind: str, *, faststart: bool = False, unnamed: bool = False
) -> Iterator[av.container.OutputContainer]:
    """Open ``path`` for writing as ``kind``; no metadata and no program version goes in.

    Movie times of MP4 and MOV are counted in 1/90000 s, so that chapters keep their frame at
    every usual rate. ``faststart`` puts the index first, for playing while it loads.
    ``unnamed`` takes the name of FFmpeg out of Matroska. Use within ``errors_of``.
    """
    options = {"fflags": "+bitexact"}
    if kind in EDIT_LIST_CONTAINERS:
        options["movie_timescale"] = str(_TIME_SCALE)
        if faststart:
            options["movflags"] = "+faststart"
    elif unnamed:
        options["write_crc32"] = "0"
    with av.open(str(path), "w", format=kind, container_options=options) as target:
        yield target
    if unnamed and kind == "matroska":
        _take_name_out(path)


def _take_name_out(path: Path) -> None:
    """Replace the name in MuxingApp and WritingApp (RFC 9559, 5.1.2.13 and .14)."""
    with path.open("r+b") as file:
        head = file.read(4096)
        for number in (b"\x4d\x80", b"\x57\x41"):
            at = head.find(number + b"\x84Lavf")
            if at >= 0:
                file.seek(at + 3)
                file.write(NEUTRAL_PROGRAM.encode())


def set_chapters(target: av.container.OutputContainer, chapters: Sequence[Chapter]) -> None:
    """Give the file its chapters; call before the first packet."""
    target.set_chapters(
        [
            {
                "id": number,
                "start": chapter.span.start,
                "end": chapter.span.end,
                "time_base": Fraction(1, NS),
                "metadata": {"title": " ".join(chapter.title.split())},
            }
            for number, chapter in enumerate(chapters, start=1)
        ]
    )


def fitting_chapters(
    chapters: Iterable[Chapter], length: int, kind: str
) -> tuple[list[Chapter], list[str]]:
    """Fit chapters to what ``kind`` can hold within ``length`` ns; say what was changed.

    All are sorted and end with the recording. MP4 and MOV read chapters as tiles of time, so
    gaps get a chapter of their own and an overlapped chapter ends where the next one starts.
    Raises UsageError where two chapters start at once: readers drop one of them.
    """
    notes: list[str] = []
    ordered = sorted(chapters, key=lambda chapter: chapter.span)
    for before, after in pairwise(ordered):
        if before.span.start == after.span.start:
            raise UsageError(
                f"two chapters start at {format_time(after.span.start)}: {before.title!r} and "
                f"{after.title!r}; files hold one chapter for each start"
            )
    inside = [c for c in ordered if c.span.start < length]
    if len(inside) < len(ordered):
        late = ", ".join(repr(c.title) for c in ordered if c.span.start >= length)
        notes.append(f"chapters after the end of the recording were left out: {late}")
    fitted = [Chapter(Span(c.span.start, min(c.span.end, length)), c.title) for c in inside]
    if kind not in EDIT_LIST_CONTAINERS or not fitted:
        return fitted, notes
    tiled: list[Chapter] = []
    reached = 0
    for chapter, follower in zip(fitted, [*fitted[1:], None], strict=True):
        if chapter.span.start > reached:
            tiled.append(Chapter(Span(reached, chapter.span.start), NO_STEP))
        reached = chapter.span.end
        if follower is not None and follower.span.start < reached:
            reached = follower.span.start
            notes.append(
                f"chapter {chapter.title!r} ends where {follower.title!r} starts: chapters of "
                "this container cannot overlap"
            )
        tiled.append(Chapter(Span(chapter.span.start, reached), chapter.title))
    if reached < length:
        tiled.append(Chapter(Span(reached, length), NO_STEP))
    return tiled, notes
