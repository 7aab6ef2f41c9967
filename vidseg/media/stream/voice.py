"""A part's sound as a speech recogniser wants it: one channel, 16,000 samples a second."""

from __future__ import annotations

from collections.abc import Iterator

import av
import numpy as np
import numpy.typing as npt

from vidseg.media.write.sound import piece_samples
from vidseg.model.clock import NS, ratio_round
from vidseg.model.recording import Part
from vidseg.model.stretch import Stretch

RATE_HZ = 16_000

Voice = npt.NDArray[np.float32]


def voice(part: Part, number: int) -> Iterator[Voice]:
    """Yield the first sound track of a part (place ``number``) in blocks, shape (n,), -1 to 1.

    All channels mixed; the first sample is heard with the part's first frame, the last one with
    its last, silence where there is no sound. Nothing where the part has no track. Raises
    MediaError.
    """
    if not part.audio:
        return
    track, piece = part.audio[0], Stretch(part, number, 0, len(part.frame_ns), 0)
    rate = track.rate_hz or 48_000
    resampler = av.AudioResampler("flt", "mono", RATE_HZ)
    sent, count = 0, ratio_round(piece.length * rate, NS)
    for samples in piece_samples(piece, 0, track, count):
        mixed = np.ascontiguousarray(samples.mean(axis=0, keepdims=True), np.float32)
        frame = av.AudioFrame.from_ndarray(mixed, format="flt", layout="mono")
        frame.sample_rate, frame.pts = rate, sent
        sent += mixed.shape[1]
        yield from _blocks(resampler, frame)
    yield from _blocks(resampler, None)


def _blocks(resampler: av.AudioResampler, frame: av.AudioFrame | None) -> Iterator[Voice]:
    for made in resampler.resample(frame):
        yield made.to_ndarray().reshape(-1).astype(np.float32, copy=False)
