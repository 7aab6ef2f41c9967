"""Finding what stands still in a picture whose scene moves: burnt-in text, clocks, logos.

An edge that belongs to the scene comes and goes at a place of the picture; one that was written
over it is there in every picture, whatever is behind. So the mean of the edges' directions over
pictures keeps what stands and loses what moves. Two more properties set writing apart from the
rim of the microscope's round field and from borders: its strokes have two sides close together,
whose directions are opposite, and it takes little of the picture.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import numpy.typing as npt

Gray = npt.NDArray[np.uint8]
EdgeValues = npt.NDArray[np.float32]

BLOCK = 4
"""Pictures summed at a time; every stretch looked at is two blocks or more."""

SOFT = 6.0
"""Edges (luma steps per px) well above this count fully, well below hardly at all."""

REACH = 7
"""Side (px) of the square in which a stroke's two sides are looked for."""

PREVAILING = 0.65
"""Where the mean direction is longer than this share of the single ones', it prevails."""

SURE, ABOVE = 0.5, 0.5
"""Share of the edges at a place that stands, from which it is taken: at least the first, and so
much of the way from what most of the scene shows up to 1."""

SUREST, LEVELS = 0.92, 4
"""Places are gathered from the surest down, so that writing is not joined to what lies around."""

CHANCE = 0.8
"""Few pictures let a scene stand by chance: so much more is asked, shared by their number."""

GROWN = 0.65
"""What touches such a place is taken from this share of its measure on (a clock's digits)."""

LIKELY, SMALL, HALF = 0.85, 0.15, 0.6
"""Where so much stands in at most these shares of the picture and of what has texture, it is not
counted as scene."""

_AROUND = np.ones((9, 9), np.uint8)

USUAL, TEXTURED, POOL = 0.93, 0.04, 0.25
"""The scene's own share is this quantile over places with two-sided edges denser than TEXTURED,
counted as at least POOL of the picture so that writing over a plain scene is not taken for it."""

FAINT, LEAST = 0.06, 0.01
"""Two-sided edges below the one density are no ink; edges below the other are none."""

STILL = 0.92
"""Where the scene's own share is higher, nothing can be told."""

DARK, BORDER, RIM = 12, 0.01, 9
"""What is never brighter than the first, in pieces of at least so much of the picture, is a border;
its rim is so many px wide."""

FILLED = 0.3
"""Writing fills at least so much of its box; a branching vessel or a fold does not."""

OVER, LARGER, WITHIN = 0.3, 3, 0.7
"""Boxes that share so much of the smaller one are one, unless one is so many times larger; one of
which so much lies in a larger one is part of that."""

PLAIN = 0.3
"""Mean directions shorter than this tell nothing."""


@dataclass(frozen=True, slots=True)
class PictureBlock:
    """Sums over ``count`` pictures from number ``first`` to before ``last``: of edge direction
    (x and y) and of the squared length of what is fine in it, shape (h, w)."""

    first: int
    last: int
    count: int
    x: EdgeValues = field(repr=False)
    y: EdgeValues = field(repr=False)
    square: EdgeValues = field(repr=False)

    def __add__(self, other: PictureBlock) -> PictureBlock:
        return PictureBlock(
            self.first,
            other.last,
            self.count + other.count,
            self.x + other.x,
            self.y + other.y,
            self.square + other.square,
        )


@dataclass(frozen=True, slots=True)
class StaticBox:
    """A box (px of the pictures given) that stands in pictures ``first`` to before ``last``."""

    left: int
    top: int
    right: int
    bottom: int
    first: int
    last: int
    score: float


def edges(gray: Gray) -> tuple[EdgeValues, EdgeValues]:
    """Give the edges' direction, shape (h, w) each, with a length of 0 to 1 by strength."""
    x = cv2.Scharr(gray, cv2.CV_32F, 1, 0, scale=1 / 32)
    y = cv2.Scharr(gray, cv2.CV_32F, 0, 1, scale=1 / 32)
    length = cv2.sqrt(cv2.multiply(x, x) + cv2.multiply(y, y) + SOFT**2)
    return np.asarray(x / length, np.float32), np.asarray(y / length, np.float32)


def two_sided(x: EdgeValues, y: EdgeValues) -> EdgeValues:
    """Give how dense edges of opposite directions lie around each place, shape (h, w).

    None where one direction prevails, as at a rim or a border.
    """
    size = (REACH, REACH)
    strength = cv2.blur(cv2.magnitude(x, y), size)
    left_over = cv2.magnitude(cv2.blur(x, size), cv2.blur(y, size))
    both = strength - left_over
    return np.asarray(np.where(left_over <= PREVAILING * strength, both, 0), np.float32)


def fine(x: EdgeValues, y: EdgeValues) -> EdgeValues:
    """Give the squared length of directions once their mean over the neighbourhood is taken off.

    Broad edges (a pupil's rim, shade) are alike over the neighbourhood; strokes are not.
    """
    size = (REACH, REACH)
    return np.asarray((x - cv2.blur(x, size)) ** 2 + (y - cv2.blur(y, size)) ** 2, np.float32)


def find_standing(pictures: Sequence[Gray]) -> tuple[list[StaticBox], list[tuple[int, int]]]:
    """Find boxes that stand in stretches of ``pictures``, from two blocks up to the whole.

    ``pictures`` are of one size, in order, each unlike the one before. Also gives the stretches
    (first, last) in which all stands still, and in every longer one around them.
    """
    blocks = list(_blocks(pictures))
    rim = field_rim(pictures)
    found: list[StaticBox] = []
    still: list[tuple[int, int]] = []
    while len(blocks) > 1:
        now: list[tuple[int, int]] = []
        for number in range(len(blocks) - 1):
            both = blocks[number] + blocks[number + 1]
            boxes = _boxes(both, rim)
            found += boxes or []
            if boxes is None:
                now.append((both.first, both.last))
            else:
                still = [(a, b) for a, b in still if not both.first <= a < b <= both.last]
        still += now
        blocks = [
            blocks[k] + blocks[k + 1] if k + 1 < len(blocks) else blocks[k]
            for k in range(0, len(blocks), 2)
        ]
    return found, still


def _blocks(pictures: Sequence[Gray]) -> Iterator[PictureBlock]:
    for first in range(0, len(pictures), BLOCK):
        some = pictures[first : first + BLOCK]
        total: PictureBlock | None = None
        for place, gray in enumerate(some, first):
            x, y = edges(gray)
            one = PictureBlock(place, place + 1, 1, x, y, fine(x, y))
            total = one if total is None else total + one
        if total is not None:
            yield total


def field_rim(pictures: Sequence[Gray]) -> npt.NDArray[np.bool_]:
    """Give where a large part of the picture that is always dark meets the rest, shape (h, w).

    That edge (a border, the rim of the round field) stands as writing does. Thin bright things
    within the dark part, which may be writing, do not count as the rest.
    """
    lit = np.maximum.reduce(list(pictures)) > DARK
    kernel = np.ones((RIM, RIM), np.uint8)
    lit = cv2.morphologyEx(lit.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(1 - lit, connectivity=8)
    large = np.flatnonzero(stats[:, cv2.CC_STAT_AREA] >= BORDER * lit.size)
    dark = (np.isin(labels, large) & (lit == 0)).astype(np.uint8)
    return np.asarray((cv2.dilate(dark, kernel) > 0) & (cv2.dilate(lit, kernel) > 0), np.bool_)


def _boxes(block: PictureBlock, rim: npt.NDArray[np.bool_]) -> list[StaticBox] | None:
    """Give the boxes that stand in ``block``; None where most of the picture does."""
    x, y = (np.asarray(a / block.count, np.float32) for a in (block.x, block.y))
    stands = two_sided(x, y)
    seen = cv2.blur(block.square / block.count, (REACH, REACH))
    share = np.asarray(cv2.blur(fine(x, y), (REACH, REACH)) / np.maximum(seen, LEAST), np.float32)
    textured = seen >= TEXTURED
    likely = cv2.dilate(((share >= LIKELY) & (stands >= FAINT)).astype(np.uint8), _AROUND) > 0
    if likely.mean() <= SMALL and (likely & textured).sum() <= HALF * textured.sum():
        textured &= ~likely
    scene = _usual(share[textured], share.size)
    if scene > STILL:
        return None
    least = max(SURE, scene + ABOVE * (1 - scene)) + CHANCE / block.count
    found: list[StaticBox] = []
    taken = np.zeros(share.shape, np.bool_)
    for level in np.linspace(max(SUREST, least), least, LEVELS):
        seeds = ((stands >= FAINT) & (share >= level) & ~taken & ~rim).astype(np.uint8)
        near = cv2.dilate(seeds, np.ones((5, 41), np.uint8)) > 0
        ink = near & ~taken & (stands >= FAINT) & (share >= max(GROWN * level, scene))
        for place, own in _pieces(ink):
            sure = own & (seeds[place] > 0)
            if sure.sum() < max(REACH * REACH, FILLED * own.size):
                continue
            taken[place] = True
            top, left = place[0].start, place[1].start
            found.append(
                StaticBox(
                    left,
                    top,
                    left + own.shape[1],
                    top + own.shape[0],
                    block.first,
                    block.last,
                    float(share[place][sure].mean()),
                )
            )
    return found


def _pieces(
    ink: npt.NDArray[np.bool_],
) -> Iterator[tuple[tuple[slice, slice], npt.NDArray[np.bool_]]]:
    """Yield the place of each piece of ink, letters joined to words, and what of it is its own."""
    joined = cv2.morphologyEx(ink.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 11), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    for number in range(1, count):
        left, top, width, height, _ = (int(value) for value in stats[number])
        place = (slice(top, top + height), slice(left, left + width))
        yield place, (labels[place] == number) & ink[place]


def _usual(shares: EdgeValues, size: int) -> float:
    """Give the share that stands in most of the scene, of a picture of ``size`` px."""
    missing = max(0, round(POOL * size) - shares.size)
    return float(np.quantile(np.append(shares, np.zeros(missing, np.float32)), USUAL))


def gathered(sure: Sequence[StaticBox], doubtful: Sequence[StaticBox]) -> list[StaticBox]:
    """Unite boxes of different stretches that lie over each other, the surest first.

    Those in doubt only add to others.
    """
    groups: list[list[StaticBox]] = []
    ranked = sorted(sure, key=lambda box: (-box.score * (box.last - box.first), box.first))
    for one in (*ranked, *doubtful):
        for group in groups:
            if _overlap(group[0], one) > OVER and _area(one) <= LARGER * _area(group[0]):
                group.append(one)
                break
        else:
            if one not in doubtful:
                groups.append([one])
    boxes = [
        replace(
            group[0],
            left=min(box.left for box in group),
            top=min(box.top for box in group),
            right=max(box.right for box in group),
            bottom=max(box.bottom for box in group),
        )
        for group in groups
    ]
    return [box for box in boxes if not any(_part_of(box, other) for other in boxes)]


def _part_of(box: StaticBox, other: StaticBox) -> bool:
    """Say whether ``box`` lies in a larger one that stands for at least half as long."""
    return (
        _area(other) > _area(box)
        and _overlap(box, other) > WITHIN
        and 2 * (other.last - other.first) >= box.last - box.first
    )


def _area(box: StaticBox) -> int:
    return (box.right - box.left) * (box.bottom - box.top)


def _overlap(a: StaticBox, b: StaticBox) -> float:
    """Give the shared area as a share of the smaller box."""
    wide = min(a.right, b.right) - max(a.left, b.left)
    high = min(a.bottom, b.bottom) - max(a.top, b.top)
    if wide <= 0 or high <= 0:
        return 0.0
    return wide * high / min(_area(a), _area(b))


def presence(pictures: Sequence[Gray], like: Sequence[Gray], box: StaticBox) -> EdgeValues:
    """Say for each picture how much of what stands in the box in ``like`` it shows, about 0 to 1.

    Shape (n,).
    """
    place = np.s_[box.top : box.bottom, box.left : box.right]
    usual = np.mean([np.stack(edges(picture[place])) for picture in like], axis=0)
    usual *= np.hypot(*usual) > PLAIN
    whole = float((usual**2).sum())
    shares = [
        float((np.stack(edges(picture[place])) * usual).sum()) / max(whole, 1e-6)
        for picture in pictures
    ]
    return np.array(shares, np.float32)
