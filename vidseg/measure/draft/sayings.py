"""Sentences scored by what they are like: character n-grams of sayings, ridge regression.

Where no term is heard, the whole of a sentence may still point to a step. The bank is the
vocabulary's labels and sayings, against small talk of the theatre.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from vidseg.measure.draft.hearing import sounding
from vidseg.measure.draft.small_talk import SMALL_TALK
from vidseg.model.procedure import Step, fold

SIZES = (2, 3, 4, 5)
BUCKETS = 4096
RIDGE = 0.3
SHARPNESS = 7.0
"""How fast likelihood follows the regression's score."""


class Sayings:
    """A scorer of sentences by step, with small talk as one class more."""

    def __init__(self, steps: Sequence[Step]) -> None:
        self.codes = tuple(step.code for step in steps)
        texts: list[str] = []
        owners: list[int] = []
        for place, step in enumerate(steps):
            for text in dict.fromkeys((step.name, *step.aliases, *step.spoken)):
                texts.append(text)
                owners.append(place)
        texts += [text.strip() for text in SMALL_TALK]
        owners += [len(steps)] * len(SMALL_TALK)
        counts = [grams(text) for text in texts]
        documents = Counter(gram for count in counts for gram in count)
        self._rarity = {
            gram: math.log((1 + len(texts)) / (1 + times)) + 1 for gram, times in documents.items()
        }
        bank = self._vectors(counts)
        classes = len(steps) + 1
        target = np.zeros((len(texts), classes), dtype=np.float32)
        target[np.arange(len(texts)), owners] = 1
        # Every class counts alike, however many sayings it has.
        share = np.sqrt(target.sum(axis=0).mean() / np.maximum(1, target.sum(axis=0)))
        emphasis = np.minimum(3.0, share)[owners]
        kernel = bank @ bank.T + np.diag((RIDGE / emphasis).astype(np.float32))
        dual = np.linalg.solve(kernel, target)
        self._weights = bank.T @ dual

    def _vectors(self, counts: Iterable[Counter[str]]) -> NDArray[np.float32]:
        rows = list(counts)
        out = np.zeros((len(rows), BUCKETS), dtype=np.float32)
        for number, count in enumerate(rows):
            for gram, times in count.items():
                rarity = self._rarity.get(gram)
                if rarity is not None:
                    # Hashed, as a table of every n-gram would be large and slow.
                    out[number, crc32(gram.encode()) % BUCKETS] += (1 + math.log(times)) * rarity
        length = np.linalg.norm(out, axis=1, keepdims=True)
        return np.asarray(out / np.maximum(length, 1e-9))

    def likelihood(self, texts: Sequence[str]) -> NDArray[np.float64]:
        """Give how likely each text belongs to each step, small talk last; rows sum to one."""
        if not texts:
            return np.zeros((0, len(self.codes) + 1))
        return _softmax(SHARPNESS * (self._vectors(grams(text) for text in texts) @ self._weights))


@lru_cache(maxsize=8)
def sayings_of(steps: tuple[Step, ...]) -> Sayings:
    """Give the scorer of these steps; the latest few are kept."""
    return Sayings(steps)


def _softmax(scores: NDArray[Any]) -> NDArray[np.float64]:
    raised = np.exp(scores - scores.max(axis=1, keepdims=True))
    return np.asarray(raised / raised.sum(axis=1, keepdims=True))


def grams(text: str) -> Counter[str]:
    """Count the n-grams of a text as it sounds, over word breaks; word edges count too."""
    parts = [sounding(fold(part)) for part in text.split()]
    joined = "".join(parts)
    found = Counter(joined[at : at + n] for n in SIZES for at in range(len(joined) - n + 1))
    for part in parts:
        if part:
            found[f"_{part[:3]}"] += 1
            found[f"{part}_"] += 1
    return found
