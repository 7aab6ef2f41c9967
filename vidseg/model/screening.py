"""What a sparse look over a recording suspects: burnt-in text, and views unlike the usual one."""

from __future__ import annotations

from dataclasses import dataclass

from vidseg.model.span import Span


@dataclass(frozen=True, slots=True)
class Overlay:
    """A rectangle of the picture with writing in it: text, a clock, or a logo.

    ``x``, ``y``, ``width``, ``height`` are px of the upright picture, padded so that its ink lies
    within. ``span`` (case time, ns) is when it was seen, widened to the pictures looked at before
    and after. ``score`` goes from 0 to 1 and is a suspicion, not a probability. ``frames`` are
    case-wide numbers of frames that show it, for a person to look at. ``words`` is what a
    recogniser read there, empty where none did; writing that moves keeps within the rectangle.
    """

    x: int
    y: int
    width: int
    height: int
    span: Span
    score: float
    frames: tuple[int, ...]
    words: str = ""


@dataclass(frozen=True, slots=True)
class UnlikeView:
    """A span (case time, ns) whose pictures look unlike most of the recording.

    ``why`` says in plain words how they differ, ``score`` (0 to 1) how much; ``frame`` is the
    case-wide number of the one that differs most.
    """

    span: Span
    score: float
    why: str
    frame: int


@dataclass(frozen=True, slots=True)
class Screening:
    """What was found, in order of time, and what could not be told (plain sentences).

    Nothing found is no proof that nothing is there: a person must look.
    """

    overlays: tuple[Overlay, ...]
    views: tuple[UnlikeView, ...]
    remarks: tuple[str, ...]
