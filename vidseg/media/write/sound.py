"""Sound of a clip: decoded, cut to the sample, encoded anew, so that nothing else is heard."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Sequence
from fractions import Fraction
from typing import Any

import av
import av.container
import av.error
import numpy as np
import numpy.typing as npt
from av.codec.context import Flags

from vidseg.media.read.opening import opened, video_stream
from vidseg.media.read.reader import packets
from vidseg.media.write.captions_track import track_language
from vidseg.media.write.target import errors_of
from vidseg.model.clock import NS, ratio_round
from vidseg.model.recording import AudioTrack, Part
from vidseg.model.span import Spans
from vidseg.model.stretch import Stretch

Samples = npt.NDArray[np.float32]

_ENCODED_RATES = (96000, 88200, 64000, 48000, 44100, 32000, 24000, 22050, 16000, 12000, 11025, 8000)
"""Sample rates AAC knows (ISO/IEC 14496-3, from memory; 7350 left out)."""

_LAYOUTS = {1: "mono", 2: "stereo", 3: "3.0", 4: "4.0", 5: "5.0", 6: "5.1", 7: "6.1", 8: "7.1"}
_BITS_PER_CHANNEL = 80_000
_CHUNK = 4096
_TOLERATED_NS = 20_000_000
"""Timestamps may stray that much from the count of samples before sound is moved after them:
Matroska rounds to 1 ms, transport streams and AVI by the packet."""

_SMEARED = 3 * 1024
"""Samples by which silence begins earlier and ends later than asked: AAC codes overlapping
windows of 2048 samples (ISO/IEC 14496-3), so that each one reaches into its neighbours; windows
without any sound decode to zeros."""

NOTHING = Spans()
_STEPS_BACK_NS = (NS, 3 * NS, 10 * NS, 30 * NS)
_RUN_IN_NS = 200_000_000


def add_sound(target: av.container.OutputContainer, kind: str, track: AudioTrack) -> av.AudioStream:
    """Add an AAC track for ``track`` to ``target``: its sample rate, channels and language."""
    rate = track.rate_hz if track.rate_hz in _ENCODED_RATES else 48000
    channels = min(max(track.channels, 1), 8)
    stream = target.add_stream("aac", rate=rate)
    stream.codec_context.layout = _LAYOUTS[channels]
    stream.codec_context.bit_rate = _BITS_PER_CHANNEL * channels
    stream.codec_context.time_base = Fraction(1, rate)
    stream.codec_context.flags |= Flags.bitexact  # or the encoder puts its name into the sound
    if track.language:
        stream.metadata["language"] = track_language(track.language, kind)
    return stream


def sound_packets(
    stream: av.AudioStream,
    track: AudioTrack,
    place: int,
    pieces: Sequence[Stretch],
    silent: Spans = NOTHING,
) -> Iterator[av.Packet[Any]]:
    """Yield the encoded sound of ``pieces``: the audio track number ``place`` of each part.

    Exactly the samples of the pieces, the first one at time 0; silence where a part has no
    such track. ``track`` is the one given to ``add_sound``. What is heard during ``silent``
    (ns of the clip) is exactly zero, also after decoding.
    """
    quiet = [
        (span.start * track.rate_hz // NS - _SMEARED, -(-span.end * track.rate_hz // NS) + _SMEARED)
        for span in silent
    ]
    layout = _LAYOUTS[min(max(track.channels, 1), 8)]
    sent = 0
    for piece in pieces:
        until = ratio_round((piece.offset + piece.length) * track.rate_hz, NS)
        for samples in piece_samples(piece, place, track, until - sent):
            for start, end in quiet:
                samples[:, max(0, start - sent) : max(0, end - sent)] = 0
            frame = av.AudioFrame.from_ndarray(samples, format="fltp", layout=layout)
            frame.sample_rate = track.rate_hz
            frame.time_base = Fraction(1, track.rate_hz)
            frame.pts = sent
            sent += samples.shape[1]
            yield from stream.encode(frame)
    yield from stream.encode(None)


def piece_samples(
    piece: Stretch, place: int, track: AudioTrack, count: int
) -> Generator[Samples, None, None]:
    """Yield exactly ``count`` samples, shape (channels, n), from the start of ``piece`` on.

    Sound is placed by its timestamps; where there is none, silence. Raises MediaError.
    """
    channels = min(max(track.channels, 1), 8)
    given = 0
    for position, samples in _placed(piece, place, track.rate_hz):
        if position >= count:
            break
        if position > given:
            yield from _silence(channels, position - given)
            given = position
        useful = _channels(samples[:, max(given - position, 0) : count - position], channels)
        if useful.shape[1]:
            yield useful
            given += useful.shape[1]
    yield from _silence(channels, count - given)


def _placed(piece: Stretch, place: int, rate: int) -> Iterator[tuple[int, Samples]]:
    """Yield (sample position from the start of the piece, samples); positions rise."""
    if place >= len(piece.part.audio):
        return
    following: int | None = None
    for frame in _at_rate(_from_start(piece.part, piece.part.audio[place], piece.start), rate):
        at = frame_time(frame, piece.part)
        position = following
        if at is not None:
            stated = ratio_round((at - piece.start) * rate, NS)
            if following is None or abs(stated - following) * NS > _TOLERATED_NS * rate:
                position = stated
        if position is not None:
            following = position + frame.samples
            if following > 0:
                yield position, _floats(frame)


def frame_time(frame: av.AudioFrame, part: Part) -> int | None:
    """Give the start of a sound frame in ns from the part's first displayed frame."""
    if frame.pts is None or frame.time_base is None:
        return None
    at = (frame.pts * Fraction(frame.time_base) - part.first_pts * part.time_base) * NS
    return ratio_round(at.numerator, at.denominator)


def _from_start(part: Part, track: AudioTrack, start: int) -> Iterator[av.AudioFrame]:
    """Yield decoded sound from before ``start`` (ns within the part) to the end of the file.

    Decoders need a run-in and some containers jump too far, so the jump goes back a second,
    and further where the first sound met is too late; at last the file is read from its start.
    """
    for back in _STEPS_BACK_NS:
        if start - back <= max(track.start_ns, 0):
            break
        frames = _read(part, track, start - back)
        head = next(frames, None)
        at = None if head is None else frame_time(head, part)
        if head is not None and at is not None and at < start - _RUN_IN_NS:
            yield head
            yield from frames
            return
        frames.close()
    yield from _read(part, track, None)


def _read(part: Part, track: AudioTrack, aim: int | None) -> Generator[av.AudioFrame]:
    """Decode one track from ``aim`` (ns within the part) on, None for the start of the file."""
    with errors_of(part.path), opened(part.path) as container:
        stream = container.streams[track.index]
        assert isinstance(stream, av.AudioStream)
        if aim is not None:
            # Matroska's index lists pictures; by sound it would be read from its start
            by = video_stream(container, part.path) if "matroska" in part.container else stream
            base = Fraction(by.time_base or Fraction(1, track.rate_hz))
            pts = (part.first_pts * part.time_base + Fraction(aim, NS)) / base
            try:
                container.seek(int(pts), stream=by)
            except av.error.FFmpegError:
                return
        for packet in packets(container, stream):
            try:
                frames = stream.decode(packet)
            except av.error.FFmpegError:  # a damaged packet: silence stands in its place
                continue
            yield from frames


def _at_rate(frames: Iterable[av.AudioFrame], rate: int) -> Iterator[av.AudioFrame]:
    """Pass frames on, those of another sample rate resampled (some decoders double theirs)."""
    resampler: av.AudioResampler | None = None
    source_rate = rate
    for frame in frames:
        if frame.sample_rate != source_rate:
            if resampler:
                yield from resampler.resample(None)
            source_rate = frame.sample_rate
            resampler = None
            if source_rate != rate:
                resampler = av.AudioResampler("fltp", frame.layout, rate)
        if resampler:
            yield from resampler.resample(frame)
        else:
            yield frame
    if resampler:
        yield from resampler.resample(None)


def _floats(frame: av.AudioFrame) -> Samples:
    """Give the samples as float32 in [-1, 1], shape (channels, n)."""
    array: npt.NDArray[Any] = frame.to_ndarray()
    if not frame.format.is_planar:
        array = array.reshape(-1, frame.layout.nb_channels).T
    floats = array.astype(np.float32)
    if array.dtype == np.uint8:
        return (floats - np.float32(128)) / np.float32(128)
    if np.issubdtype(array.dtype, np.integer):
        return floats / np.float32(2 ** (8 * array.dtype.itemsize - 1))
    return floats


def _channels(samples: Samples, channels: int) -> Samples:
    """Give the samples with as many channels as the track has, the first one repeated."""
    if samples.shape[0] < channels:
        missing = channels - samples.shape[0]
        samples = np.concatenate([samples, np.repeat(samples[:1], missing, axis=0)])
    return np.ascontiguousarray(samples[:channels])


def _silence(channels: int, count: int) -> Iterator[Samples]:
    while count > 0:
        yield np.zeros((channels, min(count, _CHUNK)), np.float32)
        count -= _CHUNK
