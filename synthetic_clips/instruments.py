"""The instruments: straight tools that enter the eye at a wound and turn about it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
import numpy.typing as npt

from synthetic_clips.eye import Image

Points = npt.NDArray[np.float64]
Colour = tuple[int, int, int]


class Kind(StrEnum):
    """Which instrument."""

    BLADE = "blade"
    KERATOME = "keratome"
    CANNULA = "cannula"
    DYE_CANNULA = "dye cannula"
    FORCEPS = "forceps"
    PROBE = "probe"
    CHOPPER = "chopper"
    ASPIRATOR = "aspirator"
    INJECTOR = "injector"
    HOOK = "hook"


@dataclass(frozen=True, slots=True)
class Tool:
    """One instrument in view; ``port`` and ``tip`` in cornea radii from its middle (x, y).

    ``opening`` is how far forceps are open (0 to 1).
    """

    kind: Kind
    port: tuple[float, float]
    tip: tuple[float, float]
    opening: float = 0.0


@dataclass(frozen=True, slots=True)
class _Piece:
    """A stretch of an instrument: (distance from the tip, half width) pairs and its colours
    (edge, body, shine), all lengths in cornea radii."""

    outline: tuple[tuple[float, float], ...]
    edge: Colour
    body: Colour
    shine: Colour


_FAR = 4.0


def _steel(*outline: tuple[float, float]) -> _Piece:
    return _Piece(outline, (98, 97, 98), (160, 159, 158), (244, 244, 244))


def _grip(start: float, half: float, body: Colour) -> _Piece:
    edge = (body[0] * 3 // 5, body[1] * 3 // 5, body[2] * 3 // 5)
    shine = tuple(min(255, part + 70) for part in body)
    outline = ((start, half * 0.6), (start + 0.06, half), (_FAR, half * 1.15))
    return _Piece(outline, edge, body, (shine[0], shine[1], shine[2]))


def _sleeve(start: float, end: float, half: float, body: Colour) -> _Piece:
    edge = (body[0] * 7 // 10, body[1] * 7 // 10, body[2] * 7 // 10)
    outline = ((start, half * 0.72), (start + 0.07, half), (end, half * 1.12))
    return _Piece(outline, edge, body, (236, 238, 236))


_PIECES: dict[Kind, tuple[_Piece, ...]] = {
    Kind.BLADE: (
        _grip(1.00, 0.075, (148, 132, 58)),
        _steel((0.26, 0.030), (0.40, 0.026), (1.05, 0.030)),
        _Piece(
            ((0.0, 0.002), (0.16, 0.028), (0.30, 0.040)),
            (120, 118, 116),
            (206, 206, 204),
            (255, 255, 255),
        ),
    ),
    Kind.KERATOME: (
        _grip(1.05, 0.085, (60, 120, 182)),
        _steel((0.36, 0.036), (1.10, 0.040)),
        _Piece(
            ((0.0, 0.002), (0.14, 0.085), (0.24, 0.118), (0.32, 0.110), (0.40, 0.038)),
            (112, 110, 108),
            (204, 204, 202),
            (255, 255, 255),
        ),
    ),
    Kind.CANNULA: (
        _grip(1.30, 0.075, (176, 180, 172)),
        _steel((0.0, 0.012), (0.05, 0.017), (0.9, 0.019), (1.35, 0.026)),
    ),
    Kind.DYE_CANNULA: (
        _grip(1.30, 0.075, (170, 104, 60)),
        _steel((0.0, 0.012), (0.05, 0.017), (0.9, 0.019), (1.35, 0.026)),
    ),
    Kind.FORCEPS: (_grip(1.15, 0.085, (150, 146, 142)),),
    Kind.PROBE: (
        _grip(1.32, 0.150, (128, 124, 120)),
        _steel((0.0, 0.026), (0.02, 0.032), (0.26, 0.034)),
        _sleeve(0.16, 1.36, 0.070, (190, 168, 118)),
    ),
    Kind.CHOPPER: (
        _grip(1.20, 0.055, (152, 150, 148)),
        _steel((0.0, 0.013), (0.55, 0.015), (1.25, 0.026)),
    ),
    Kind.ASPIRATOR: (
        _grip(1.30, 0.130, (136, 132, 128)),
        _steel((0.0, 0.016), (0.025, 0.030), (0.30, 0.033)),
        _sleeve(0.22, 1.34, 0.060, (172, 158, 196)),
    ),
    Kind.INJECTOR: (
        _grip(1.25, 0.150, (178, 150, 96)),
        _Piece(
            ((0.0, 0.055), (0.08, 0.078), (0.70, 0.086), (1.30, 0.120)),
            (150, 132, 96),
            (206, 196, 172),
            (250, 250, 248),
        ),
    ),
    Kind.HOOK: (
        _grip(1.20, 0.055, (152, 150, 148)),
        _steel((0.0, 0.012), (0.55, 0.014), (1.25, 0.026)),
    ),
}

_BENT = {Kind.CHOPPER: 0.085, Kind.HOOK: 0.06}


def axis_of(tool: Tool) -> Points:
    """Give the unit vector from the tip outward along ``tool``, shape (2,)."""
    port, tip = np.array(tool.port), np.array(tool.tip)
    radial = port / np.hypot(*port)
    away = 1.30 * port - tip
    if np.dot(away, radial) < 0.3:
        return np.asarray(radial)
    return np.asarray(away / np.hypot(*away))


def draw_shadows(picture: Image, tools: list[Tool], place: Points, unit: float) -> None:
    """Darken ``picture`` (BGR, in place) softly beside each tool. ``place`` is the 2x3 matrix
    from cornea radii to px."""
    if not tools:
        return
    height, width = picture.shape[:2]
    small = np.full((height // 4, width // 4), 255, np.uint8)
    for tool in tools:
        axis = axis_of(tool)
        shift = np.array([0.03, 0.055])
        ends = np.array([tool.tip, np.array(tool.tip) + _FAR * axis]) + shift
        outlines = [piece.outline for piece in _PIECES[tool.kind]]
        half = max((w for outline in outlines for at, w in outline if at < 1), default=0.04)
        points = _px(ends, place) / 4
        thick = max(1, round(2 * half * unit / 4))
        first, last = (tuple(int(c) for c in np.round(p * 16)) for p in points)
        cv2.line(small, first, last, 150, thick, cv2.LINE_AA, 4)
    small = np.asarray(cv2.GaussianBlur(small, (0, 0), max(0.8, unit / 70)), np.uint8)
    soft = cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR)
    cv2.multiply(picture, cv2.cvtColor(soft, cv2.COLOR_GRAY2BGR), dst=picture, scale=1 / 255)


def draw_tool(picture: Image, tool: Tool, place: Points, unit: float) -> None:
    """Draw ``tool`` into ``picture`` (BGR, in place); ``place`` as in ``draw_shadows``."""
    axis = axis_of(tool)
    tip = np.array(tool.tip)
    if tool.kind is Kind.FORCEPS:
        _draw_prongs(picture, tool, axis, place)
    for piece in _PIECES[tool.kind]:
        _draw_piece(picture, piece, tip, axis, place)
    if tool.kind in _BENT:
        side = np.array([-axis[1], axis[0]]) * _BENT[tool.kind]
        points = np.stack([tip + 0.01 * axis, tip + side])
        width = max(1, round(0.024 * unit))
        cv2.polylines(picture, [_sub(points, place)], False, (92, 90, 88), width, cv2.LINE_AA, 4)
        cv2.polylines(
            picture,
            [_sub(points, place)],
            False,
            (208, 208, 206),
            max(1, width // 2),
            cv2.LINE_AA,
            4,
        )
    if tool.kind is Kind.ASPIRATOR:
        mouth = _sub((tip + 0.07 * axis)[np.newaxis], place)[0]
        radius = max(1, round(0.012 * unit))
        cv2.circle(
            picture, (int(mouth[0]) >> 4, int(mouth[1]) >> 4), radius, (40, 36, 36), -1, cv2.LINE_AA
        )


def _draw_piece(picture: Image, piece: _Piece, tip: Points, axis: Points, place: Points) -> None:
    side = np.array([-axis[1], axis[0]])
    at = np.array([distance for distance, _ in piece.outline])
    half = np.array([width for _, width in piece.outline])
    line = tip + at[:, np.newaxis] * axis
    for low, high, colour in (
        (-1.0, 1.0, piece.edge),
        (-0.80, 0.80, piece.body),
        (-0.52, -0.10, piece.shine),
        (0.45, 0.72, _between(piece.body, piece.edge)),
    ):
        left = line + (low * half)[:, np.newaxis] * side
        right = line + (high * half)[:, np.newaxis] * side
        outline = np.concatenate([left, right[::-1]])
        cv2.fillPoly(picture, [_sub(outline, place)], colour, cv2.LINE_AA, 4)


def _draw_prongs(picture: Image, tool: Tool, axis: Points, place: Points) -> None:
    side = np.array([-axis[1], axis[0]])
    tip = np.array(tool.tip)
    for sign in (-1.0, 1.0):
        start = tip + sign * (0.010 + 0.055 * tool.opening) * side
        middle = tip + 0.70 * axis + sign * 0.030 * side
        back = tip + 1.20 * axis + sign * 0.045 * side
        for piece in (_steel((0.0, 0.010), (0.04, 0.012), (1.0, 0.022)),):
            along = middle - start
            length = float(np.hypot(*along))
            stretched = tuple((at * length, half) for at, half in piece.outline)
            first = _Piece(stretched, piece.edge, piece.body, piece.shine)
            _draw_piece(picture, first, start, along / length, place)
            along = back - middle
            length = float(np.hypot(*along))
            second = _steel((0.0, 0.022), (length, 0.032))
            _draw_piece(picture, second, middle, along / length, place)


def _between(one: Colour, other: Colour) -> Colour:
    return ((one[0] + other[0]) // 2, (one[1] + other[1]) // 2, (one[2] + other[2]) // 2)


def _px(points: Points, place: Points) -> Points:
    return np.asarray(points @ place[:, :2].T + place[:, 2])


def _sub(points: Points, place: Points) -> npt.NDArray[np.int32]:
    return np.asarray(np.round(_px(points, place) * 16), np.int32)
