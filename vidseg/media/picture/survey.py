"""One decode pass over a recording: a few numbers for every frame, in bounded memory."""

from __future__ import annotations

from array import array
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import closing

import cv2
import numpy as np
import numpy.typing as npt
from av import VideoFrame

from vidseg.media.picture.sharpness import Luma, central_luma, laplacian_variance
from vidseg.media.read.frames import decode
from vidseg.media.read.opening import opened, video_stream
from vidseg.media.read.reader import frames_from_start
from vidseg.model.clock import pts_to_ns
from vidseg.model.problem import MediaError
from vidseg.model.progress import Progress
from vidseg.model.recording import Part, Recording
from vidseg.model.survey import LAGS, Floats32, PartSurvey, Survey

WIDTH, HEIGHT = 160, 90
BLOCKS = (16, 9)
TOP_BLOCKS = 14
SMALL = (64, 36)
ENDS_S = 12
"""Seconds of small pictures kept at both ends of a part, to see whether two parts overlap."""

SPARSE = 12
"""Sharpness and interlacing are measured in every so many frames."""

DARK, NEAR_MEAN = 24, 10
RETRIED = 20

_SIGNALS = (
    "luma", "spread", "dark", "flat", "raw", "shift_x", "shift_y", "firm", "histogram", "sharpness",
)  # fmt: skip


def survey(recording: Recording, progress: Progress | None = None) -> Survey:
    """Decode every frame of ``recording`` once and measure it.

    Only numbers per frame are kept (about 80 bytes each), so memory hardly grows with length.
    ``progress`` gets the fraction done. Raises MediaError where a file cannot be opened or not
    one of its frames decodes.
    """
    eye = Eye()
    total, done = recording.n_frames, 0
    parts = []
    for part in recording.parts:

        def tell(count: int, done: int = done) -> None:
            if progress is not None:
                progress(min(1.0, (done + count) / total))

        parts.append(_survey_part(part, eye, tell))
        done += len(part.frame_ns)
        tell(0, done)
    return Survey(tuple(parts))


def _survey_part(part: Part, eye: Eye, tell: Callable[[int], None]) -> PartSurvey:
    eye.begin()
    places, keys, corrupt = array("q"), array("b"), array("b")
    untimed: list[int] = []
    combed = looked = flagged = 0
    kept = max(2, round(ENDS_S * part.rate))
    head: list[Luma] = []
    tail: deque[Luma] = deque(maxlen=kept)
    with closing(frames_from_start(part.path)) as frames:
        for place, frame in _placed(part, frames):
            if place is None:
                untimed.append(len(places))
                continue
            sparse = len(places) % SPARSE == 0
            gray = eye.look(frame, sparse)
            if sparse:
                looked += 1
                combed += fields_show(frame)
            flagged += frame.interlaced_frame
            places.append(place)
            keys.append(frame.key_frame)
            corrupt.append(frame.is_corrupt)
            small = np.asarray(cv2.resize(gray, SMALL, interpolation=cv2.INTER_AREA), np.uint8)
            tail.append(small)
            if len(head) < kept:
                head.append(small)
            if len(places) % 50 == 0:
                tell(len(places))
    if not places:
        raise MediaError(str(part.path), "not one frame of the picture stream can be decoded")
    found = np.frombuffer(places, np.int64).copy()
    named: dict[str, Floats32] = {
        name: np.frombuffer(values, np.float32).copy() for name, values in eye.signals.items()
    }
    change, local = (named.pop(name).reshape(-1, len(LAGS)) for name in ("change", "local"))
    return PartSurvey(
        frame=found,
        **named,
        change=change,
        local=local,
        key=np.frombuffer(keys, np.int8).astype(np.bool_),
        corrupt=np.frombuffer(corrupt, np.int8).astype(np.bool_),
        untimed=tuple(untimed),
        undecodable=_undecodable(part, found),
        fields=combed / looked,
        flagged=flagged / len(found),
        promised=_promised(part),
        head=np.stack(head),
        tail=np.stack(tail),
    )


def _placed(part: Part, frames: Iterator[VideoFrame]) -> Iterator[tuple[int | None, VideoFrame]]:
    """Yield each decoded frame with its number in ``part``; None where its time has no place."""
    latest = -1
    for number, frame in enumerate(frames):
        if not part.pts_order:
            yield (number if number < len(part.frame_ns) else None), frame
            continue
        if frame.pts is None:
            yield None, frame
            continue
        at = pts_to_ns(frame.pts - part.first_pts, part.time_base)
        place = int(np.searchsorted(part.frame_ns, at))
        known = place < len(part.frame_ns) and int(part.frame_ns[place]) == at
        if known and place > latest:
            latest = place
            yield place, frame
        else:
            yield None, frame


def _promised(part: Part) -> int | None:
    """Give the length (ns) that the header promises, from the first displayed frame on."""
    zero = max(0, pts_to_ns(part.first_pts, part.time_base))
    with opened(part.path) as container:
        video = video_stream(container, part.path)
        if video.duration and video.time_base:
            return pts_to_ns(video.duration, video.time_base) - zero
        return container.duration * 1000 - zero if container.duration else None


def _undecodable(part: Part, found: npt.NDArray[np.int64]) -> int:
    """Count listed frames that did not decode; some do when decoded on one thread alone."""
    missing = np.setdiff1d(np.arange(len(part.frame_ns)), found)
    lost = len(missing)
    for place in missing[:RETRIED]:
        try:
            lost -= sum(1 for _ in decode(part, int(place), int(place) + 1))
        except MediaError:
            continue
    return lost


class Eye:
    """Compares each frame with the ones before it, from part to part; ``signals`` by name."""

    def __init__(self) -> None:
        self.signals: dict[str, array[float]] = {}
        self._before: deque[tuple[Luma, float]] = deque(maxlen=max(LAGS))
        self._flat: Floats32 | None = None
        self._histogram: Floats32 | None = None
        self._window = cv2.createHanningWindow((WIDTH, HEIGHT), cv2.CV_32F)

    def begin(self) -> None:
        """Empty ``signals``; what was seen before stays known."""
        self.signals = {name: array("f") for name in (*_SIGNALS, "change", "local")}

    def look(self, frame: VideoFrame, sparse: bool) -> Luma:
        """Measure ``frame``; give it as luma, (90, 160). ``sparse``: also what is dear."""
        small = frame.reformat(WIDTH, HEIGHT, "gray", interpolation="AREA", threads=1)
        plane = small.planes[0]
        gray = np.frombuffer(memoryview(plane), np.uint8).reshape(HEIGHT, plane.line_size)
        gray = np.ascontiguousarray(gray[:, :WIDTH])
        mean, deviation = (float(value[0, 0]) for value in cv2.meanStdDev(gray))
        self._put("luma", mean)
        self._put("spread", deviation)
        size = gray.size
        near = cv2.inRange(gray, mean - NEAR_MEAN, mean + NEAR_MEAN)
        self._put("flat", cv2.countNonZero(near) / size)
        self._put("dark", cv2.countNonZero(cv2.inRange(gray, 0, DARK)) / size)
        self._compare(gray, mean)
        self._follow(gray)
        self._put("sharpness", laplacian_variance(central_luma(frame)) if sparse else np.nan)
        self._before.appendleft((gray, mean))
        return gray

    def _put(self, name: str, value: float) -> None:
        self.signals[name].append(value)

    def _compare(self, gray: Luma, mean: float) -> None:
        for lag in LAGS:
            if lag > len(self._before):
                self._put("change", np.nan)
                self._put("local", np.nan)
                if lag == 1:
                    self._put("raw", np.nan)
                continue
            before, then = self._before[lag - 1]
            if lag == 1:
                self._put("raw", float(cv2.norm(gray, before, cv2.NORM_L1)) / gray.size)
            gain = (mean + 1) / (then + 1)
            if 0.5 < gain < 2 and abs(gain - 1) > 0.004:
                before = np.asarray(cv2.convertScaleAbs(before, alpha=gain), np.uint8)
            apart = cv2.absdiff(gray, before).astype(np.float32)
            blocks = cv2.resize(apart, BLOCKS, interpolation=cv2.INTER_AREA).ravel()
            self._put("change", float(blocks.mean()))
            self._put("local", float(np.partition(blocks, -TOP_BLOCKS)[-TOP_BLOCKS:].mean()))

    def _follow(self, gray: Luma) -> None:
        now = gray.astype(np.float32)
        counts = cv2.calcHist([gray], [0], None, [32], [0, 256]).ravel() / gray.size
        histogram = np.asarray(counts, np.float32)
        x = y = firm = apart = np.nan
        if self._flat is not None and self._histogram is not None:
            (x, y), firm = cv2.phaseCorrelate(self._flat, now, self._window)
            apart = float(np.abs(histogram - self._histogram).sum()) / 2
        self._put("shift_x", x)
        self._put("shift_y", y)
        self._put("firm", firm)
        self._put("histogram", apart)
        self._flat, self._histogram = now, histogram


def fields_show(frame: VideoFrame, step: int = 10) -> bool:
    """Say whether the lines of ``frame`` alternate between two moments.

    A pixel that differs from the lines above and below by more than ``step`` in the same
    direction, while those two agree, is a comb's tooth. Grain makes as many teeth between
    columns as between lines, movement between two fields only between lines. Pictures deeper
    than 8 bit are not looked at.
    """
    layout = frame.format
    if layout.components[0].bits != 8 or not layout.is_planar or layout.is_rgb:
        return False
    plane = frame.planes[0]
    whole = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)
    whole = whole[: frame.height, : frame.width]
    height, width = (min(size, most) for size, most in zip(whole.shape, (360, 480), strict=True))
    top, left = (frame.height - height) // 2, (frame.width - width) // 2
    middle = whole[top : top + height, left : left + width].astype(np.int16)
    lines, columns = _teeth(middle, step), _teeth(middle.T, step)
    return lines > 0.004 and lines > 4 * columns


def _teeth(picture: npt.NDArray[np.int16], step: int) -> float:
    above, here, below = picture[:-2], picture[1:-1], picture[2:]
    up, down = here - above, here - below
    tooth = ((up > step) & (down > step)) | ((up < -step) & (down < -step))
    return float((tooth & (np.abs(above - below) < step)).mean())
