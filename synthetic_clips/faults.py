"""Plant faults into a drawn operation: what the file shows when, and the truth about it.

A ``Reel`` lists, for every frame of the file, the moment it shows, what is done to the picture and
when it is shown. ``plant`` makes one from a list of faults; ``write_reel`` draws it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import av
import cv2
import numpy as np
import numpy.typing as npt

from synthetic_clips.barcode import draw_number, strip_rows
from synthetic_clips.draw import Operation
from synthetic_clips.encoding import Encoding
from synthetic_clips.eye import Image, smooth
from synthetic_clips.scenario import NS, Scenario
from synthetic_clips.write import write_recording, written_aside

FAULTS: dict[str, str] = {
    "cut": "`length` frames are taken out and the ends joined",
    "freeze": "one picture is held for `length` frames while time goes on",
    "black": "the picture is black for `length` frames while time goes on",
    "blank": "the picture is one plain colour for `length` frames while time goes on",
    "repeat": "one frame is shown `length` times more; all that follows is later",
    "drop": "`length` frames are missing; the others keep their times",
    "pause": "the recorder stands still for `length` frames; the times go on",
    "fast": "`length` moments are shown at `factor` times the speed (frames left out)",
    "slow": "`length` moments are shown `factor` times slower (frames shown several times)",
    "fade": "the picture fades to black and back within `length` frames while time goes on",
    "slide": "a picture with a title is put in for `length` frames; all that follows is later",
}
"""Kinds of fault, and what each does. ``cut`` of few frames is a loss that is closed up."""

DISTRACTORS: dict[str, str] = {
    "flash": "the lamp flares for `length` frames",
    "light": "the lamp is turned up or down within `length` frames, and stays so",
    "nudge": "the eye is pushed aside quickly, within `length` frames, and stays there",
    "sweep": "something dark and out of focus crosses the picture within `length` frames",
}
"""What happens in an honest recording and must not be taken for a fault."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One of ``FAULTS`` or ``DISTRACTORS`` at moment ``at`` (a frame number of the scenario)."""

    kind: str
    at: int
    length: int = 1
    factor: int = 2


@dataclass(frozen=True, slots=True)
class Shot:
    """What one frame of the file shows: moment ``number``, its luma times ``gain``, or a card.

    ``shift`` moves the picture sideways (share of its height), ``dark`` is how far (0 to 1) a
    dark thing has come across.
    """

    number: int
    card: str = ""
    gain: float = 1.0
    shift: float = 0.0
    dark: float = 0.0


@dataclass(frozen=True, slots=True)
class Planted:
    """The truth about one fault: frames ``[first, last)`` of the file (equal for a cut, which
    lies before frame ``first``); ``lost`` moments are not shown at all."""

    kind: str
    first: int
    last: int
    lost: int


@dataclass(frozen=True, slots=True)
class Reel:
    """Frames of a file: what each shows, and when (in frame lengths from the first)."""

    shots: tuple[Shot, ...]
    times: tuple[int, ...]
    planted: tuple[Planted, ...]

    @property
    def even(self) -> bool:
        """Whether the frames follow each other without a hole."""
        return self.times == tuple(range(len(self.shots)))

    def part(self, first: int, last: int) -> Reel:
        """Give frames ``[first, last)`` as a reel of its own, with the faults that lie inside."""
        inside = [p for p in self.planted if first < p.first and p.last <= last]
        return Reel(
            self.shots[first:last],
            tuple(t - self.times[first] for t in self.times[first:last]),
            tuple(replace(p, first=p.first - first, last=p.last - first) for p in inside),
        )


def plant(frames: int, faults: Sequence[Fault] = (), start: int = 0) -> Reel:
    """Plant ``faults``, apart from each other, into the moments [start, frames) of a scenario.

    Raises ValueError for an unknown kind, faults that meet, or one outside the recording.
    """
    planter = _Planter(start)
    for fault in sorted(faults, key=lambda f: f.at):
        if fault.kind not in FAULTS and fault.kind not in DISTRACTORS:
            raise ValueError(f"no fault {fault.kind!r}; there are {', '.join(FAULTS)}")
        if fault.length < 1 or fault.factor < 2:
            raise ValueError(f"{fault.kind}: length is 1 or more, factor 2 or more")
        taken = 1 if fault.kind == "repeat" else 0 if fault.kind == "slide" else fault.length
        if fault.at <= planter.moment or fault.at + taken >= frames:
            raise ValueError(f"{fault.kind} at {fault.at} meets another fault or the end")
        planter.run_to(fault.at)
        planter.add(fault)
    planter.run_to(frames)
    return Reel(tuple(planter.shots), tuple(planter.times), tuple(planter.planted))


class _Planter:
    """Goes through the moments once and writes down the frames."""

    def __init__(self, start: int) -> None:
        self.shots: list[Shot] = []
        self.times: list[int] = []
        self.planted: list[Planted] = []
        self.moment, self._clock = start, 0
        self._gain, self._shift = 1.0, 0.0

    def run_to(self, moment: int) -> None:
        while self.moment < moment:
            self._show(self.moment)
            self.moment += 1

    def _show(self, number: int, card: str = "", gain: float = 1.0, dark: float = 0.0) -> None:
        self.shots.append(Shot(number, card, gain * self._gain, self._shift, dark))
        self.times.append(self._clock)
        self._clock += 1

    def add(self, fault: Fault) -> None:
        first, at, length, kind = len(self.shots), fault.at, fault.length, fault.kind
        lost = 0
        if kind in ("cut", "drop", "pause"):
            lost = length
            self._clock += length if kind in ("drop", "pause") else 0
            self.moment += length
        elif kind in ("freeze", "black", "blank", "slide"):
            for _ in range(length):
                self._show(at, "" if kind == "freeze" else kind)
            self.moment += 0 if kind == "slide" else length
            lost = 0 if kind == "slide" else length - (kind == "freeze")
        elif kind == "repeat":
            for _ in range(length + 1):
                self._show(at)
            self.moment += 1
            first += 1
        elif kind == "fast":
            shown = range(at, at + length, fault.factor)
            for number in shown:
                self._show(number)
            self.moment, lost = at + length, length - len(shown)
        elif kind == "slow":
            for number in range(at, at + length):
                for _ in range(fault.factor):
                    self._show(number)
            self.moment += length
        elif kind == "fade":
            for place in range(length):
                x = abs(2 * place / (length - 1) - 1) if length > 1 else 0.0
                self._show(at + place, gain=max(0.0, (x - 0.1) / 0.9))
            self.moment += length
        else:
            self._distract(fault)
        if kind in FAULTS:
            self.planted.append(Planted(kind, first, len(self.shots), lost))

    def _distract(self, fault: Fault) -> None:
        gain, shift = self._gain, self._shift
        for place in range(fault.length):
            x = (place + 1) / fault.length
            eased = x * x * (3 - 2 * x)
            if fault.kind == "light":
                self._gain = gain + (0.8 - gain if gain > 0.9 else 1.0 - gain) * eased
            elif fault.kind == "nudge":
                self._shift = shift + (0.06 if shift <= 0 else -0.06) * eased
            dark = x if fault.kind == "sweep" else 0.0
            self._show(self.moment, gain=1.35 if fault.kind == "flash" else 1.0, dark=dark)
            self.moment += 1


def write_reel(
    scenario: Scenario,
    reel: Reel,
    path: Path,
    *,
    grain: float = 0.0,
    numbered: bool = True,
    codec: str = "libx264",
    gop: int = 50,
    options: Mapping[str, str] | None = None,
    beside: bool = False,
) -> None:
    """Draw ``reel`` to ``path`` (container by suffix), without sound.

    ``grain`` is the camera's noise (standard deviation, luma steps): it belongs to the moment,
    so a held picture holds it too. ``numbered`` draws the bar code of the moment shown, which
    changes with every frame and so would betray some faults. ``beside`` writes the truth to
    ``<stem>.faults.csv`` (kind, first, last, lost). ValueError as ``draw_operation``.
    """
    operation = Operation(scenario)
    encoding = Encoding(
        size=scenario.size, rate=scenario.rate, codec=codec, gop=gop, options=options or {}
    )
    times = None
    if not reel.even:
        times = [round(t * NS / scenario.rate) for t in reel.times]

    def pictures() -> Iterator[av.VideoFrame]:
        for shot in reel.shots:
            planar = _planar(operation, shot, grain, numbered)
            yield av.VideoFrame.from_ndarray(planar, format="yuv420p")

    write_recording(path, pictures(), len(reel.shots), encoding, times_ns=times)
    if beside:
        with written_aside(path.with_name(f"{path.stem}.faults.csv")) as aside:
            aside.write_text(faults_csv(reel), encoding="utf-8", newline="\n")


def faults_csv(reel: Reel) -> str:
    """Write the truth about ``reel``: kind, first, last, lost (frames)."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("kind", "first", "last", "lost"))
    writer.writerows((p.kind, p.first, p.last, p.lost) for p in reel.planted)
    return text.getvalue()


def _planar(operation: Operation, shot: Shot, grain: float, numbered: bool) -> Image:
    seen = _card(operation, shot) if shot.card else _seen(operation, shot)
    planar = np.asarray(cv2.cvtColor(seen, cv2.COLOR_BGR2YUV_I420), np.uint8)
    height = seen.shape[0]
    if grain and not shot.card:
        rng = np.random.default_rng((operation.scenario.look.seed, shot.number))
        noise: npt.NDArray[np.float32] = rng.standard_normal(seen.shape[:2], np.float32)
        noisy = planar[:height] + grain * noise * min(1.0, shot.gain)
        planar[:height] = np.clip(np.round(noisy), 0, 255)
    if numbered:
        chroma = planar[height:].reshape(2, height // 2, -1)
        chroma[:, (height - strip_rows(height)) // 2 :] = 128
        draw_number(planar[:height], shot.number)
    return planar


def _seen(operation: Operation, shot: Shot) -> Image:
    seen = operation.picture(float(shot.number / operation.scenario.rate))
    height, width = seen.shape[:2]
    if shot.shift:
        move = np.array([[1, 0, shot.shift * height], [0, 1, 0.0]])
        seen = np.asarray(
            cv2.warpAffine(seen, move, (width, height), borderMode=cv2.BORDER_REPLICATE), np.uint8
        )
    if shot.dark:
        middle = (1.6 * shot.dark - 0.3) * width
        away = np.abs(np.arange(width) - middle) / (0.18 * width)
        light = 0.3 + 0.7 * smooth(0.4, 1.0, away)
        seen = np.asarray((seen * light[np.newaxis, :, np.newaxis]).clip(0, 255), np.uint8)
    if shot.gain != 1.0:
        seen = np.asarray((seen * np.float32(shot.gain)).clip(0, 255), np.uint8)
    return seen


def _card(operation: Operation, shot: Shot) -> Image:
    width, height = operation.scenario.size
    picture = np.zeros((height, width, 3), np.uint8)
    if shot.card == "blank":
        picture[:] = (150, 60, 40)
    if shot.card == "slide":
        picture[:] = (92, 60, 44)
        big, small = height / 240, height / 420
        white, pale = (240, 240, 240), (200, 190, 180)
        line, font = max(1, round(big)), cv2.FONT_HERSHEY_SIMPLEX
        left = round(0.1 * width)
        for text, y, size, colour in (
            (f"Part {shot.number % 9 + 1}", 0.42, big, white),
            ("made-up recording", 0.58, small, pale),
        ):
            at = (left, round(y * height))
            cv2.putText(picture, text, at, font, size, colour, line, cv2.LINE_AA)
    return picture
