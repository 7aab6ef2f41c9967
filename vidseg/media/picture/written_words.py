"""Words read in a recording's pictures: standing, moving, blinking, shown for a moment, or faint.

A reading of one picture is enough: writing is there or is not, whatever the scene does. Pictures
are read often enough to meet whatever is shown for ``BRIEFEST_NS``. What is too faint for one
picture is looked for in the mean of several, in which the scene fades and writing does not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import ceil, floor

import cv2
import numpy as np
from rapidfuzz.fuzz import partial_ratio

from vidseg.media.picture.sparse_pictures import Picture, averaged_down, size_upright
from vidseg.media.picture.text_reader import LegibleText, TextReader
from vidseg.media.read.keyframes import sparse_frames
from vidseg.model.clock import NS
from vidseg.model.progress import Progress
from vidseg.model.recording import Part, Recording
from vidseg.model.screening import Overlay
from vidseg.model.span import Span

BRIEFEST_NS = 3 * NS // 4
"""Pictures read are so far apart, and what is shown for longer is met."""
DENSE_NS, DENSE_FOR_NS = 2 * NS // 5, 60 * NS
"""In the first and the last minute, where names are shown most, they are so far apart."""
SIDE, SHARP_SIDE, SHARP_NS = 640, 1280, 6 * NS
"""Pictures are averaged down to the first (px), one every so often to the second only."""
SAME = 2.0
"""A picture of which no square of ``SQUARE`` px differs by more (luma steps) is not read again."""
SQUARE = 16
TOGETHER = (8, 32)
"""So many pictures are averaged to find what is faint."""
GAIN, SHADE_PX = 3.0, 12.0
"""What differs from its surroundings (Gaussian, px) is made so many times stronger in a mean."""
ALIKE, LAID_OVER = 70.0, 0.3
"""Two readings are one writing where their letters agree so far (per cent), or their boxes."""
UNSEEN_NS = 3 * NS
"""Writing unseen for so long is gone; a blink is shorter."""
PAD, PAD_X, LEAST_PX = 0.25, 0.6, 2
"""A box is widened by these shares of its height (above and below, left and right) and px."""
SHOWN = 3
"""Frames named for crops."""

Corners = tuple[float, float, float, float]


@dataclass(slots=True)
class Writing:
    """One writing followed from picture to picture; boxes in px of the whole upright picture."""

    text: str
    score: float
    box: Corners
    last_box: Corners
    full: tuple[int, int]
    first_at: int
    last_at: int
    frames: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Seen:
    """A picture to be read: small, upright, its frame and time, and the whole one's size."""

    frame: int
    at: int
    full: tuple[int, int]
    picture: Picture


def find_words(recording: Recording, progress: Progress) -> list[Overlay]:
    """Read pictures from start to end; give the writing found, in order of time.

    ``progress`` gets the fraction done. The caller has asked ``can_read``. Raises MediaError for
    a file that cannot be opened; frames that do not decode are passed over.
    """
    reader = TextReader(SHARP_SIDE)
    writings: list[Writing] = []
    before: Picture | None = None
    texts: list[LegibleText] = []
    means = [_Mean(count) for count in TOGETHER]
    for seen in _pictures(recording):
        gray = np.asarray(cv2.cvtColor(_down(seen.picture, SIDE), cv2.COLOR_RGB2GRAY), np.uint8)
        if before is None or max(seen.picture.shape) > SIDE or _differs(gray, before):
            texts, before = _read(reader, seen.picture, seen.full), gray
        _follow(writings, texts, seen.full, [seen])
        for mean in means:
            mean.add(seen, gray)
            if mean.complete:
                _follow(writings, *mean.read(reader))
        progress(seen.frame / recording.n_frames)
    for mean in means:
        if mean.enough:
            _follow(writings, *mean.read(reader))
    progress(1.0)
    found = [_overlay(recording, one) for one in writings]
    return sorted(found, key=lambda o: (o.span.start, o.y, o.x))


def moments(part: Part, first: bool, last: bool) -> list[int]:
    """Give the frames of ``part`` that are read, by index; ``first`` and ``last`` of all parts."""
    length = part.length
    times: list[int] = []
    at = DENSE_NS // 2
    while at < length:
        times.append(at)
        dense = (first and at < DENSE_FOR_NS) or (last and at >= length - DENSE_FOR_NS)
        at += DENSE_NS if dense else BRIEFEST_NS
    places = np.searchsorted(part.frame_ns, np.array(times or [0], np.int64), side="right") - 1
    return sorted({int(place) for place in places})


def _pictures(recording: Recording) -> Iterator[_Seen]:
    base = 0
    for number, part in enumerate(recording.parts):
        wanted = moments(part, number == 0, number == len(recording.parts) - 1)
        sharp = -SHARP_NS
        for index, frame in sparse_frames(part, wanted, pass_over=True):
            at = part.start + int(part.frame_ns[index])
            side = SIDE
            if at - sharp >= SHARP_NS:
                side, sharp = SHARP_SIDE, at
            yield _Seen(
                base + index, at, size_upright(frame, part), averaged_down(frame, part, side)
            )
        base += len(part.frame_ns)


def _down(picture: Picture, side: int) -> Picture:
    longest = max(picture.shape)
    if longest <= side:
        return picture
    size = (
        round(picture.shape[1] * side / longest),
        round(picture.shape[0] * side / longest),
    )
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)


def _differs(gray: Picture, before: Picture) -> bool:
    if gray.shape != before.shape:
        return True
    apart = cv2.absdiff(gray, before).astype(np.float32)
    squares = (max(1, gray.shape[1] // SQUARE), max(1, gray.shape[0] // SQUARE))
    return float(cv2.resize(apart, squares, interpolation=cv2.INTER_AREA).max()) > SAME


class _Mean:
    """The mean of so many grey pictures of one size, one after the other."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._seen: list[_Seen] = []
        self._sum = np.zeros((0, 0), np.float32)

    @property
    def complete(self) -> bool:
        """Whether so many pictures were taken."""
        return len(self._seen) == self._count

    @property
    def enough(self) -> bool:
        """Whether a mean of what was taken is worth reading."""
        return 2 * len(self._seen) >= TOGETHER[0]

    def add(self, seen: _Seen, gray: Picture) -> None:
        """Take a picture; one of another size begins anew."""
        if not self._seen or self._sum.shape != gray.shape:
            self._seen, self._sum = [], np.zeros(gray.shape, np.float32)
        self._sum += gray
        self._seen.append(seen)

    def read(self, reader: TextReader) -> tuple[list[LegibleText], tuple[int, int], list[_Seen]]:
        """Read the mean, made stronger, and begin anew."""
        mean, seen = self._sum / len(self._seen), self._seen
        own = mean - cv2.GaussianBlur(mean, (0, 0), SHADE_PX)
        strong = np.asarray((128 + GAIN * own).clip(0, 255), np.uint8)
        self._seen = []
        return _read(reader, strong, seen[-1].full), seen[-1].full, seen


def _read(reader: TextReader, picture: Picture, full: tuple[int, int]) -> list[LegibleText]:
    """Give what is legible, in px of the whole picture."""
    scale = max(full) / max(picture.shape)
    return [
        replace(
            text,
            left=text.left * scale,
            top=text.top * scale,
            right=text.right * scale,
            bottom=text.bottom * scale,
        )
        for text in reader.read(picture)
    ]


def _follow(
    writings: list[Writing],
    texts: Sequence[LegibleText],
    full: tuple[int, int],
    seen: Sequence[_Seen],
) -> None:
    """Add what one picture, or the mean of several, reads to the writings it goes on with."""
    start, end = seen[0].at, seen[-1].at
    frames = [seen[0].frame, seen[-1].frame]
    open_ones = [
        one
        for one in writings
        if one.full == full and start - one.last_at <= UNSEEN_NS and one.first_at - end <= UNSEEN_NS
    ]
    for text in texts:
        box = (text.left, text.top, text.right, text.bottom)
        nearest = max(open_ones, key=lambda one: _laid_over(one.last_box, box), default=None)
        if nearest is None or _laid_over(nearest.last_box, box) < LAID_OVER:
            nearest = next((one for one in reversed(open_ones) if _reads_like(one, text)), None)
        if nearest is None:
            writings.append(Writing(text.text, text.score, box, box, full, start, end, frames))
            continue
        open_ones.remove(nearest)
        nearest.box, nearest.last_box = _united(nearest.box, box), box
        nearest.first_at, nearest.last_at = min(nearest.first_at, start), max(nearest.last_at, end)
        nearest.frames += frames
        if text.score > nearest.score:
            nearest.text, nearest.score = text.text, text.score


def _reads_like(one: Writing, text: LegibleText) -> bool:
    return partial_ratio(one.text.casefold(), text.text.casefold()) >= ALIKE


def _united(a: Corners, b: Corners) -> Corners:
    return min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3])


def _laid_over(a: Corners, b: Corners) -> float:
    """Give the shared area as a share of the smaller box."""
    wide, high = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    if wide <= 0 or high <= 0:
        return 0.0
    return wide * high / min((c[2] - c[0]) * (c[3] - c[1]) for c in (a, b))


def _overlay(recording: Recording, one: Writing) -> Overlay:
    """Give the writing's place, widened, and its time, widened to the pictures before and after."""
    left, top, right, bottom = one.box
    tall = one.last_box[3] - one.last_box[1]
    width, height = one.full
    x, y = (max(0, floor(v)) for v in (left - PAD_X * tall - LEAST_PX, top - PAD * tall - LEAST_PX))
    far = min(width, ceil(right + PAD_X * tall + LEAST_PX))
    low = min(height, ceil(bottom + PAD * tall + LEAST_PX))
    frames = sorted(set(one.frames))
    shown = sorted({frames[round(k * (len(frames) - 1) / (SHOWN - 1))] for k in range(SHOWN)})
    span = Span(
        max(0, one.first_at - BRIEFEST_NS), min(recording.length, one.last_at + BRIEFEST_NS)
    )
    return Overlay(x, y, far - x, low - y, span, round(one.score, 3), tuple(shown), one.text)
