"""Draw a scenario as through an operating microscope, and write it with its truth beside it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from math import cos, hypot, sin
from pathlib import Path

import av
import cv2
import numpy as np

from synthetic_clips.barcode import draw_number, strip_rows
from synthetic_clips.beside import write_beside
from synthetic_clips.encoding import Encoding
from synthetic_clips.eye import Frame, Image, cloud, draw_eye, smooth
from synthetic_clips.instruments import Points, Tool, draw_shadows, draw_tool
from synthetic_clips.lens import Lens, LensState
from synthetic_clips.scenario import Scenario
from synthetic_clips.sound import Sound
from synthetic_clips.stage import MAIN, SIDE, Stage
from synthetic_clips.write import write_recording


class Operation:
    """Draws any moment of one scenario; the same moment always gives the same picture."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.stage = Stage(scenario)
        self.frame = frame = Frame(*scenario.size)
        self._eye = draw_eye(frame, scenario.look)
        self._lens = Lens(scenario.look.pupil * frame.unit, scenario.look)
        # four channels because OpenCV moves those more than twice as fast as three
        self._canvas = cv2.cvtColor(self._eye, cv2.COLOR_BGR2BGRA)
        self._painted: LensState | None = None
        self._drape = _draw_drape(frame, scenario.look.seed)
        self._field = _draw_field(frame)
        self._glint = _draw_glint(frame)
        self._softness = max(0.35, frame.unit / 240)  # as a camera sees it, edges not quite crisp
        self._phase = np.random.default_rng(scenario.look.seed + 2).uniform(0, 6.28, 6)

    def picture(self, t: float) -> Image:
        """Draw the picture at ``t`` seconds, BGR, (h, w, 3), without the bar code."""
        tools = self.stage.tools(t)
        frame, move = self.frame, self._movement(t, tools)
        size = (frame.width, frame.height)
        if not self.stage.eye_in_view(t):
            away = move.copy()
            away[:, 2] *= 1.5
            cloth = cv2.warpAffine(self._drape, away, size, flags=cv2.INTER_LINEAR)
            return np.asarray(cv2.multiply(cloth, self._field, scale=1 / 255), np.uint8)
        side, middle = self._lens.side, self._middle
        left, top = (round(c) - side // 2 for c in middle)
        window = np.s_[top : top + side, left : left + side]
        state = self.stage.lens(t, tools)
        if state != self._painted:
            pupil = self._lens.paint(self._eye[window], state)
            self._canvas[(*window, slice(3))] = pupil
            self._painted = state
        moved = cv2.warpAffine(self._canvas, move, size, flags=cv2.INTER_LINEAR)
        seen: Image = np.asarray(cv2.cvtColor(moved, cv2.COLOR_BGRA2BGR), np.uint8)
        place = move.copy()  # cornea radii -> canvas px -> picture px
        place[:, 2] += move[:, :2] @ np.array(middle)
        place[:, :2] *= frame.unit
        self._draw_wounds(seen, t, place)
        draw_shadows(seen, tools, place, frame.unit)
        for tool in tools:
            draw_tool(seen, tool, place, frame.unit)
        self._add_glint(seen, place)
        seen = np.asarray(cv2.GaussianBlur(seen, (0, 0), self._softness), np.uint8)
        return np.asarray(cv2.multiply(seen, self._field, scale=1 / 255), np.uint8)

    def yuv(self, number: int) -> Image:
        """Draw frame ``number`` with its bar code as planar 4:2:0, (h * 3 / 2, w)."""
        seen = self.picture(float(number / self.scenario.rate))
        planar = np.asarray(cv2.cvtColor(seen, cv2.COLOR_BGR2YUV_I420), np.uint8)
        height, width = self.frame.height, self.frame.width
        chroma = planar[height:].reshape(2, height // 2, width // 2)
        chroma[:, (height - strip_rows(height)) // 2 :] = 128
        draw_number(planar[:height], number)
        return planar

    @property
    def _middle(self) -> tuple[float, float]:
        margin, centre = self.frame.margin, self.frame.centre
        return centre[0] + margin, centre[1] + margin

    def _movement(self, t: float, tools: list[Tool]) -> Points:
        """Give the 2x3 matrix from canvas to picture: slow drift, small turns, a slight sway."""
        a, b, c, d, e, f = self._phase
        unit = self.frame.unit
        x = 0.030 * sin(0.31 * t + a) + 0.014 * sin(1.07 * t + b) + 0.004 * sin(4.3 * t + c)
        y = 0.026 * sin(0.27 * t + d) + 0.012 * sin(0.93 * t + e) + 0.004 * sin(3.7 * t + f)
        for tool in tools:  # an instrument at work pushes the eye a little, one outside does not
            reach = min(1.0, 1.03 / max(hypot(*tool.tip), 1e-6))
            x += 0.035 * (reach * tool.tip[0] - tool.port[0]) * 0.5
            y += 0.035 * (reach * tool.tip[1] - tool.port[1]) * 0.5
        turn = 0.014 * sin(0.41 * t + c)
        mx, my = self._middle
        kx, ky = self.frame.centre[0] + x * unit, self.frame.centre[1] + y * unit
        k, n = cos(turn), sin(turn)
        return np.array([[k, -n, kx - k * mx + n * my], [n, k, ky - n * mx - k * my]])

    def _draw_wounds(self, seen: Image, t: float, place: Points) -> None:
        for code, port, half in (("main_incision", MAIN, 0.13), ("paracentesis", SIDE, 0.055)):
            if not self.stage.opened(code, t):
                continue
            across = np.array([-port[1], port[0]])
            white = self.stage.share("wound_closure", t)
            white = min(1.0, max(0.0, 2 * white - (0 if code == "main_incision" else 1)))
            bow = np.linspace(-1, 1, 7)[:, np.newaxis]
            line = np.array(port) * (0.955 - 0.012 * bow**2) + half * bow * across
            px = np.round((line @ place[:, :2].T + place[:, 2]) * 16).astype(np.int32)
            wide = max(1, round(0.014 * self.frame.unit))
            if white > 0:
                layer = seen.copy()
                thick = max(2, round(0.09 * self.frame.unit))
                cv2.polylines(layer, [px], False, (222, 224, 224), thick, cv2.LINE_AA, 4)
                cv2.addWeighted(layer, 0.4 * white, seen, 1 - 0.4 * white, 0, dst=seen)
            cv2.polylines(seen, [px], False, (84, 84, 128), wide, cv2.LINE_AA, 4)
            cv2.polylines(seen, [px - 16], False, (206, 212, 222), 1, cv2.LINE_AA, 4)

    def _add_glint(self, seen: Image, place: Points) -> None:
        """Add the lamp's reflections, which move half as far as the eye does."""
        rest, at = np.array(self.frame.centre), place[:, 2]
        x, y = 0.5 * (at - rest)
        left, top = (round(c - 0.45 * self.frame.unit) for c in rest)
        side = self._glint.shape[0]
        shift = np.array([[1, 0, x], [0, 1, y]])
        part = seen[top : top + side, left : left + side]
        moved = cv2.warpAffine(self._glint, shift, (side, side))
        cv2.add(part, cv2.cvtColor(moved, cv2.COLOR_GRAY2BGR), dst=part)


def draw_operation(
    scenario: Scenario,
    path: Path,
    *,
    codec: str = "libx264",
    gop: int = 50,
    audio: bool = True,
    metadata: Mapping[str, str] | None = None,
    options: Mapping[str, str] | None = None,
    source_frames: Sequence[int] | None = None,
    beside: bool = True,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Draw ``scenario`` to ``path`` (container by suffix); a tone sounds at each step's start.

    Each frame carries the number of the moment it shows. ``source_frames`` says which moment
    each frame of the file shows (all in order when left out). With ``beside``, the annotation,
    the captions and the truth are written beside it (see ``write_beside``). ``progress`` gets
    the fraction done. ValueError for what the container or codec cannot hold.
    """
    numbers = range(scenario.frames) if source_frames is None else source_frames
    operation = Operation(scenario)

    def pictures() -> Iterator[av.VideoFrame]:
        for number in numbers:
            yield av.VideoFrame.from_ndarray(operation.yuv(number), format="yuv420p")

    encoding = Encoding(
        size=scenario.size,
        rate=scenario.rate,
        codec=codec,
        gop=gop,
        metadata=metadata or {},
        options=options or {},
    )
    sound = Sound(tuple(step.start for step in scenario.steps)) if audio else None
    write_recording(path, pictures(), len(numbers), encoding, sound=sound, progress=progress)
    if beside:
        write_beside(scenario, path)


def _draw_field(frame: Frame) -> Image:
    """Draw the round field of the microscope: bright in the middle, dark in the corners."""
    x = np.arange(frame.width) + 0.5 - frame.width / 2
    y = np.arange(frame.height) + 0.5 - frame.height / 2
    distance = np.hypot(*np.meshgrid(x, y)) / (frame.width / 2)
    light = 1 - 0.22 * smooth(0.2, 1.0, distance) - 0.66 * smooth(0.93, 1.12, distance)
    return np.repeat((255 * light).clip(0, 255).astype(np.uint8)[..., np.newaxis], 3, axis=2)


def _draw_glint(frame: Frame) -> Image:
    """Draw the reflections of the lamp on the cornea, to be added to the picture."""
    side = round(1.0 * frame.unit)
    axis = (np.arange(side) + 0.5) / frame.unit - 0.45
    u, v = np.meshgrid(axis, axis)
    light = np.zeros(u.shape)
    for cx, cy, size, strength in (
        (-0.16, -0.20, 0.034, 1.5),
        (0.02, -0.235, 0.030, 1.4),
        (-0.10, 0.42, 0.020, 0.5),
    ):
        d = np.hypot(u - cx, (v - cy) * 1.15) / size
        light += strength * (smooth(1.15, 0.75, d) + 0.16 * np.exp(-((d / 2.6) ** 2)))
    edge = np.maximum(np.abs(u - 0.05), np.abs(v - 0.05))
    return np.asarray((255 * light * smooth(0.49, 0.42, edge)).clip(0, 255), np.uint8)


def _draw_drape(frame: Frame, seed: int) -> Image:
    """Draw plain folded cloth, for when the microscope looks away from the eye."""
    rng = np.random.default_rng(seed + 3)
    height, width = frame.height + 2 * frame.margin, frame.width + 2 * frame.margin
    bend, weave = cloud(rng, height, width, 2), rng.standard_normal((height, width))
    v, u = np.mgrid[0:height, 0:width] / frame.height
    along = u + 0.55 * v + 0.10 * bend
    folds = np.sin(9 * along) + 0.6 * np.sin(16 * along + 1.1) + 0.25 * np.sin(34 * along + bend)
    light = 0.72 + 0.13 * folds + 0.02 * weave
    cloth = np.array((132, 120, 62)) * light[..., np.newaxis]
    return np.asarray(cv2.GaussianBlur(cloth.clip(0, 255), (0, 0), 0.8), np.uint8)
