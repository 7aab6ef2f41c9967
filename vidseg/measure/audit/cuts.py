"""Where the picture jumps from one frame to the next, among quick but continuous movement.

A cut is told by four things at once: the two frames before it and the three after it differ across
the place in every pairing (a flash differs from its neighbours, but they do not from each
other); they differ much more than successive frames nearby do (a quick movement has neighbours as
quick); brightness is evened out first; and at a key frame they differ much more than at
other key frames (which show a fresh, sharper picture even of the same scene).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidseg.measure.audit.track import Flags, Reals, Track

NEAR = 5
"""Frames on each side whose movement a jump is compared with."""

FLOOR_CHANGE, FLOOR_LOCAL = 0.35, 1.6
"""Added to the movement nearby (luma steps): what noise and compression may do."""

LEAST = 2.1
"""Least ratio of jump to movement nearby, geometric mean of whole picture and liveliest tenth."""

LEAST_EACH = 1.45
LEAST_AT_JOIN, LEAST_EACH_AT_JOIN = 1.25, 1.0
"""Between two files a jump is likelier beforehand, and the first frame always a key frame."""

LEAST_OTHER, LEAST_EACH_OTHER = 1.5, 1.3
OTHER, OTHER_RATIO = 0.15, 3.0
"""Where the tones of the picture become others all at once (histogram distance, and its ratio to
that of frames nearby), less is asked for: movement, however quick, keeps them."""

LEAST_UNLIT = 0.2
"""Share of the whole difference that must be left once brightness is evened out: less is a lamp."""

PLAIN = 6.0
POP = 1.35
"""How many times the usual pop of a key frame a jump at one must be to count in full."""

FEW_KEYS = 4
MOST_POP, MOST_POP_LOCAL = 5.0, 10.0
"""A pop is never taken to be larger (luma steps): where encoders begin every new scene with a key
frame, most key frames are cuts. Measured at x264's crf 33: 4.2 and 8."""


@dataclass(frozen=True, slots=True)
class Jump:
    """A jump before the frame at ``place``: ``ratio`` to the movement nearby, and the change
    in luma steps over the whole picture and over its liveliest tenth."""

    place: int
    ratio: float
    change: float
    local: float

    @property
    def score(self) -> float:
        """How plain it is, 0 to 1."""
        return float(np.clip(0.5 + 0.5 * (self.ratio - LEAST) / (PLAIN - LEAST), 0.3, 1.0))


def across(lags: Reals) -> Reals:
    """Give the least difference across each place between 2 frames before and 3 after, (n,).

    ``lags``, shape (n, 4): difference to the frame 1 to 4 before. Column k of row t compares t
    with t - k - 1, so the pair (t - 1 - a, t + b) is row t + b, column a + b.
    """
    count = len(lags)
    least = np.full(count, np.inf)
    for a in (0, 1):
        for b in (0, 1, 2):
            pair = lags[b:, a + b]
            least[: count - b] = np.minimum(least[: count - b], pair)
    if count:
        least[0] = 0.0
    return least


def nearby(step: Reals) -> Reals:
    """Give how large single steps near each place are, the place itself left out, (n,).

    On each side the second largest of ``NEAR`` frames, or half the largest where that is more:
    a single step beside a cut is often the encoder's, two are movement.
    """
    count = len(step)
    padded = np.concatenate([np.zeros(NEAR), step, np.zeros(NEAR)])
    sides = []
    for first in (0, NEAR + 1):
        window = np.stack([padded[first + k : first + k + count] for k in range(NEAR)])
        window.sort(axis=0)
        sides.append(np.maximum(window[-2], 0.5 * window[-1]))
    return np.asarray(np.maximum(sides[0], sides[1]))


def ratios(track: Track) -> tuple[Reals, Reals]:
    """Give the jump at each place as ratio to the movement nearby: whole picture, and tenth."""
    found = []
    keys = np.flatnonzero(track.key[1:]) + 1
    popping = FEW_KEYS <= len(keys) <= len(track) / 4
    for lags, floor, most in (
        (track.change, FLOOR_CHANGE, MOST_POP),
        (track.local, FLOOR_LOCAL, MOST_POP_LOCAL),
    ):
        jump, step = across(lags), lags[:, 0].copy()
        if popping:  # a pop is no movement: the frames beside it tell what moves there
            after = np.minimum(keys + 1, len(step) - 1)
            step[keys] = np.minimum(step[keys], np.maximum(step[keys - 1], step[after]))
        usual = nearby(step)
        if popping:
            pop = min(most, float(np.percentile(jump[keys], 60)))
            usual[keys] = np.maximum(usual[keys], POP * pop)
        found.append(jump / (usual + floor))
    return found[0], found[1]


def _other_tones(track: Track) -> Flags:
    usual = nearby(track.histogram)
    return np.asarray(
        (track.histogram >= OTHER) & (track.histogram >= OTHER_RATIO * (usual + 0.01))
    )


def jumps(track: Track, explained: Flags) -> list[Jump]:
    """List the jumps of ``track``, but for places where ``explained`` is True."""
    if len(track) < 2:
        return []
    whole, tenth = ratios(track)
    both = np.sqrt(whole * tenth)
    least, each = np.full(len(track), LEAST), np.full(len(track), LEAST_EACH)
    other = _other_tones(track)
    least[other], each[other] = LEAST_OTHER, LEAST_EACH_OTHER
    joins = list(track.joins)
    least[joins], each[joins] = LEAST_AT_JOIN, LEAST_EACH_AT_JOIN
    lamp = track.change[:, 0] < LEAST_UNLIT * track.raw
    both[(np.minimum(whole, tenth) < each) | explained | lamp] = 0.0
    found = []
    for place in np.flatnonzero(both >= least):
        around = both[max(0, place - 2) : place + 3]
        if both[place] == around.max() and place == np.flatnonzero(both == both[place])[0]:
            change, local = float(track.change[place, 0]), float(track.local[place, 0])
            found.append(Jump(int(place), float(both[place]), change, local))
    return found
