"""The check that silence in a file is silence: every sample exactly zero after decoding."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np

from vidseg.media.read.opening import opened
from vidseg.model.clock import NS
from vidseg.model.problem import MediaError
from vidseg.model.span import Spans


def require_silence(path: Path, silent: Spans, out: Path) -> None:
    """Raise MediaError unless all sound of ``path``, to be ``out``, is zero during ``silent``."""
    if not silent:
        return
    with opened(path) as container:
        for frame in container.decode(*container.streams.audio):
            if frame.pts is None or frame.time_base is None:
                raise MediaError(str(out), "its sound carries no times, so silence is not certain")
            start = Fraction(frame.pts) * frame.time_base * frame.sample_rate
            samples = frame.to_ndarray()
            for span in silent:
                first = int(Fraction(span.start, NS) * frame.sample_rate - start)
                last = -int(-(Fraction(span.end, NS) * frame.sample_rate - start) // 1)
                if last > 0 and np.any(samples[:, max(0, first) : last]):
                    raise MediaError(
                        str(out), "sound is left where silence was asked for; no copy was written"
                    )
