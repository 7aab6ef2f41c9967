"""Write text, clocks and logos over a drawn operation, and tell where their ink lies."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import av
import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from synthetic_clips.draw import Operation
from synthetic_clips.encoding import Encoding
from synthetic_clips.scenario import Scenario
from synthetic_clips.write import write_recording

Picture = npt.NDArray[np.uint8]

KINDS = ("text", "clock", "logo", "scroller", "jumper", "blinker", "drifter")
"""Standing text; a running date and time; a mark of plain shapes; text that runs from right to
left; text that jumps to another place every ``HOLD_S`` seconds; text that is there every other
second; text that drifts to and fro as a label on something in the scene does."""

HOLD_S = 5.0
DRIFT, DRIFT_S = 0.08, 7.0
"""A drifter swings by so much of the picture's width, in so many seconds."""


@dataclass(frozen=True, slots=True)
class BurntIn:
    """One thing written over the picture in frames ``[first, last)`` of the file.

    ``x``, ``y`` (px) is its top left, ``height`` the size of its letters (px), ``colour`` RGB,
    ``strength`` how opaque it is (0 to 1), ``plate`` how opaque a dark plate behind it is.
    ``engine`` draws letters: "pil" (a TrueType face) or "opencv" (strokes).
    """

    kind: str
    x: int
    y: int
    height: int
    first: int
    last: int
    text: str = "made-up name"
    colour: tuple[int, int, int] = (255, 255, 255)
    strength: float = 1.0
    plate: float = 0.0
    engine: str = "pil"


def ink(thing: BurntIn, number: int, size: tuple[int, int], rate: float) -> Picture:
    """Give how much of each px of frame ``number`` is written over, 0 to 255, (h, w)."""
    canvas = np.zeros((size[1], size[0]), np.uint8)
    if not thing.first <= number < thing.last:
        return canvas
    x, y, text = thing.x, thing.y, thing.text
    if thing.kind == "clock":
        seconds = int(number / rate) + 43_000
        hours, rest = divmod(seconds, 3600)
        text = f"2001-02-03 {hours:02}:{rest // 60:02}:{rest % 60:02}"
    elif thing.kind == "scroller":
        x = size[0] - round((number - thing.first) * size[0] / (8 * rate)) % (2 * size[0])
    elif thing.kind == "jumper":
        rng = np.random.default_rng(int((number - thing.first) / rate / HOLD_S))
        x, y = (int(rng.integers(0, max(1, side // 2))) for side in size)
    elif thing.kind == "blinker" and int((number - thing.first) / rate) % 2:
        return canvas
    elif thing.kind == "drifter":
        swing = np.sin(2 * np.pi * (number - thing.first) / rate / DRIFT_S)
        x, y = x + round(DRIFT * size[0] * swing), y + round(DRIFT * size[1] / 2 * swing)
    if thing.kind == "logo":
        _logo(canvas, x, y, thing.height)
        return canvas
    if thing.engine == "opencv":
        scale = thing.height / 22
        at, font = (x, y + thing.height), cv2.FONT_HERSHEY_SIMPLEX
        cv2.putText(canvas, text, at, font, scale, 255, max(1, round(scale)), cv2.LINE_AA)
        return canvas
    picture = Image.fromarray(canvas)
    face = ImageFont.load_default(thing.height * 1.35)
    ImageDraw.Draw(picture).text((x, y), text, fill=255, font=face)
    return np.array(picture, np.uint8)


def with_contrast(thing: BurntIn, scenario: Scenario, moment: int, contrast: float) -> BurntIn:
    """Give ``thing`` with its colour and strength such that it stands out by ``contrast``.

    ``contrast`` is in luma steps from what the drawing shows there at ``moment``; a colour too
    near to that gives way to black or white.
    """
    seen = Operation(scenario).picture(moment / float(scenario.rate))
    left, top, right, bottom = box(ink(thing, thing.first, scenario.size, float(scenario.rate)))
    around = cv2.cvtColor(seen, cv2.COLOR_BGR2GRAY)[top:bottom, left:right].mean()
    behind = float(around) * (1 - thing.plate)
    colour = thing.colour
    if abs(_luma(colour) - behind) < contrast:
        colour = (0, 0, 0) if behind > 128 else (255, 255, 255)
    strength = min(1.0, contrast / abs(_luma(colour) - behind))
    return replace(thing, colour=colour, strength=strength)


def _luma(colour: tuple[int, int, int]) -> float:
    red, green, blue = colour
    return 0.299 * red + 0.587 * green + 0.114 * blue


def _logo(canvas: Picture, x: int, y: int, height: int) -> None:
    """Draw a ring with a bar and a triangle, two letters high."""
    side, line = 2 * height, max(1, height // 5)
    middle = (x + height, y + height)
    cv2.circle(canvas, middle, height - line, 255, line, cv2.LINE_AA)
    cv2.rectangle(canvas, (x + side + line, y), (x + side + 3 * line, y + side), 255, -1)
    corners = [(x + height // 2, y + height), (x + 3 * height // 2, y + height), (x + height, y)]
    cv2.fillPoly(canvas, [np.array(corners, np.int32)], 255, cv2.LINE_AA)


def write_over(picture: Picture, covered: Picture, thing: BurntIn) -> Picture:
    """Write ``thing`` over a BGR picture where ``covered`` says."""
    seen = picture.astype(np.float32)
    if thing.plate and covered.any():
        left, top, right, bottom = box(covered)
        edge = thing.height // 3
        seen[max(0, top - edge) : bottom + edge, max(0, left - edge) : right + edge] *= (
            1 - thing.plate
        )
    share = (covered / np.float32(255) * thing.strength)[..., np.newaxis]
    colour = np.array(thing.colour[::-1], np.float32)
    return np.asarray((seen * (1 - share) + colour * share).clip(0, 255), np.uint8)


def box(covered: Picture) -> tuple[int, int, int, int]:
    """Give left, top, right, bottom (px, right and bottom past the end) of all that is not 0."""
    rows, columns = np.flatnonzero(covered.any(axis=1)), np.flatnonzero(covered.any(axis=0))
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1


def write_burnt_in(
    scenario: Scenario,
    things: Sequence[BurntIn],
    path: Path,
    *,
    start: int = 0,
    frames: int = 250,
    grain: float = 0.0,
    gop: int = 25,
    border: int = 0,
    inserts: Mapping[tuple[int, int], Picture] | None = None,
    options: Mapping[str, str] | None = None,
    scene: Callable[[int], Picture] | None = None,
) -> None:
    """Draw ``frames`` moments of ``scenario`` from number ``start`` on to ``path``, written over.

    ``border`` blackens so many px at the left and right. ``inserts`` shows a picture (RGB) instead
    in frames [first, last) of the file. ``scene`` gives each moment's BGR picture instead of the
    drawn operation. ``grain`` is the camera's noise (luma steps); text has none.
    """
    operation = Operation(scenario)
    rate = float(scenario.rate)
    encoding = Encoding(size=scenario.size, rate=scenario.rate, gop=gop, options=options or {})
    cards = {
        span: cv2.cvtColor(cv2.resize(card, scenario.size, interpolation=cv2.INTER_AREA),
                           cv2.COLOR_RGB2BGR)
        for span, card in (inserts or {}).items()
    }  # fmt: skip

    def pictures() -> Iterator[av.VideoFrame]:
        for number in range(frames):
            shown = [card for (first, last), card in cards.items() if first <= number < last]
            moment = start + number
            seen = scene(moment) if scene else operation.picture(moment / rate)
            seen = np.asarray(shown[0], np.uint8) if shown else seen
            if grain:
                rng = np.random.default_rng((scenario.look.seed, moment))
                noise = rng.standard_normal(seen.shape[:2], np.float32)[..., np.newaxis]
                seen = np.asarray((seen + grain * noise).round().clip(0, 255), np.uint8)
            if border:
                seen = seen.copy()
                seen[:, :border] = seen[:, -border:] = 0
            for thing in things:
                seen = write_over(seen, ink(thing, number, scenario.size, rate), thing)
            planar = np.asarray(cv2.cvtColor(seen, cv2.COLOR_BGR2YUV_I420), np.uint8)
            yield av.VideoFrame.from_ndarray(planar, format="yuv420p")

    write_recording(path, pictures(), frames, encoding)
