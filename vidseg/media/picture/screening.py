"""A look over a recording: writing in the picture, and spans unlike the microscope's usual view.

What stands still while the scene moves is found by its edges; where a recogniser is installed,
pictures are also read, much closer together.

What is found is a suspicion for a person to look at; nothing found is no proof.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby
from math import ceil, floor

import numpy as np

from vidseg.media.picture.outlier_views import unlike_views
from vidseg.media.picture.sparse_pictures import SparsePicture, take_samples
from vidseg.media.picture.static_overlays import (
    BLOCK,
    Gray,
    StaticBox,
    find_standing,
    gathered,
    presence,
)
from vidseg.media.picture.text_reader import INSTALL
from vidseg.media.picture.written_words import BRIEFEST_NS, find_words
from vidseg.model.clock import NS, format_time
from vidseg.model.progress import Progress
from vidseg.model.recording import Recording
from vidseg.model.screening import Overlay, Screening
from vidseg.model.span import Span, Spans

CHANGED = 0.7
"""A picture that differs from the one before by less (luma steps, averaged down) shows nothing
new: what stands in both may be the scene."""

PAD, PAD_X = 0.25, 0.6
"""A box is widened by these shares of its height: above and below, left and right."""

LEAST_PX = 2
THERE = 0.45
"""From this likeness to the box's usual look on, a picture shows it."""

APART = 0.2
"""With this share of the pictures without it in between, one place has two overlays."""

HALF_THERE, MOSTLY = (0.3, 0.7), 0.25
"""Writing is there or is not. What is half there (its likeness between these) in more than this
share of the pictures belongs to a scene that moves slowly."""

ONE_KEY, MOVES, ROUND = 0.5, 0.65, 0.5
"""Compression carries fine detail on from a key frame, unmoved, until the next, where little
moves. So what stands over pictures of which at least the first share hang on one key frame counts
only if the place, with the third share of its height around it, changes in the second share."""

SHOWN = 3
"""Frames named for crops."""

STANDING_SHARE = 0.15
"""So much of the time goes into what stands, where pictures are read as well."""

A_PERSON = "a person must look at the whole recording before it is passed on"


def find_look(
    recording: Recording, progress: Progress | None = None, *, read: bool = False
) -> Screening:
    """Look over ``recording`` for burnt-in text and for views unlike the usual one.

    With ``read``, which needs ``text_reader.can_read``, pictures are read as well. ``progress``
    gets the fraction done. Raises MediaError for a file that cannot be opened.
    """
    report = progress or (lambda _: None)
    share = STANDING_SHARE if read else 1.0
    samples = take_samples(recording, lambda done: report(0.7 * share * done))
    overlays: list[Overlay] = []
    remarks: list[str] = []
    for _, group in groupby(samples, key=lambda sample: (sample.full, sample.gray.shape)):
        some = list(group)
        found, said = _overlays(recording, some)
        overlays += found
        remarks += said
        report(share * (0.7 + 0.3 * (samples.index(some[-1]) + 1) / len(samples)))
    if read:
        words = find_words(recording, lambda done: report(share + (1 - share) * done))
        overlays = united(overlays, words)
    views, said = unlike_views(recording, samples)
    remarks += said
    remarks += _limits(recording, samples, read)
    overlays.sort(key=lambda o: (o.span.start, o.y, o.x))
    report(1.0)
    return Screening(tuple(overlays), views, tuple(remarks))


def _overlays(
    recording: Recording, samples: Sequence[SparsePicture]
) -> tuple[list[Overlay], list[str]]:
    moving = _moving(samples)
    if len(moving) < 2 * BLOCK:
        return [], [
            f"{_between(recording, samples, 0, len(samples))} too little moves to tell burnt-in "
            "text from the scene; look at it yourself"
        ]
    grays = [samples[place].gray for place in moving]
    found, still = find_standing(grays)
    keys = [samples[place].key for place in moving]
    doubtful = [box for box in found if _carried_on(grays, keys, box)]
    sure = [box for box in found if box not in doubtful]
    overlays = [
        overlay
        for standing in gathered(sure, doubtful)
        for overlay in _placed(recording, samples, grays, standing)
    ]
    return overlays, _still(recording, samples, moving, still)


def _carried_on(grays: Sequence[Gray], keys: Sequence[int], box: StaticBox) -> bool:
    """Say whether compression alone may have kept the box's detail standing."""
    own = keys[box.first : box.last]
    if len(own) == len(keys) or max(Counter(own).values()) < ONE_KEY * len(own):
        return False
    more = round(ROUND * (box.bottom - box.top))
    rows = slice(max(0, box.top - more), box.bottom + more)
    columns = slice(max(0, box.left - more), box.right + more)
    places = np.stack([gray[rows, columns] for gray in grays[box.first : box.last]])
    changes = np.abs(np.diff(places.astype(np.int16), axis=0)).mean(axis=(1, 2))
    return float((changes >= CHANGED).mean()) < MOVES


def _moving(samples: Sequence[SparsePicture]) -> list[int]:
    """Give the places of samples that show something new, by order."""
    kept: list[int] = []
    before: np.ndarray[tuple[int, ...], np.dtype[np.int16]] | None = None
    for place, sample in enumerate(samples):
        small = sample.small.mean(axis=2).astype(np.int16)
        if before is None or np.abs(small - before).mean() >= CHANGED:
            kept.append(place)
            before = small
    return kept


def _placed(
    recording: Recording, samples: Sequence[SparsePicture], grays: Sequence[Gray], box: StaticBox
) -> list[Overlay]:
    """Say when a box is there, and where in px of the whole picture."""
    likeness = presence([sample.gray for sample in samples], grays[box.first : box.last], box)
    low, high = HALF_THERE
    vague = float(((likeness > low) & (likeness < high)).mean())
    if vague > MOSTLY:
        return []
    score = round(box.score * (1 - vague), 3)
    there = np.flatnonzero(likeness >= THERE)
    full, shape = samples[0].full, samples[0].gray.shape
    across, down = full[0] / shape[1], full[1] / shape[0]
    tall = box.bottom - box.top
    left = max(0, floor((box.left - PAD_X * tall - LEAST_PX) * across))
    top = max(0, floor((box.top - PAD * tall - LEAST_PX) * down))
    right = min(full[0], ceil((box.right + PAD_X * tall + LEAST_PX) * across))
    bottom = min(full[1], ceil((box.bottom + PAD * tall + LEAST_PX) * down))
    overlays = []
    for run in np.split(there, np.flatnonzero(np.diff(there) > APART * len(samples)) + 1):
        if len(run) < 2:
            continue
        places = sorted({int(run[round(k * (len(run) - 1) / (SHOWN - 1))]) for k in range(SHOWN)})
        overlays.append(
            Overlay(
                left,
                top,
                right - left,
                bottom - top,
                _span(recording, samples, int(run[0]), int(run[-1]) + 1),
                score,
                tuple(samples[place].frame for place in places),
            )
        )
    return overlays


def _span(recording: Recording, samples: Sequence[SparsePicture], first: int, last: int) -> Span:
    """Give the time of samples [first, last), widened to the ones beside them."""
    start = samples[first - 1].at if first > 0 else 0
    end = samples[last].at if last < len(samples) else recording.length
    return Span(start, end)


def _between(recording: Recording, samples: Sequence[SparsePicture], first: int, last: int) -> str:
    span = _span(recording, samples, first, last)
    return f"from {format_time(span.start)} to {format_time(span.end)}"


def _still(
    recording: Recording,
    samples: Sequence[SparsePicture],
    moving: Sequence[int],
    still: Sequence[tuple[int, int]],
) -> list[str]:
    spans = Spans(
        _span(recording, samples, moving[first], moving[last - 1] + 1) for first, last in still
    )
    return [
        f"from {format_time(span.start)} to {format_time(span.end)} the scene stands still as a "
        "whole: burnt-in text cannot be told from it there; look at it yourself"
        for span in spans
    ]


def united(standing: Sequence[Overlay], words: Sequence[Overlay]) -> list[Overlay]:
    """Give what stands and what was read, each once: what lies wholly in another goes into it."""
    held = [(one, next((big for big in standing if _holds(big, one)), None)) for one in words]
    texts: dict[Overlay, list[str]] = {}
    for one, big in held:
        if big is not None:
            texts.setdefault(big, []).append(one.words)
    own = [one for one, big in held if big is None]
    return [
        *(
            replace(one, words=" ".join(dict.fromkeys(texts.get(one, ()))))
            for one in standing
            if not any(_holds(big, one) for big in own)
        ),
        *own,
    ]


def _holds(big: Overlay, small: Overlay) -> bool:
    return (
        big.x <= small.x
        and big.y <= small.y
        and big.x + big.width >= small.x + small.width
        and big.y + big.height >= small.y + small.height
        and big.span.start <= small.span.start
        and big.span.end >= small.span.end
    )


def _limits(recording: Recording, samples: Sequence[SparsePicture], read: bool) -> list[str]:
    apart = recording.length / max(1, len(samples)) / NS
    standing = (
        f"one picture every {apart:.1f} s was looked at for what stands still, "
        f"{len(samples)} in all"
    )
    if read:
        return [
            f"{standing}; a picture every {BRIEFEST_NS / NS:g} s was read; writing that is shown "
            "for less, that lies aslant or upright, of letters lower than about a fiftieth of the "
            "picture, or hardly brighter than what lies behind it, can be missed; " + A_PERSON
        ]
    return [
        f"{standing}; text shown for less than about {2 * BLOCK * apart:.0f} s, text that moves, "
        "and text that comes and goes between two key frames where nothing else moves, is not "
        f"looked for ({INSTALL} has pictures read as well); {A_PERSON}"
    ]
