"""How a browser can play a recording: the file itself, or segments copied or encoded for it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from vidseg.media.codec.parameter_sets import SYNTAXES
from vidseg.media.splice.groups import NotSpliceable, Source
from vidseg.media.stream import native_playback
from vidseg.media.stream.copyable import copyable_groups, end_ns, why_not
from vidseg.media.stream.proxy_sound import SOUND_TYPE, SoundForm, sound_form
from vidseg.media.stream.proxy_video import show_form
from vidseg.model.clock import NS
from vidseg.model.progress import Progress
from vidseg.model.recording import FrameRange, Part, Recording

SEGMENT_NS = 2 * NS
"""About how long a segment is; a copied one is as long as its groups make it."""


@dataclass(frozen=True, slots=True)
class PlayRun:
    """Segments of one part that share an initial segment.

    ``video`` is its MIME type with codec; ``header`` its avcC record, ``width``, ``height`` and
    ``aspect`` its pictures as stored.
    """

    part: int
    way: Literal["copied", "encoded"]
    video: str
    header: bytes = field(repr=False)
    width: int
    height: int
    aspect: Fraction


@dataclass(frozen=True, slots=True)
class PlaySegment:
    """A span of the case clock (ns): frames ``[first, last)`` of part number ``part``."""

    start_ns: int
    end_ns: int
    run: int
    part: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class PlayWay:
    """How one part is played, and in a clause why; ``part`` is its number."""

    part: int
    way: Literal["as it is", "copied", "encoded", "both"]
    why: str


@dataclass(frozen=True, slots=True)
class Playback:
    """The plan. ``type`` is the MIME type of the file where the mode is "file", else "".

    ``sound`` is None where no part has any; its segments lie at the pictures' times.
    """

    mode: Literal["file", "segments"]
    type: str
    runs: tuple[PlayRun, ...]
    segments: tuple[PlaySegment, ...]
    ways: tuple[PlayWay, ...]
    sound: SoundForm | None

    @property
    def audio(self) -> str | None:
        """MIME type of the sound segments, one for all runs; None without sound."""
        return None if self.sound is None else SOUND_TYPE


def plan_playback(
    recording: Recording, prefer_segments: bool = False, progress: Progress | None = None
) -> Playback:
    """Decide how each part of ``recording`` is played.

    A part that may be copied is read from end to end, nothing is decoded; ``progress`` gets the
    fraction done. ``prefer_segments`` gives segments even where the file could be played as it
    is. Raises MediaError where a file cannot be opened.
    """
    if not prefer_segments:
        kind = native_playback.playable_type(recording)
        if kind is not None:
            way = PlayWay(0, "as it is", "a browser plays this file")
            return Playback("file", kind, (), (), (way,), None)
    runs: list[PlayRun] = []
    segments: list[PlaySegment] = []
    ways: list[PlayWay] = []
    for number, part in enumerate(recording.parts):

        def tell(done: float, number: int = number) -> None:
            if progress is not None:
                progress((number + done) / len(recording.parts))

        _plan_part(number, part, runs, segments, ways, tell)
        tell(1.0)
    sound = sound_form(recording)
    return Playback("segments", "", tuple(runs), tuple(segments), tuple(ways), sound)


def _plan_part(
    number: int,
    part: Part,
    runs: list[PlayRun],
    segments: list[PlaySegment],
    ways: list[PlayWay],
    tell: Progress,
) -> None:
    groups, copied, why = _groups(part, number, tell)
    frames = len(part.frame_ns)
    share = sum(last - first for first, last in groups)
    if 2 * share < frames:
        groups, copied = [], None
    by_way: dict[bool, int] = {}
    for copies, (first, last) in _pieces(part, groups):
        if copies not in by_way:
            by_way[copies] = len(runs)
            runs.append(copied if copies and copied is not None else _encoded_run(part, number))
        span = part.start + int(part.frame_ns[first]), part.start + end_ns(part, last)
        segments.append(PlaySegment(*span, by_way[copies], number, first, last))
    if len(by_way) == 2:
        rest = 1 - share / frames
        ways.append(PlayWay(number, "both", f"{rest:.1%} encoded: {why or 'incomplete groups'}"))
    elif True in by_way:
        ways.append(PlayWay(number, "copied", "H.264 that every browser shows"))
    else:
        ways.append(PlayWay(number, "encoded", why))


def _groups(
    part: Part, number: int, tell: Progress
) -> tuple[list[FrameRange], PlayRun | None, str]:
    """Give the groups to copy, their run, and why not (all of) the part is copied."""
    reason = why_not(part)
    if reason is not None:
        return [], None, reason
    try:
        with Source(part) as source:
            groups = copyable_groups(source, tell)
            header = source.header
            if source.length_bytes != 4:
                header = SYNTAXES["h264"].write_header(header, ())
    except (NotSpliceable, ValueError, IndexError) as error:
        return [], None, str(error)
    run = PlayRun(
        number, "copied", _video_type(header), header, part.width, part.height, part.pixel_aspect
    )
    return groups, run, "pictures at which no decoder can start, damage, or very long groups"


def _encoded_run(part: Part, number: int) -> PlayRun:
    form = show_form(part)
    kind = _video_type(form.header)
    return PlayRun(number, "encoded", kind, form.header, form.width, form.height, Fraction(1))


def _video_type(header: bytes) -> str:
    """Name the type of an H.264 track: RFC 6381, 3.3 (profile, constraints, level)."""
    return f'video/mp4; codecs="avc1.{header[1:4].hex()}"'


def _pieces(part: Part, groups: list[FrameRange]) -> Iterator[tuple[bool, FrameRange]]:
    """Cut a part into segments, as (copied, frames): groups put together, the rest cut up."""
    reached, place = 0, 0
    while place < len(groups):
        first, last = groups[place]
        if first > reached:
            yield from ((False, piece) for piece in _cut(part, reached, first))
        place += 1
        while place < len(groups) and groups[place][0] == last:
            longer = groups[place][1]
            if end_ns(part, longer) - int(part.frame_ns[first]) > SEGMENT_NS * 5 // 4:
                break
            last = longer
            place += 1
        yield True, (first, last)
        reached = last
    yield from ((False, piece) for piece in _cut(part, reached, len(part.frame_ns)))


def _cut(part: Part, first: int, last: int) -> Iterator[FrameRange]:
    """Cut frames ``[first, last)`` into pieces of about the same length, near ``SEGMENT_NS``."""
    while first < last:
        start = int(part.frame_ns[first])
        left = end_ns(part, last) - start
        end = last
        if left > SEGMENT_NS * 3 // 2:
            wanted = start + SEGMENT_NS
            end = min(last, max(first + 1, int(part.frame_ns.searchsorted(wanted))))
        yield first, end
        first = end
