"""How loud a recording is from moment to moment, for a lane beside the time strip."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from vidseg.media.write.sound import Samples, piece_samples
from vidseg.model.clock import NS, ratio_round
from vidseg.model.problem import UsageError
from vidseg.model.recording import Recording
from vidseg.model.stretch import Stretch

Levels = npt.NDArray[np.float32]


def audio_levels(
    recording: Recording, step_ns: int, progress: Callable[[float], None] | None = None
) -> Levels:
    """Give the highest amplitude, 0 to 1, in each ``step_ns`` of the case clock.

    Of the first sound track of each part, the loudest channel; 0 in holes and where a part has
    no sound. Sound is decoded once from end to end and memory does not grow with it.
    ``progress`` gets the fraction done. Raises MediaError, and UsageError for a step below 1 ms.
    """
    if step_ns < NS // 1000:
        raise UsageError(f"levels are taken over 1 ms or more, not {step_ns} ns")
    levels = np.zeros(-(-recording.length // step_ns), np.float32)
    for number, part in enumerate(recording.parts):
        if not part.audio:
            continue
        piece = Stretch(part, number, 0, len(part.frame_ns), 0)
        rate = part.audio[0].rate_hz or 48_000
        at = ratio_round(piece.span.start * rate, NS)
        count = ratio_round(piece.span.end * rate, NS) - at
        held: list[Samples] = []
        for samples in piece_samples(piece, 0, part.audio[0], count):
            held.append(samples)
            if sum(one.shape[1] for one in held) >= rate:
                at = _raise(levels, held, at, rate, step_ns)
                held = []
                if progress is not None:
                    progress(min(1.0, at * NS / rate / recording.length))
        _raise(levels, held, at, rate, step_ns)
    if progress is not None:
        progress(1.0)
    return levels


def _raise(levels: Levels, held: list[Samples], at: int, rate: int, step_ns: int) -> int:
    """Raise the levels to what is heard from sample ``at`` on; give the sample behind."""
    if not held:
        return at
    loud = np.abs(np.concatenate(held, axis=1)).max(axis=0)
    steps = (at + np.arange(len(loud), dtype=np.int64)) * NS // (rate * step_ns)
    steps = np.minimum(steps, len(levels) - 1)
    starts = np.flatnonzero(np.diff(steps, prepend=-1))
    peaks = np.maximum.reduceat(loud, starts)
    places = steps[starts]
    levels[places] = np.minimum(1.0, np.maximum(levels[places], peaks))
    return at + len(loud)
