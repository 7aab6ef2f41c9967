"""The plainest change of the picture near a moment: for an edge to be moved to."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vidseg.media.picture.survey import Eye
from vidseg.media.read.frames import decode
from vidseg.model.clock import NS
from vidseg.model.recording import Recording
from vidseg.model.survey import LAGS

PLAIN = 2.5
"""A change counts from so many times the usual difference between frames (our choice)."""

_WINDOW_NS = NS // 2
_LEAST_USUAL = 0.25
"""Luma (of 255): what noise makes of a picture that stands still."""


def nearest_change(recording: Recording, at_ns: int, within_ns: int) -> tuple[int, float] | None:
    """Give the strongest change within ``within_ns`` of ``at_ns`` (case time), as (ns, score).

    The time is the start of the first frame after the change. The score tells how much more the
    picture differs from the one before than around it, plus how much livelier or calmer it is
    after than before, in usual differences; looked at is the tenth of the picture where most
    changes. None where nothing reaches ``PLAIN``. Decodes the frames around, up to a key frame
    before. Raises MediaError where these do not decode.
    """
    part = next((p for p in recording.parts if p.span.start <= at_ns < p.span.end), None)
    if part is None:
        return None
    near, far = at_ns - part.start - within_ns, at_ns - part.start + within_ns
    low, high, first, last = np.searchsorted(
        part.frame_ns, [near, far + 1, near - _WINDOW_NS, far + _WINDOW_NS]
    ).tolist()
    first = max(0, first - 1)
    eye = Eye()
    eye.begin()
    for _, frame in decode(part, first, last):
        eye.look(frame, sparse=False)
    local = np.frombuffer(eye.signals["local"], np.float32).reshape(-1, len(LAGS))[:, 0]
    strength = _strengths(
        np.nan_to_num(local.astype(np.float64)), max(1, round(part.rate * _WINDOW_NS / NS))
    )
    wanted = strength[max(low, first + 1) - first : high - first]
    if not len(wanted) or wanted.max() < PLAIN:
        return None
    best = max(low, first + 1) + int(wanted.argmax())
    return part.start + int(part.frame_ns[best]), float(wanted.max())


def _strengths(lively: npt.NDArray[np.float64], width: int) -> npt.NDArray[np.float64]:
    """Give the strength of the change at each frame; ``lively`` is its difference from the last."""
    total = np.concatenate([[0.0], np.cumsum(lively)])
    places = np.arange(len(lively))

    def mean(starts: npt.NDArray[np.int64], ends: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        low, high = np.clip(starts, 0, len(lively)), np.clip(ends, 0, len(lively))
        found: npt.NDArray[np.float64] = (total[high] - total[low]) / np.maximum(1, high - low)
        return found

    before, after = mean(places - width, places), mean(places + 1, places + 1 + width)
    jump = np.maximum(0.0, lively - np.maximum(before, after))
    usual = max(_LEAST_USUAL, float(np.median(lively)) if len(lively) else 0.0)
    return (np.abs(after - before) + jump) / usual
