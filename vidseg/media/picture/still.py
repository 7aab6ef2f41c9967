"""Which frame of a step to show, and writing it as a picture.

Only a small share of a recording is decoded. Key frames, which decode alone, are looked at
first; frames behind them only where key frames are few or none of them is good; and at the end
the few frames that follow the best one of each step. A recording without key frames after its
first has to be decoded whole, once to choose and once to write.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
from av import VideoFrame
from av.video.reformatter import Colorspace
from PIL import Image

from vidseg.disk.atomic_write import write_jpeg_aside
from vidseg.media.picture.sharpness import Luma, nearly_identical
from vidseg.media.picture.still_candidates import Candidates, MeasuredFrame, by_part
from vidseg.media.read.frames import upright
from vidseg.media.read.keyframes import sparse_frames
from vidseg.model.clock import NS
from vidseg.model.progress import Progress
from vidseg.model.recording import FrameRange, Part, Recording

KEYFRAMES = 13
"""Key frames looked at in each step."""

FEW = 4
"""Fewer pictures than this in the middle of a step, and frames between key frames are added."""

ENOUGH = 6
"""How many of them, at most."""

VISITS = 3
"""Visits searched from end to end where the middle of the longest has nothing good."""

FOLLOWING = 10
"""Frames looked at from the best picture onward."""

BLURRED = 0.1
"""Share of the usual sharpness of the recording below which a picture counts as blurred. A blur
of 2 px of full HD leaves 0.07 of it (measured on synthetic footage)."""

FLAT = 0.5
"""Sharpness below which there is nothing to see in a picture, whatever the others are like."""

FAULTS = ("", "frozen", "repeat", "blurred", "blown out", "black")
"""What can be wrong with a still, from best to worst."""

UNTAGGED = 2
"""The colour matrix of a frame whose file names none (ITU-T H.273, MatrixCoefficients)."""


@dataclass(frozen=True, slots=True)
class Choice:
    """The frame chosen for one step, by its case-wide number.

    ``poor`` is empty, or says what is wrong with the best that there was (see ``FAULTS``).
    ``thumbnail`` tells it apart from other stills.
    """

    frame: int
    poor: str
    thumbnail: Luma = field(repr=False, compare=False)


def choose_stills(
    recording: Recording, steps: Sequence[Sequence[FrameRange]], progress: Progress | None = None
) -> tuple[Choice | None, ...]:
    """Choose one frame for each step: sharp, well lit, and unlike those chosen before it.

    ``steps`` gives each step's visits as ranges of case-wide frame numbers, the longest (or
    otherwise preferred) first. The middle 60 % of the first range is looked at first; its edges
    and the other ranges only where nothing good is found there. None stands for a step without
    frames. The same input gives the same choice. Raises MediaError for an unreadable part.
    """
    report = progress or (lambda _: None)
    survey = Candidates(recording)
    middles = [[_middle(ranges[0])] if ranges else [] for ranges in steps]
    survey.look_at_keyframes(
        [span for middle in middles for span in middle], KEYFRAMES, _share(report, 0.0, 0.5)
    )
    scarce = [span for middle in middles for span in middle if len(survey.inside([span])) < FEW]
    survey.look_between_keyframes(scarce, ENOUGH)
    report(0.6)

    choices = _choose_each(survey, [survey.inside(middle) for middle in middles], steps)
    searched = [
        middle if choice is not None and not choice.poor else list(ranges)
        for middle, choice, ranges in zip(middles, choices, steps, strict=True)
    ]
    wide = [ranges for ranges, middle in zip(searched, middles, strict=True) if ranges != middle]
    visits = [span for ranges in wide for span in ranges[:VISITS]]
    survey.look_at_keyframes(visits, KEYFRAMES)
    survey.look_between_keyframes([_middle(ranges[0]) for ranges in wide], ENOUGH)
    survey.look_between_keyframes(visits, ENOUGH)
    report(0.75)

    choices = _choose_each(survey, [survey.inside(ranges) for ranges in searched], steps)
    windows = [_following(survey, choice, r) for choice, r in zip(choices, searched, strict=True)]
    usual = survey.usual_sharpness()
    survey.look_at((n for window in windows for n in window), _share(report, 0.75, 1.0))
    report(1.0)
    measured = [[n for n in window if n in survey.pictures] for window in windows]
    return _choose_each(survey, measured, steps, usual, choices)


def write_pictures(
    recording: Recording,
    wanted: Sequence[tuple[int, Path]],
    quality: int = 92,
    progress: Progress | None = None,
) -> None:
    """Write frames, each given as (case-wide frame number, path), as JPEG files.

    Upright, with square pixels, in the size of the recording, without metadata, colours as a
    player shows them. Raises IndexError for a frame that does not exist, MediaError where a
    part cannot be read.
    """
    paths: dict[int, list[Path]] = {}
    for frame, out in wanted:
        paths.setdefault(frame, []).append(out)
    done = 0
    for number, base, local in by_part(recording, paths):
        part = recording.parts[number]
        for index, decoded in sparse_frames(part, local):
            picture = shown(decoded, part)
            for out in paths[base + index]:
                _write_jpeg(picture, out, quality)
            done += 1
            if progress is not None:
                progress(done / len(paths))


def shown(frame: VideoFrame, part: Part) -> npt.NDArray[np.uint8]:
    """Give a frame upright with square pixels, shape (h, w, 3), RGB.

    A file that does not say which colour matrix it uses is taken as BT.709 from 720 lines on
    and as BT.601 below, which is what players do (common practice).
    """
    matrix = None
    if frame.colorspace == UNTAGGED:
        matrix = Colorspace.ITU709 if frame.height >= 720 else Colorspace.ITU601
    width = max(1, round(frame.width * (part.pixel_aspect if part.pixel_aspect > 0 else 1)))
    rgb = frame.reformat(
        width, frame.height, "rgb24", src_colorspace=matrix, interpolation="BICUBIC"
    )
    return upright(np.asarray(rgb.to_ndarray(), dtype=np.uint8), part.rotation)


def _write_jpeg(picture: npt.NDArray[np.uint8], out: Path, quality: int) -> None:
    image = Image.fromarray(picture)
    write_jpeg_aside(out, image, quality=quality, subsampling=0, optimize=True)


def _middle(whole: FrameRange) -> FrameRange:
    """Give the middle 60 % of a range, at least one frame."""
    first, last = whole
    fifth = (last - first) // 5
    return first + fifth, last - fifth


def _share(report: Progress, start: float, end: float) -> Progress:
    return lambda done: report(start + (end - start) * done)


def _following(
    survey: Candidates, choice: Choice | None, ranges: Sequence[FrameRange]
) -> list[int]:
    """List the frames to look at last: a key frame and the few after it, or one frame alone.

    Only what follows a key frame comes cheap: anything else has to be decoded from far back.
    """
    if choice is None:
        return []
    if choice.frame not in survey.keyframes:
        return [choice.frame]
    end = next(last for first, last in ranges if first <= choice.frame < last)
    return list(range(choice.frame, min(choice.frame + FOLLOWING, end)))


def _choose_each(
    survey: Candidates,
    pools: Sequence[Sequence[int]],
    steps: Sequence[Sequence[FrameRange]],
    usual: float | None = None,
    before: Sequence[Choice | None] | None = None,
) -> tuple[Choice | None, ...]:
    """Choose from each pool in turn; a picture like one already chosen is a repeat.

    ``before`` are choices made from wider pools: what stood still there stands still here.
    """
    usual = survey.usual_sharpness() if usual is None else usual
    chosen: list[Choice | None] = []
    for place, (pool, ranges) in enumerate(zip(pools, steps, strict=True)):
        taken = [choice.thumbnail for choice in chosen if choice is not None]
        earlier = before[place] if before is not None else None
        frozen = _frozen(survey, pool)
        if earlier is not None and earlier.poor == "frozen":
            frozen = set(pool)
        best: tuple[int, float, int] | None = None
        for number in pool:
            picture = survey.pictures[number]
            fault = picture.light_fault
            if not fault and picture.quality.sharpness < max(FLAT, BLURRED * usual):
                fault = "blurred"
            if not fault and any(nearly_identical(picture.thumbnail, other) for other in taken):
                fault = "repeat"
            if not fault and number in frozen:
                fault = "frozen"
            key = (FAULTS.index(fault), -_score(picture, number, ranges), number)
            if best is None or key < best:
                best = key
        if best is None:
            chosen.append(None)
        else:
            chosen.append(Choice(best[2], FAULTS[best[0]], survey.pictures[best[2]].thumbnail))
    return tuple(chosen)


def _score(picture: MeasuredFrame, number: int, ranges: Sequence[FrameRange]) -> float:
    """Weigh sharpness by what can be seen and by nearness to the middle of the visit."""
    quality = picture.quality
    weight = 0.5
    for place, (first, last) in enumerate(ranges):
        if first <= number < last:
            off_centre = abs(2 * (number - first) + 1 - (last - first)) / (last - first)
            weight = (1.0 - 0.2 * off_centre) * (1.0 if place == 0 else 0.8)
            break
    return quality.sharpness * (1 - quality.blown_out) * (1 - quality.black) * weight


def _frozen(survey: Candidates, pool: Sequence[int]) -> set[int]:
    """List the pictures of ``pool`` (rising) that look the same as another one of it, the
    nearest that is a second or more earlier or later."""
    starts = [survey.recording.frame_start(number) for number in pool]
    found: set[int] = set()
    for number, start in zip(pool, starts, strict=True):
        earlier = [n for n, other in zip(pool, starts, strict=True) if start - other >= NS][-1:]
        later = [n for n, other in zip(pool, starts, strict=True) if other - start >= NS][:1]
        mine = survey.pictures[number].thumbnail
        if any(
            nearly_identical(mine, survey.pictures[n].thumbnail, mean=0.5, largest=4)
            for n in earlier + later
        ):
            found.add(number)
    return found
