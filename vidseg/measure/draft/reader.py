"""What narrations by many speakers taught: which step a sentence speaks of, and when it is done.

Numbers only, made by ``tests/bench/train_draft.py`` and kept in ``learned.npz``: multinomial
logistic weights over hashed n-grams of sounds (no n-gram is kept), how far before or after its
words a step is done, lengths of visits, and how far a row's marks make it sure.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import as_file, files
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from vidseg.measure.draft.assertion import ClauseSense, Sense
from vidseg.measure.draft.sayings import grams
from vidseg.measure.draft.utterances import Utterance
from vidseg.model.procedure import Step

Array = NDArray[np.float64]

BUCKETS = 4096
FAR_S = (-90, -50, -32, -22, -14, -8, -3, 3, 8, 14, 22, 32, 50, 90)
"""Edges, in s, of how long after its words (before: negative) a moment lies."""
VOICES = (Sense.NOW, Sense.AHEAD, Sense.BEFORE)
"""Senses that are told apart in time; all others are a fourth voice."""
TERM = 0.6
"""Nats of likelihood for each nat of a term heard."""
GAP_SHARE = 0.38
"""Share of a recording in which no step runs, on average over the narrations learned from."""
BESIDE = 0.3
"""Visits a case, on average, to a step that the usual course does not hold (our choice)."""


@dataclass(frozen=True)
class Learned:
    """The weights: ``words`` (BUCKETS + 1, codes + 1), the last row a bias, the last column talk.

    ``rarity`` (BUCKETS,); ``step_when`` and ``gap_when`` (bins of FAR_S times voices,); ``bias``
    of a gap and weight of a step's share; ``lengths`` are seconds and visits counted, by code;
    ``sure`` weighs the marks of a row (see ``confidence``).
    """

    codes: tuple[str, ...]
    words: Array
    rarity: Array
    step_when: Array
    gap_when: Array
    bias: float
    share: float
    lengths: Mapping[str, tuple[float, int]]
    sure: Array

    def knows(self, steps: Sequence[Step]) -> bool:
        """Say whether most of these steps were among those learned."""
        return 2 * sum(step.code in self.codes for step in steps) > len(steps)


@lru_cache(maxsize=1)
def learned() -> Learned:
    """Load the weights that come with the program."""
    with as_file(files(__package__) / "learned.npz") as path, np.load(path) as kept:
        return unpacked({name: kept[name] for name in kept.files})


def packed(weights: Learned) -> dict[str, NDArray[np.generic]]:
    """Give the arrays to be kept, small: the words' weights in a byte each, scaled by column."""
    scale = np.maximum(1e-9, np.abs(weights.words[:-1]).max(axis=0) / 127)
    return {
        "codes": np.array(weights.codes),
        "words": np.round(weights.words[:-1] / scale).astype(np.int8),
        "scale": scale.astype(np.float32),
        "bias": weights.words[-1].astype(np.float32),
        "rarity": weights.rarity.astype(np.float16),
        "step_when": weights.step_when.astype(np.float32),
        "gap_when": weights.gap_when.astype(np.float32),
        "gap": np.array([weights.bias, weights.share], dtype=np.float32),
        "length_codes": np.array(list(weights.lengths)),
        "lengths": np.array(list(weights.lengths.values()), dtype=np.float32),
        "sure": weights.sure.astype(np.float32),
    }


def unpacked(kept: Mapping[str, NDArray[np.generic]]) -> Learned:
    """Give the weights back from what ``packed`` made."""

    def real(name: str) -> Array:
        return np.asarray(kept[name], dtype=np.float64)

    lengths = zip(kept["length_codes"].tolist(), real("lengths").tolist(), strict=True)
    return Learned(
        tuple(str(code) for code in kept["codes"].tolist()),
        np.vstack([real("words") * real("scale"), real("bias")]),
        real("rarity"),
        real("step_when"),
        real("gap_when"),
        float(real("gap")[0]),
        float(real("gap")[1]),
        {str(code): (seconds, int(visits)) for code, (seconds, visits) in lengths},
        real("sure"),
    )


def hashed(texts: Sequence[str]) -> NDArray[np.float32]:
    """Count the n-grams of each text as it sounds, in buckets: (texts, BUCKETS)."""
    out = np.zeros((len(texts), BUCKETS), dtype=np.float32)
    for number, text in enumerate(texts):
        count: Counter[str] = grams(text)
        for gram, times in count.items():
            out[number, crc32(gram.encode()) % BUCKETS] += 1 + math.log(times)
    return out


def read(texts: Sequence[str], steps: Sequence[Step], weights: Learned) -> Array:
    """Give the log likelihood that each text speaks of each step, talk last: (texts, steps + 1).

    A step that was not learned is as likely as the least likely one that was.
    """
    if not texts:
        return np.zeros((0, len(steps) + 1))
    counted = hashed(texts) * weights.rarity
    length = np.linalg.norm(counted, axis=1, keepdims=True)
    scores = counted / np.maximum(length, 1e-9) @ weights.words[:-1] + weights.words[-1]
    places = [weights.codes.index(s.code) if s.code in weights.codes else -2 for s in steps]
    known = [place for place in places if place >= 0]
    chosen = np.concatenate([scores, scores[:, known].min(axis=1, keepdims=True)], axis=1)
    columns = [place if place >= 0 else chosen.shape[1] - 1 for place in places]
    return log_share(chosen[:, [*columns, len(weights.codes)]])


def log_share(scores: Array) -> Array:
    """Give the logarithms of shares in proportion to the raised scores, by row."""
    raised = scores - scores.max(axis=1, keepdims=True)
    return np.asarray(raised - np.log(np.exp(raised).sum(axis=1, keepdims=True)))


def shares(usual_s: Mapping[str, float], course: Sequence[str]) -> Array:
    """Give the share of a recording that each step takes on average, gaps left out."""
    total = np.array([length * (course.count(code) or BESIDE) for code, length in usual_s.items()])
    return np.asarray((1 - GAP_SHARE) * total / total.sum())


def voice(reading: ClauseSense) -> int:
    """Give the number of the voice in which a sentence is told."""
    return VOICES.index(reading.sense) if reading.sense in VOICES else len(VOICES)


def when(
    spoken: Sequence[Utterance], voices: Sequence[int], likely: Array, cells: int, cell_s: float
) -> NDArray[np.float32]:
    """Lay out how much was said of each step how far from each cell: (cells, steps, features).

    ``likely`` (utterances, steps) are probabilities. The features are the square roots of their
    sums by distance and voice.
    """
    start = np.array([(u.middle_s + u.start_s) / 2 for u in spoken])
    end = np.array([(u.middle_s + u.end_s) / 2 for u in spoken])
    at = (np.arange(cells) + 0.5)[:, None] * cell_s
    apart = np.where(at < start, at - start, np.where(at > end, at - end, 0.0))
    kind = np.array(voices)
    out = np.zeros((cells, likely.shape[1], (len(FAR_S) - 1) * (len(VOICES) + 1)), np.float32)
    bins = np.digitize(apart, FAR_S) - 1
    for distance in range(len(FAR_S) - 1):
        inside = (bins == distance).astype(np.float32)
        for number in range(len(VOICES) + 1):
            chosen = kind == number
            if chosen.any():
                feature = distance * (len(VOICES) + 1) + number
                out[:, :, feature] = np.sqrt(inside[:, chosen] @ likely[chosen])
    return out


def log_running(features: NDArray[np.float32], share: Array, weights: Learned) -> Array:
    """Give the log probability that each step runs in each cell, no step last."""
    steps = features @ weights.step_when + weights.share * np.log(share)
    gap = features.sum(axis=1) @ weights.gap_when + weights.bias
    return log_share(np.concatenate([steps, gap[:, None]], axis=1))


def over_gap(running: Array, share: Array, prior: float, most: float) -> Array:
    """Give, as (steps, cells), how much more the words speak for a step than for none, in nats.

    ``prior`` is how much of the steps' shares is taken off again, since the course and the
    lengths of visits bring their own; no value is above ``most``.
    """
    steps = running[:, :-1] - prior * np.log(share)
    gap = running[:, -1:] - prior * math.log(GAP_SHARE)
    return np.asarray(np.clip(steps - gap, -most, most).T)


def confidence(marks: Array, weights: Learned) -> Array:
    """Give the probability that rows are right from their marks: (rows, marks) to (rows,)."""
    return np.asarray(1 / (1 + np.exp(-(marks @ weights.sure[:-1] + weights.sure[-1]))))
