"""The eye from outside: sclera, limbus and iris, drawn once for a scenario's looks."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from synthetic_clips.scenario import Look

Image = npt.NDArray[np.uint8]
Plane = npt.NDArray[np.float32]

CORNEA_SHARE = 0.415
"""The radius of the cornea as a share of the picture's height: the unit of all drawing."""

_WIDER = 1.02


@dataclass(frozen=True, slots=True)
class Frame:
    """Where the eye lies: picture size, margin around it on the canvas, unit and centre, px."""

    width: int
    height: int

    @property
    def margin(self) -> int:
        """Extra canvas on each side, so that movement never shows an edge."""
        return round(0.16 * self.height)

    @property
    def unit(self) -> float:
        """The radius of the cornea."""
        return CORNEA_SHARE * self.height

    @property
    def centre(self) -> tuple[float, float]:
        """The middle of the cornea in the picture at rest."""
        return self.width / 2, 0.468 * self.height


def smooth(low: float, high: float, x: npt.NDArray[np.floating]) -> Plane:
    """Rise from 0 at ``low`` to 1 at ``high`` without a corner (low may exceed high)."""
    t = np.clip((x - low) / (high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def cloud(rng: np.random.Generator, height: int, width: int, cells: float) -> Plane:
    """Give soft random texture, about -1 to 1, with ``cells`` lumps across the width."""
    total = np.zeros((height, width), np.float32)
    strength = 1.0
    for _ in range(4):
        columns = max(2, round(cells))
        rows = max(2, round(cells * height / width))
        grid = rng.standard_normal((rows, columns)).astype(np.float32)
        total += strength * cv2.resize(grid, (width, height), interpolation=cv2.INTER_CUBIC)
        cells, strength = cells * 2.1, strength * 0.5
    return np.asarray(total / 2, np.float32)


def fibres(rng: np.random.Generator, angles: int, radii: int, spread: float) -> Plane:
    """Give radial threads, (angles, radii), about -1 to 1, seamless around the circle."""
    raw = rng.standard_normal((angles, radii)).astype(np.float32)
    tiled = np.concatenate([raw, raw, raw])
    soft = cv2.GaussianBlur(tiled, (0, 0), sigmaX=radii / 5, sigmaY=spread)[angles : 2 * angles]
    return np.asarray(soft / (soft.std() + 1e-6), np.float32)


def polar(texture: Plane, r: Plane, angle: Plane, inner: float, outer: float) -> Plane:
    """Lay (angles, radii) ``texture`` around the circle between two radii."""
    angles, radii = texture.shape
    column = np.clip((r - inner) / (outer - inner), 0, 1) * (radii - 1)
    row = (angle / (2 * np.pi) % 1) * angles
    return np.asarray(
        cv2.remap(
            texture,
            column.astype(np.float32),
            row.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_WRAP,
        ),
        np.float32,
    )


def blend(base: Plane, colour: tuple[float, float, float] | Plane, alpha: Plane | float) -> None:
    """Lay ``colour`` (blue, green, red) over ``base`` (h, w, 3) in place by ``alpha`` (h, w)."""
    weight = alpha[..., np.newaxis] if isinstance(alpha, np.ndarray) else alpha
    base += weight * (np.asarray(colour, np.float32) - base)


def draw_eye(frame: Frame, look: Look) -> Image:
    """Draw the resting eye without its pupil's content on a canvas with margins, BGR."""
    rng = np.random.default_rng(look.seed)
    height, width = frame.height + 2 * frame.margin, frame.width + 2 * frame.margin
    x = (np.arange(width) + 0.5 - frame.margin - frame.centre[0]) / frame.unit
    y = (np.arange(height) + 0.5 - frame.margin - frame.centre[1]) / frame.unit
    u, v = (a.astype(np.float32) for a in np.meshgrid(x / _WIDER, y))
    r, angle = np.sqrt(u * u + v * v), np.arctan2(v, u).astype(np.float32)

    picture = _sclera(rng, frame, r, u, v)
    _iris(rng, picture, look, r, angle)
    limbus = smooth(0.90, 0.985, r) * (1 - smooth(1.0, 1.10, r))
    wobble = 0.75 + 0.2 * polar(fibres(rng, 360, 8, 6), r, angle, 0, 2)
    blend(picture, (128, 124, 116), 0.62 * limbus * wobble.clip(0, 1))

    # the cornea is a wet dome: a faint sheen, brighter towards the light
    sheen = np.exp(-((u + 0.35) ** 2 + (v + 0.45) ** 2) / 0.35) * (1 - smooth(0.85, 1.0, r))
    blend(picture, (235, 238, 240), np.asarray(0.10 * sheen, np.float32))
    arc = np.exp(-(((r - 1.03) / 0.035) ** 2)) * smooth(0.72, 0.95, np.cos(angle + 2.2))
    blend(picture, (250, 250, 250), np.asarray(0.45 * arc, np.float32))
    return np.asarray(picture.clip(0, 255), np.uint8)


def _sclera(rng: np.random.Generator, frame: Frame, r: Plane, u: Plane, v: Plane) -> Plane:
    height, width = r.shape
    picture = np.empty((height, width, 3), np.float32)
    picture[:] = (196, 206, 224)
    mottled = cloud(rng, height, width, 7)
    blend(picture, (150, 158, 208), (0.18 + 0.14 * mottled).clip(0, 0.6).astype(np.float32))
    vessels = _vessels(rng, frame, height, width)
    blend(picture, (62, 56, 176), vessels)
    picture *= (1.02 - 0.10 * smooth(1.0, 2.6, r) - 0.05 * v)[..., np.newaxis]
    # lids and drape, out of focus, beyond the edges
    lid = smooth(1.12, 1.40, np.abs(v) + 0.10 * u * u)
    blend(picture, (118, 132, 176), 0.75 * lid)
    return picture


def _vessels(rng: np.random.Generator, frame: Frame, height: int, width: int) -> Plane:
    drawn = np.zeros((height, width), np.float32)
    cx, cy = frame.centre[0] + frame.margin, frame.centre[1] + frame.margin
    for _ in range(46):
        angle = rng.uniform(0, 2 * np.pi)
        radius, heading = rng.uniform(1.7, 2.5), rng.normal(0, 0.25)
        stop = rng.uniform(1.06, 1.5)
        strength, thick = rng.uniform(0.12, 0.5), rng.choice([1, 1, 1, 2])
        points = []
        while radius > stop:
            points.append(
                (
                    cx + radius * frame.unit * np.cos(angle) * _WIDER,
                    cy + radius * frame.unit * np.sin(angle),
                )
            )
            heading = 0.85 * heading + rng.normal(0, 0.16)
            radius -= 0.03
            angle += 0.03 * heading
        line = np.round(np.array(points) * 8).astype(np.int32)
        layer = np.zeros((height, width), np.uint8)
        cv2.polylines(layer, [line], False, 255, int(thick), cv2.LINE_AA, 3)
        drawn = np.maximum(drawn, layer.astype(np.float32) / 255 * strength)
    return np.asarray(cv2.GaussianBlur(drawn, (0, 0), max(0.5, frame.unit / 190)), np.float32)


def _iris(rng: np.random.Generator, picture: Plane, look: Look, r: Plane, angle: Plane) -> None:
    pupil = look.pupil
    fine = polar(fibres(rng, 900, 48, 1.1), r, angle, pupil, 1.0)
    broad = polar(fibres(rng, 360, 24, 3.5), r, angle, pupil, 1.0)
    inside = 1 - smooth(0.95, 1.02, r)
    red, green, blue = look.iris
    colour = np.empty_like(picture)
    colour[:] = (blue, green, red)
    shade = 1.0 + 0.11 * fine + 0.13 * broad
    shade *= 1 - 0.45 * smooth(0.84, 1.0, r)
    collarette = pupil + 0.09 + 0.012 * broad
    shade *= 1 + 0.28 * np.exp(-(((r - collarette) / 0.035) ** 2))
    shade *= 1 - 0.55 * (1 - smooth(pupil, pupil + 0.05, r))
    colour *= shade.clip(0.15, 2)[..., np.newaxis]
    warm = np.exp(-(((r - pupil) / 0.16) ** 2))
    blend(colour, (52, 84, 128), np.asarray(0.30 * warm, np.float32))
    picture += inside[..., np.newaxis] * (colour.clip(0, 255) - picture)
