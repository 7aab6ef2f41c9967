"""What is seen in the pupil: red reflex, clouded lens, dye, tear, grooves, pieces, implant."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, pi, sin

import cv2
import numpy as np

from synthetic_clips.eye import Image, Plane, blend, cloud, fibres, polar, smooth
from synthetic_clips.scenario import Look

TEAR_RADIUS = 0.70
"""Radius of the round tear as a share of the pupil's."""


@dataclass(frozen=True, slots=True)
class LensState:
    """How far the operation has come, as seen in the pupil. Shares go from 0 to 1.

    ``tip`` is the working tip in pupil radii from the middle, ``port`` the angle (radians) of
    the main wound, ``wave`` the fluid wave's share of its way (0 = none).
    """

    dye: float = 0.0
    tear: float = 0.0
    wave: float = 0.0
    turn: float = 0.0
    groove: float = 0.0
    groove_across: float = 0.0
    crack: float = 0.0
    eaten: float = 0.0
    cortex_gone: float = 0.0
    implant: float = 0.0
    implant_turn: float = 0.0
    tip: tuple[float, float] = (0.0, 0.0)
    port: float = 0.4


class Lens:
    """Layers of the pupil, drawn once; ``paint`` puts them together for one moment."""

    def __init__(self, radius: float, look: Look) -> None:
        rng = np.random.default_rng(look.seed + 1)
        self.radius = radius
        self.side = 2 * round(radius * 1.12) + 1
        half = self.side // 2
        axis = ((np.arange(self.side) - half) / radius).astype(np.float32)
        self.u, self.v = np.meshgrid(axis, axis)
        self.r = np.sqrt(self.u**2 + self.v**2)
        self.angle = np.arctan2(self.v, self.u).astype(np.float32)
        edge = 1 + 0.006 * polar(fibres(rng, 180, 4, 3), self.r, self.angle, 0, 2)
        self.mask = 1 - smooth(0.975, 1.01, self.r / edge)
        lumps = cloud(rng, self.side, self.side, 5)
        self._lumps = lumps
        self._reflex = self._draw_reflex(look, lumps)
        haze = look.density * (1 - smooth(0.45, 0.98, self.r)) * (1.05 + 0.10 * lumps)
        self._nucleus = np.asarray(haze.clip(0, 0.92), np.float32)
        self._amber = self._draw_amber(rng)
        self._cortex = self._draw_cortex(rng, look)
        self._order = (self.angle / (2 * pi)) % 1
        self._dye = np.asarray((0.52 + 0.10 * lumps).clip(0, 0.8), np.float32)

    def _draw_reflex(self, look: Look, lumps: Plane) -> Plane:
        layer = np.empty((self.side, self.side, 3), np.float32)
        layer[:] = (34, 62, 182)
        glow = np.exp(-((self.u - 0.12) ** 2 + (self.v - 0.10) ** 2) / 0.42)
        blend(layer, (70, 138, 244), np.asarray(0.85 * glow, np.float32))
        rim = smooth(0.72, 1.0, self.r)
        blend(layer, (16, 22, 92), 0.55 * rim)
        layer *= (look.red_reflex * (1 + 0.03 * lumps))[..., np.newaxis]
        return layer

    def _draw_amber(self, rng: np.random.Generator) -> Plane:
        layer = np.empty((self.side, self.side, 3), np.float32)
        layer[:] = (104, 148, 178)
        threads = polar(fibres(rng, 420, 24, 1.6), self.r, self.angle, 0, 1)
        layer *= (1 + 0.06 * threads + 0.08 * self._lumps - 0.12 * self.v)[..., np.newaxis]
        return layer

    def _draw_cortex(self, rng: np.random.Generator, look: Look) -> Plane:
        threads = polar(fibres(rng, 300, 16, 1.4), self.r, self.angle, 0.3, 1)
        ring = smooth(0.45, 0.85, self.r) * (0.5 + 0.28 * threads)
        return np.asarray((0.75 * look.density * ring).clip(0, 0.75), np.float32)

    def paint(self, around: Image, state: LensState) -> Image:
        """Paint the pupil over ``around`` (BGR, (side, side, 3), the eye there); a new array."""
        picture = self._reflex.copy()
        self._paint_cortex(picture, state)
        if state.eaten < 1:
            self._paint_nucleus(picture, state)
        if state.wave > 0:
            self._paint_wave(picture, state)
        self._paint_capsule(picture, state)
        np.clip(picture, 0, 255, out=picture)
        base = around.astype(np.float32)
        base += self.mask[..., np.newaxis] * (picture - base)
        painted = np.asarray(base, np.uint8)
        if state.tear > 0:
            self._draw_tear(painted, state)
        if state.implant > 0:
            self._draw_implant(painted, state)
        return painted

    def _paint_cortex(self, picture: Plane, state: LensState) -> None:
        if state.cortex_gone >= 1:
            return
        alpha = self._cortex
        if state.cortex_gone > 0:
            order = (self._order - state.port / (2 * pi) - 0.06) % 1
            alpha = alpha * smooth(state.cortex_gone - 0.03, state.cortex_gone + 0.03, order)
        blend(picture, (176, 202, 218), alpha)

    def _paint_nucleus(self, picture: Plane, state: LensState) -> None:
        c, s = cos(state.port + state.turn), sin(state.port + state.turn)
        along = self.u * c + self.v * s
        across = self.v * c - self.u * s
        alpha = self._nucleus
        reach = smooth(0.68, 0.5, self.r)
        if state.groove > 0:
            width = 0.075 + 0.05 * state.crack
            cut = np.exp(-((across / width) ** 2)) * reach * state.groove
            cut = np.maximum(cut, np.exp(-((along / width) ** 2)) * reach * state.groove_across)
            if state.crack > 0:  # the split runs out to the edge, thin and dark
                line = np.exp(-((np.minimum(np.abs(along), np.abs(across)) / 0.03) ** 2))
                cut = np.maximum(cut, state.crack * line * smooth(0.95, 0.8, self.r))
            alpha = alpha * (1 - 0.95 * cut.astype(np.float32))
        if state.eaten <= 0:
            blend(picture, self._amber, alpha)
            return
        quarter = (along > 0).astype(np.int8) + 2 * (across > 0).astype(np.int8)
        turn = state.eaten * 4
        for piece, number in enumerate((1, 3, 2, 0)):
            share = min(max(turn - piece, 0.0), 1.0)
            if share >= 1:
                continue
            own = np.where(quarter == number, alpha, np.float32(0))
            if share > 0:
                own = self._drawn_to_tip(own, number, share, state, c, s)
            blend(picture, self._amber, own)

    def _drawn_to_tip(
        self, own: Plane, number: int, share: float, state: LensState, c: float, s: float
    ) -> Plane:
        """Move a piece to the tip, turning and shrinking as it is eaten."""
        a, b = (0.36 if number & 1 else -0.36), (0.36 if number & 2 else -0.36)
        x, y = a * c - b * s, a * s + b * c
        come = min(1.0, share / 0.35)
        size = 1 - 0.9 * max(0.0, (share - 0.25) / 0.75)
        tx = x + (state.tip[0] - x) * come
        ty = y + (state.tip[1] - y) * come
        half = self.side / 2
        spin = cv2.getRotationMatrix2D(
            (half + x * self.radius, half + y * self.radius), 70 * share, size
        )
        spin[:, 2] += np.array([(tx - x) * self.radius, (ty - y) * self.radius])
        moved = cv2.warpAffine(own, spin, (self.side, self.side), flags=cv2.INTER_LINEAR)
        return np.asarray(moved, np.float32)

    def _paint_wave(self, picture: Plane, state: LensState) -> None:
        along = self.u * cos(state.port) + self.v * sin(state.port)
        front = 1.0 - 2.1 * state.wave + 0.25 * self.r**2
        band = np.exp(-(((along - front) / 0.09) ** 2)) * smooth(0.97, 0.85, self.r)
        blend(picture, (170, 205, 246), np.asarray(0.55 * band, np.float32))

    def _paint_capsule(self, picture: Plane, state: LensState) -> None:
        if state.dye <= 0:
            return
        strength = self._dye * (1 - 0.55 * state.cortex_gone)  # washed paler as the work goes on
        alpha = strength * smooth(1.25 * state.dye, 1.25 * state.dye - 0.25, self.r)
        if state.tear > 0:
            alpha = alpha * (1 - self._uncovered(state))
        blend(picture, (158, 86, 52), np.asarray(alpha, np.float32))

    def _uncovered(self, state: LensState) -> Plane:
        """Give where the capsule is off: the part of the circle beyond the fold of the flap."""
        inside = smooth(TEAR_RADIUS + 0.012, TEAR_RADIUS - 0.012, self.r)
        if state.tear >= 1:
            return inside
        middle = state.port + pi * state.tear
        beyond = self.u * cos(middle) + self.v * sin(middle) - TEAR_RADIUS * cos(pi * state.tear)
        return np.asarray(inside * smooth(-0.012, 0.012, beyond), np.float32)

    def _draw_tear(self, picture: Image, state: LensState) -> None:
        start, sweep = state.port, 2 * pi * min(state.tear, 1.0)
        steps = max(2, round(48 * state.tear))
        angles = start + np.linspace(0, sweep, steps)
        wobble = TEAR_RADIUS * (1 + 0.012 * np.sin(5 * angles))
        points = np.stack([wobble * np.cos(angles), wobble * np.sin(angles)], axis=1)
        self._line(picture, points, (150, 160, 190), 1.0, 0.55)
        self._line(picture, points * 0.985, (40, 40, 70), 1.0, 0.35)
        if state.tear < 1:  # the flap, folded back over the part not yet torn
            lead, middle = start + sweep, start + sweep / 2
            tall = TEAR_RADIUS * (1 - cos(pi * state.tear))
            out = np.array([cos(middle), sin(middle)])
            chord = np.array([[cos(start), sin(start)], [cos(lead), sin(lead)]]) * TEAR_RADIUS
            bow = np.linspace(0, 1, 14)[:, np.newaxis]
            along = chord[0] * (1 - bow) + chord[1] * bow
            fold = along - out * min(0.55 * tall, 0.34) * np.sin(pi * bow**0.7) ** 0.8
            layer = picture.copy()
            cv2.fillPoly(
                layer,
                [self._px(np.concatenate([along, fold[::-1]]))],
                (196, 150, 112),
                cv2.LINE_AA,
                4,
            )
            cv2.addWeighted(layer, 0.55, picture, 0.45, 0, dst=picture)
            self._line(picture, fold, (228, 208, 188), 1.0, 0.6)
            self._line(picture, chord, (120, 90, 70), 1.0, 0.5)

    def _draw_implant(self, picture: Image, state: LensState) -> None:
        share = min(1.0, state.implant)
        slide = (1 - min(1.0, share / 0.6)) * 0.8
        unfolded = 0.22 + 0.78 * float(smooth(0.45, 1.0, np.array(share)))
        c, s = cos(state.port), sin(state.port)
        centre = np.array([c, s]) * slide
        t = np.linspace(0, 2 * pi, 60)
        a, b = 0.80, 0.80 * unfolded
        turn = state.port + state.implant_turn
        ct, st = cos(turn), sin(turn)

        def placed(x: np.ndarray, y: np.ndarray) -> np.ndarray:
            return centre + np.stack([x * ct - y * st, x * st + y * ct], axis=1)

        rim = placed(a * np.cos(t), b * np.sin(t))
        layer = picture.copy()
        cv2.fillPoly(layer, [self._px(rim)], (215, 225, 235), cv2.LINE_AA, 4)
        cv2.addWeighted(layer, 0.10, picture, 0.90, 0, dst=picture)
        self._line(picture, rim, (215, 225, 235), 1.4, 0.75)
        self._line(picture, centre + (rim - centre) * 0.975, (40, 50, 90), 1.0, 0.4)
        sweep = np.linspace(0, 1, 24)
        for side in (0, pi):
            bow = side + 0.15 + 1.5 * sweep
            reach = a + 0.22 * np.sin(pi * np.minimum(1, sweep * 1.15) * 0.5)
            loop = placed(reach * np.cos(bow), reach * np.sin(bow) * unfolded)
            self._line(picture, loop, (190, 140, 80), 2.0, 0.8)

    def _px(self, points: np.ndarray) -> np.ndarray:
        half = self.side // 2
        return np.round((half + points * self.radius) * 16).astype(np.int32)

    def _line(
        self,
        picture: Image,
        points: np.ndarray,
        colour: tuple[int, int, int],
        thick: float,
        alpha: float,
    ) -> None:
        width = max(1, round(thick * self.radius / 95))
        layer = picture.copy()
        cv2.polylines(layer, [self._px(points)], False, colour, width, cv2.LINE_AA, 4)
        cv2.addWeighted(layer, alpha, picture, 1 - alpha, 0, dst=picture)
