"""Sound for a browser to play with segments: FLAC, so that no seam is heard or lies between.

A FLAC frame stands alone and gives back its very samples (RFC 9639), so segments made one by one
join without a gap, a run-in or a trace of each other; what never leaves the machine need not be
small.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import av
import numpy as np

from vidseg.media.stream.fragmented_mp4 import Sample
from vidseg.media.write.sound import Samples, piece_samples
from vidseg.model.clock import NS, ratio_round
from vidseg.model.recording import AudioTrack, Part, Recording
from vidseg.model.stretch import Stretch

SOUND_TYPE = 'audio/mp4; codecs="flac"'

_LAYOUTS = {1: "mono", 2: "stereo"}
_HIGHEST_HZ = 48_000


@dataclass(frozen=True, slots=True)
class SoundForm:
    """One form for all parts: the first part's rate; ``stream_info`` as in FLAC's STREAMINFO."""

    rate_hz: int
    channels: int
    stream_info: bytes = field(repr=False)

    def sample_at(self, at_ns: int) -> int:
        """Give the number of the sample nearest to a time on the case clock."""
        return ratio_round(at_ns * self.rate_hz, NS)


def sound_form(recording: Recording) -> SoundForm | None:
    """Choose the form of the sound of ``recording``; None where no part has sound."""
    track = next((part.audio[0] for part in recording.parts if part.audio), None)
    if track is None:
        return None
    rate = track.rate_hz if 8000 <= track.rate_hz <= _HIGHEST_HZ else _HIGHEST_HZ
    channels = 1 if track.channels == 1 else 2
    return SoundForm(rate, channels, bytes(_encoder(rate, channels).extradata))


class SoundRun:
    """The sound of one part from a moment on, read forward once.

    Segments that follow one another come out of one run, so that timestamps which are rounded
    in the file do not move them against each other. Not to be used by two threads at once.
    """

    def __init__(self, part: Part, number: int, form: SoundForm, first: int) -> None:
        self._form, self.number = form, number
        piece = Stretch(part, number, first, len(part.frame_ns), 0)
        self.at = form.sample_at(piece.span.start)
        track = AudioTrack(0, "", form.rate_hz, form.channels, "", 0, 0)
        self._samples = piece_samples(piece, 0, track, form.sample_at(piece.span.end) - self.at)
        self._left: Samples = np.zeros((form.channels, 0), np.float32)

    def until(self, end: int) -> list[Sample]:
        """Give the sound up to sample number ``end`` of the case clock, encoded."""
        count = end - self.at
        held, ready = [self._left], self._left.shape[1]
        while ready < count:
            more = next(self._samples, None)
            if more is None:
                more = np.zeros((self._form.channels, count - ready), np.float32)
            held.append(more)
            ready += more.shape[1]
        samples = np.concatenate(held, axis=1)
        self._left = samples[:, count:]
        self.at = end
        return [*_encoded(samples[:, :count], self._form)]

    def close(self) -> None:
        """Close the file."""
        self._samples.close()


def _encoded(samples: Samples, form: SoundForm) -> Iterator[Sample]:
    whole = np.clip(np.round(samples * 32768), -32768, 32767).astype(np.int16)
    packed = np.ascontiguousarray(whole.T).reshape(1, -1)
    context = _encoder(form.rate_hz, form.channels)
    frame = av.AudioFrame.from_ndarray(packed, format="s16", layout=_LAYOUTS[form.channels])
    frame.sample_rate, frame.time_base, frame.pts = form.rate_hz, Fraction(1, form.rate_hz), 0
    for packet in (*context.encode(frame), *context.encode(None)):
        data = bytes(packet)
        if data:
            yield Sample(data, packet.duration or 0)


def _encoder(rate_hz: int, channels: int) -> Any:
    context: Any = av.CodecContext.create("flac", "w")
    context.sample_rate, context.layout, context.format = rate_hz, _LAYOUTS[channels], "s16"
    context.time_base = Fraction(1, rate_hz)
    context.options = {"compression_level": "2"}
    context.open()
    return context
