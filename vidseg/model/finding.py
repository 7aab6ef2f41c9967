"""What an audit finds: reasons to doubt that a recording's clock shows the operation's time."""

from __future__ import annotations

from dataclasses import dataclass

FINDINGS: dict[str, tuple[str, str]] = {
    "time-gap": (
        "no frame for a long while, by the file's own times",
        "the time is counted although nothing was recorded in it: declare it as excluded",
    ),
    "dropped-frames": (
        "single frames are missing, the others keep their times",
        "none: times stay right, the picture stutters",
    ),
    "repeated-times": (
        "frames whose time is missing, repeated or goes back",
        "these frames are not counted: a time near them may be off by as many frames",
    ),
    "variable-rate": (
        "frames do not follow each other evenly",
        "none here, every frame's own time is used; another program that divides frame numbers "
        "by a rate will differ",
    ),
    "sound-length": (
        "sound and pictures are not of the same length",
        "one of the two may be cut short or run at another speed: compare a moment seen and heard",
    ),
    "cut-short": (
        "the file ends before the length that its header promises",
        "a step at the end may be longer than it seems: mark its end as open",
    ),
    "damaged-frames": (
        "pictures that cannot be decoded, or decode with errors",
        "none if the times are intact; what is seen there may be wrong",
    ),
    "interlaced": (
        "each picture holds two moments, line by line",
        "at most half a frame",
    ),
    "duplicated-frames": (
        "a picture is shown again although things move before and after",
        "if frames were put in, the time after them is late by as many frames; if they stand in "
        "for lost ones, none",
    ),
    "frozen-span": (
        "the picture stands still, and what moved before it goes on after it",
        "the time is counted although what happened in it cannot be seen",
    ),
    "black-span": (
        "the picture is black",
        "the time is counted although what happened in it cannot be seen",
    ),
    "blank-span": (
        "the picture is one plain colour",
        "the time is counted although what happened in it cannot be seen",
    ),
    "still-picture": (
        "a still picture, such as a title, between moving ones",
        "its time is not the operation's: declare it as excluded",
    ),
    "fade": (
        "the picture fades to black or out of it",
        "a sign of editing: time may be missing where the picture is darkest",
    ),
    "hard-cut": (
        "the picture jumps from one frame to the next",
        "time may be missing here: a step across it is longer than it seems, by an unknown time",
    ),
    "jump-at-join": (
        "the picture jumps where one file of the recording ends and the next begins",
        "time may be missing between the files: declare when each file began",
    ),
    "overlapping-parts": (
        "the end of one file is shown again at the start of the next",
        "this time is counted twice: declare when each file began",
    ),
    "speeded-up": (
        "all movement is suddenly faster, for a while",
        "if the footage was speeded up, steps in it are longer than they seem",
    ),
    "slowed-down": (
        "every picture is shown several times, or all movement is suddenly slower",
        "if the footage was slowed down, steps in it are shorter than they seem",
    ),
}
"""Every code of a finding: what it means, and what it does to durations. Codes are permanent."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One reason to doubt the clock, at ``[start, end]`` in ns of case time.

    ``start == end`` for something that lies between two frames (a cut): the start of the frame
    after it. ``score``, 0 to 1, says how plainly it shows: 1 for a fact of the file, less for
    what is concluded from pictures. ``evidence`` gives the measured values, ``effect`` what it
    does to durations. Raises ValueError for an unknown code, a score outside 0 to 1 or an end
    before the start.
    """

    code: str
    start: int
    end: int
    score: float
    evidence: str
    effect: str = ""

    def __post_init__(self) -> None:
        if self.code not in FINDINGS:
            raise ValueError(f"no finding {self.code!r}")
        if not 0 <= self.score <= 1:
            raise ValueError(f"a score goes from 0 to 1, not {self.score}")
        if self.end < self.start:
            raise ValueError(f"{self.code} ends before it starts")
        if not self.effect:
            object.__setattr__(self, "effect", FINDINGS[self.code][1])

    @property
    def meaning(self) -> str:
        """What the code means, in words."""
        return FINDINGS[self.code][0]

    @property
    def length(self) -> int:
        """Length in ns; 0 for what lies between two frames."""
        return self.end - self.start
