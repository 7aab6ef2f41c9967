"""Exact clips: the frames asked for and no others, pictures and sound encoded anew.

Nothing from outside the frames is in the file: no run-in behind an edit list, no sample of
sound, no metadata. Presets, bit rates and key-frame distance are common practice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from heapq import merge
from pathlib import Path
from typing import Any

import av
import av.container
from av.stream import Stream

from vidseg.disk.atomic_write import written_aside
from vidseg.media.read.frames import decode
from vidseg.media.read.opening import opened, video_stream
from vidseg.media.write.captions_track import add_captions, caption_packets
from vidseg.media.write.encode import add_pictures, clip_time_base, picture_packets
from vidseg.media.write.sound import NOTHING, add_sound, sound_packets
from vidseg.media.write.target import container_of, errors_of, open_target, refuse_own_sources
from vidseg.model.clock import pts_to_ns
from vidseg.model.problem import MediaError
from vidseg.model.progress import Progress
from vidseg.model.recording import Captions
from vidseg.model.span import Spans
from vidseg.model.stretch import Stretch


def write_clip(
    pieces: Sequence[Stretch],
    out: Path,
    captions: Captions | None = None,
    quality: int = 18,
    progress: Progress | None = None,
) -> tuple[int, ...]:
    """Write the frames of ``pieces``, one after another, to ``out`` (.mp4 .mov .mkv).

    The first frame is at time 0; the others keep their distances. Every sound track of the first
    part that can be decoded goes along, cut to the sample. ``captions`` are timed on the clip's
    own clock and become a text track. ``quality`` is x264's constant rate factor: 0 keeps
    everything, 18 is hardly told from the source, 28 is coarse.

    Returns the starts (ns, case time) of frames that the decoder calls damaged. Raises MediaError
    where a frame does not decode, the picture size changes, or the file
    cannot be written. Nothing is left behind on failure or Ctrl-C.
    """
    kind = container_of(out)
    if kind == "webm":
        raise MediaError(str(out), "clips are H.264 in .mp4, .mov or .mkv")
    refuse_own_sources((piece.part for piece in pieces), out)
    part = pieces[0].part
    _, head = next(decode(part, pieces[0].first, pieces[0].first + 1))
    time_base = clip_time_base(pieces)
    damaged: list[int] = []
    with written_aside(out) as aside, errors_of(out):
        with open_target(aside, kind, faststart=True) as target:
            pictures = add_pictures(target, part, head, time_base, quality)
            encoded = picture_packets(pictures, pieces, time_base, damaged=damaged)
            write_tracks(target, kind, pieces, pictures, encoded, captions, progress)
        require_frames(aside, pieces, out)
    if progress:
        progress(1.0)
    return tuple(damaged)


def write_tracks(
    target: av.container.OutputContainer,
    kind: str,
    pieces: Sequence[Stretch],
    pictures: Stream,
    picture_packets: Iterable[av.Packet[Any]],
    captions: Captions | None,
    progress: Progress | None,
    *,
    sound: bool = True,
    silent: Spans = NOTHING,
) -> None:
    """Write a clip's tracks: ``picture_packets`` of ``pictures``, its sound, its captions.

    ``sound`` False leaves all sound out; ``silent`` (ns of the clip) is without any.
    """
    length = pieces[-1].offset + pieces[-1].length
    tracks = [picture_packets]
    for place, track in enumerate(pieces[0].part.audio if sound else ()):
        if track.rate_hz < 1 or track.channels < 1:
            continue
        heard = add_sound(target, kind, track)
        tracks.append(sound_packets(heard, track, place, pieces, silent))
    if captions and captions.cues:
        texts = add_captions(target, kind, captions)
        tracks.append(caption_packets(texts, kind, captions, length))
    reached = 0
    for packet in merge(*tracks, key=_decode_time):
        if progress and packet.stream is pictures:
            at = pts_to_ns(packet.pts or 0, Fraction(packet.time_base))
            reached = max(reached, at)
            progress(min(reached / length, 1.0))
        target.mux(packet)


def require_frames(path: Path, pieces: Iterable[Stretch], out: Path) -> None:
    """Raise MediaError unless the file at ``path``, to be ``out``, stores exactly the frames of
    ``pieces``, none of them hidden."""
    wanted = sum(piece.last - piece.first for piece in pieces)
    stored = hidden = 0
    with opened(path) as container:
        for packet in container.demux(video_stream(container, path)):
            stored += packet.size > 0
            hidden += packet.size > 0 and packet.is_discard
    if hidden or stored != wanted:
        raise MediaError(
            str(out),
            f"the clip came out with {stored} pictures, {hidden} of them hidden, in place of "
            f"{wanted}; this is a fault of vidseg",
        )


def _decode_time(packet: av.Packet[Any]) -> Fraction:
    return (packet.dts or 0) * Fraction(packet.time_base)
