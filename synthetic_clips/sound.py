"""The sound track: quiet noise with short tones at known moments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

NS = 1_000_000_000
SAMPLE_RATE = 48_000
TONE_HZ = 1_000
TONE_S = 0.2
"""A tone: 1 kHz for 200 ms, at full loudness from its first sample."""

_NOISE_LEVEL, _TONE_LEVEL = 0.003, 0.5
_TONE_SAMPLES = round(TONE_S * SAMPLE_RATE)

Samples = npt.NDArray[np.float32]


def _noise() -> Samples:
    drawn = np.random.default_rng(20).standard_normal(SAMPLE_RATE)
    return (drawn * _NOISE_LEVEL).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Sound:
    """Mono sound at 48 kHz with a tone at each of ``tones_ns``; time 0 is the first picture's."""

    tones_ns: Sequence[int]
    _noise: Samples = field(default_factory=_noise, repr=False)

    def samples(self, first: int, count: int) -> Samples:
        """Give samples [first, first + count) as float32, shape (count,); first may be < 0."""
        out = self._noise[np.arange(first, first + count) % SAMPLE_RATE]
        for tone in self.tones_ns:
            start = round(tone * SAMPLE_RATE / NS)
            low, high = max(start, first), min(start + _TONE_SAMPLES, first + count)
            if low < high:
                phase = np.arange(low - start, high - start) * (2 * np.pi * TONE_HZ / SAMPLE_RATE)
                out[low - first : high - first] += (_TONE_LEVEL * np.cos(phase)).astype(np.float32)
        return out
