"""Spans whose pictures look unlike most of the recording, by colour, light and texture.

No model of what a face or a room looks like: only how far a picture lies from the others of the
same recording.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from vidseg.media.picture.sparse_pictures import Picture, SparsePicture
from vidseg.model.clock import format_time
from vidseg.model.recording import Recording
from vidseg.model.screening import UnlikeView
from vidseg.model.span import Span

Features = npt.NDArray[np.float64]

FEWEST = 8
LIKE = 0.25
"""A view of which less than this share of the recording is like is not the usual one."""

FAR, TIMES = 0.20, 2.5
"""A picture is unlike the rest from this distance on, and from so many times the usual one."""

BLACK, WHITE, EVEN = 20.0, 235.0, 8.0
"""Mean brightness of a picture without anything in it, and the most it may vary."""

BINS = 6
GRID = (8, 5)


def unlike_views(
    recording: Recording, samples: Sequence[SparsePicture]
) -> tuple[tuple[UnlikeView, ...], list[str]]:
    """Give spans of samples unlike the others, in order; and sentences on empty pictures."""
    plain = np.array([_empty(sample.small) for sample in samples])
    remarks = [
        f"from {format_time(span.start)} to {format_time(span.end)} the picture is plain "
        f"{'black' if plain[first] < 0 else 'white'}"
        for first, last in _runs(plain != 0)
        for span in [_span(recording, samples, first, last)]
    ]
    seen = np.flatnonzero(plain == 0)
    if len(seen) < FEWEST:
        return (), [*remarks, "too few pictures to tell the usual view from others"]
    features = np.stack([_features(samples[place].small) for place in seen.tolist()])
    away = _distance(features)
    usual = float(np.median(away))
    least = max(FAR, TIMES * usual)
    unlike = np.zeros(len(samples), np.bool_)
    far = np.zeros(len(samples))
    far[seen] = away
    unlike[seen] = away >= least
    views = []
    for first, last in _runs(unlike):
        place = first + int(np.argmax(far[first:last]))
        score = float(np.clip(0.5 * far[place] / least, 0, 1))
        why = _why(samples[place].small, [samples[k].small for k in seen[away < least].tolist()])
        span = _span(recording, samples, first, last)
        views.append(UnlikeView(span, round(score, 3), why, samples[place].frame))
    return tuple(views), remarks


def _empty(small: Picture) -> int:
    """Say -1 for a black picture, 1 for a white one, 0 for one with something in it."""
    gray = small.mean(axis=2)
    if gray.std() > EVEN:
        return 0
    return -1 if gray.mean() < BLACK else int(gray.mean() > WHITE)


def _features(small: Picture) -> Features:
    """Give the square roots of what shares of the picture have which colour, light and texture.

    Three parts, each of length 1, so that distances are Hellinger's: colour (Lab, a and b),
    lightness in a few fields of the picture, and strength of edges.
    """
    lab = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), np.float64)
    colour, _, _ = np.histogram2d(
        lab[..., 1].ravel(), lab[..., 2].ravel(), bins=2 * BINS, range=((88, 184), (88, 184))
    )
    light = np.asarray(cv2.resize(lab[..., 0], GRID, interpolation=cv2.INTER_AREA)).ravel() + 1
    gray = lab[..., 0]
    steps = np.hypot(np.diff(gray, axis=0)[:, 1:], np.diff(gray, axis=1)[1:])
    texture, _ = np.histogram(np.log2(1 + steps), bins=BINS, range=(0, 7))
    levels, _ = np.histogram(gray, bins=2 * BINS, range=(0, 256))
    parts = [cv2.GaussianBlur(colour, (0, 0), 0.8).ravel(), light, texture, levels]
    return np.concatenate([np.sqrt(part / max(1e-9, part.sum())) for part in parts])


def _distance(features: Features) -> Features:
    """Give how far each picture lies from the nearest LIKE of all pictures, 0 to 1, shape (n,)."""
    apart = np.sqrt(np.maximum(0, 2 * (4 - features @ features.T))) / np.sqrt(8)
    nearest = max(1, round(LIKE * len(features)))
    return np.sort(apart, axis=1)[:, nearest]


def _why(small: Picture, others: Sequence[Picture]) -> str:
    """Say how a picture differs from the others, in plain words."""
    now = np.array(_facts(small))
    usual = np.array([_facts(other) for other in others]) if others else now[np.newaxis]
    middle = np.median(usual, axis=0)
    spread = np.median(np.abs(usual - middle), axis=0) * 1.4826 + (6.0, 4.0, 4.0, 1.5)
    words = (("darker", "brighter"), ("greener", "redder"), ("bluer", "yellower"),
             ("with less detail", "with more detail"))  # fmt: skip
    steps = (now - middle) / spread
    told = [
        words[place][int(steps[place] > 0)]
        for place in np.argsort(-np.abs(steps))
        if abs(steps[place]) > 2
    ]
    return f"{', '.join(told[:3]) or 'differently composed'} than most of the recording"


def _facts(small: Picture) -> tuple[float, float, float, float]:
    lab = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), np.float64)
    steps = np.abs(np.diff(lab[..., 0], axis=1)).mean()
    return lab[..., 0].mean(), lab[..., 1].mean(), lab[..., 2].mean(), float(steps)


def _runs(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(first), int(last)) for first, last in zip(edges[::2], edges[1::2], strict=True)]


def _span(recording: Recording, samples: Sequence[SparsePicture], first: int, last: int) -> Span:
    """Give the time of samples [first, last), widened to the ones beside them."""
    start = samples[first - 1].at if first > 0 else 0
    end = samples[last].at if last < len(samples) else recording.length
    return Span(start, end)
