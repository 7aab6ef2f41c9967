"""The chaptered recording: packets copied, never re-encoded; parts joined; chapters replaced.

Kept: every picture, sound and caption track with its payload, rotation, pixel shape,
dispositions and language. Not copied: old chapters, time-code and other data tracks,
attachments, cover pictures, and all metadata (creation time, device, location, titles). What
a camera wrote inside the coded pictures (user data) stays: payloads are not touched.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.container
from av.stream import Disposition, Stream

from vidseg.disk.atomic_write import written_aside
from vidseg.media.read.opening import opened
from vidseg.media.read.reader import packets
from vidseg.media.write.captions_track import add_captions, caption_packets, track_language
from vidseg.media.write.packet_copy import (
    Copier,
    PictureCopier,
    RankedCopier,
    SoundCopier,
    TextCopier,
    display_ranks,
)
from vidseg.media.write.target import (
    CONTAINERS,
    EDIT_LIST_CONTAINERS,
    container_of,
    errors_of,
    fitting_chapters,
    open_target,
    refuse_own_sources,
    set_chapters,
)
from vidseg.model.clock import format_seconds, pts_to_ns
from vidseg.model.problem import MediaError
from vidseg.model.progress import Progress
from vidseg.model.recording import Captions, Chapter, Part, Recording

_SELF_DESCRIBING = ("mpeg1video", "mpeg2video", "mjpeg")
"""Codecs whose packets carry all that their decoder needs, so that headers may differ."""


def chaptered_suffix(part: Part) -> str:
    """Give the suffix for a chaptered copy: kept where it can hold chapters, else ``.mkv``.

    MP4, MOV, MKV and WebM keep theirs (``.m4v`` becomes ``.mp4``); AVI, transport and program
    streams and all others have no chapters, so the caller says that the copy is Matroska.
    """
    suffix = part.path.suffix.lower()
    if suffix in CONTAINERS:
        return suffix
    return ".mp4" if suffix == ".m4v" else ".mkv"


def remux(
    recording: Recording,
    out: Path,
    chapters: Sequence[Chapter],
    captions: Captions | None = None,
    progress: Progress | None = None,
) -> tuple[str, ...]:
    """Copy ``recording`` to ``out`` (.mp4 .mov .mkv .webm) with ``chapters``, times in case time.

    The first displayed frame is at 0. Parts are joined by copying, each at its own place on
    the case clock; ``captions`` become one more text track. Returns sentences on all that the
    copy could not hold or left out. Raises MediaError where an exact copy cannot be made, for
    parts that differ, and for files that cannot be read or written; UsageError for two
    chapters with one start. Nothing is left behind on failure or Ctrl-C.
    """
    kind = container_of(out)
    refuse_own_sources(recording.parts, out)
    for part in recording.parts:
        if part.skipped:
            raise MediaError(
                str(part.path),
                f"its first {part.skipped} frames repeat the part before and can be left out only "
                "by re-encoding",
            )
    fitted, notes = fitting_chapters(chapters, recording.length, kind)
    with written_aside(out) as aside, errors_of(out), open_target(aside, kind) as target:
        set_chapters(target, fitted)
        _Copy(recording, target, kind, captions, progress, notes).run()
    return tuple(notes)


@dataclass(slots=True)
class _Track:
    """One track written: its stream, the clock its packets are timed in, the last decode time."""

    stream: Stream
    time_base: Fraction
    likeness: tuple[tuple[str, object], ...]
    last_dts: int | None = None


class _Copy:
    def __init__(
        self,
        recording: Recording,
        target: av.container.OutputContainer,
        kind: str,
        captions: Captions | None,
        progress: Progress | None,
        notes: list[str],
    ) -> None:
        self.recording, self.target, self.kind = recording, target, kind
        self.captions, self.progress, self.notes = captions, progress, notes
        self.tracks: list[_Track] = []
        self.texts: Iterator[av.Packet[Any]] = iter(())
        self.text: av.Packet[Any] | None = None

    def run(self) -> None:
        for number, part in enumerate(self.recording.parts):
            with ExitStack() as stack:
                source = stack.enter_context(opened(part.path))
                streams = self._wanted(source, part, first=number == 0)
                if number == 0:
                    self._add_tracks(streams, part)
                else:
                    self._require_alike(streams, part)
                    self._note_hole(number)
                self._copy_part(source, streams, number)
        self._write_texts(None)
        if self.progress:
            self.progress(1.0)

    def _wanted(
        self, source: av.container.InputContainer, part: Part, *, first: bool
    ) -> list[Stream]:
        wanted: list[Stream] = []
        for stream in source.streams:
            if stream.type not in ("video", "audio", "subtitle") or not stream.codec_context:
                left = f"{stream.type} track (old chapters, time code, attachments and the like)"
            elif stream.disposition & Disposition.attached_pic:
                left = "cover picture"
            elif stream.type == "subtitle" and not self._holds(stream):
                left = f"caption track in {stream.codec_context.name}, which this container lacks"
            else:
                wanted.append(stream)
                continue
            if first:
                self.notes.append(f"{part.path.name}: not copied: {left}")
        if not any(stream.type == "video" for stream in wanted):
            raise MediaError(str(part.path), "it holds no picture track that can be copied")
        return wanted

    def _holds(self, stream: Stream) -> bool:
        return stream.codec_context.codec.canonical_name in {
            "mp4": ("mov_text",),
            "mov": ("mov_text",),
            "webm": ("webvtt",),
        }.get(self.kind, (stream.codec_context.codec.canonical_name,))

    def _add_tracks(self, streams: Sequence[Stream], part: Part) -> None:
        for stream in streams:
            if isinstance(stream, av.VideoStream) and not stream.codec_context.width:
                raise MediaError(
                    str(part.path),
                    "its tables name the picture stream too late for a copy to know its form; "
                    "re-encode the recording first",
                )
            try:
                track = self.target.add_stream_from_template(stream, opaque=True)
            except ValueError as error:
                advice = (
                    "re-encode the recording first"
                    if self.kind == "matroska"
                    else "give an output name that ends in .mkv"
                )
                raise MediaError(
                    str(part.path),
                    f"its {stream.type} is {stream.codec_context.name}, which this container "
                    f"cannot hold; {advice}",
                ) from error
            track.disposition = stream.disposition
            if stream.language:
                track.metadata["language"] = track_language(stream.language, self.kind)
            if stream.type == "video" and self._keeps_tag(part, stream.codec_context.codec_tag):
                track.codec_context.codec_tag = stream.codec_context.codec_tag
            base = Fraction(stream.time_base or part.time_base)
            self.tracks.append(_Track(track, base, _likeness(stream)))
        if self.captions and self.captions.cues:
            stream = add_captions(self.target, self.kind, self.captions)
            self.texts = caption_packets(stream, self.kind, self.captions, self.recording.length)
            self.text = next(self.texts, None)

    def _keeps_tag(self, part: Part, tag: str) -> bool:
        """Say whether the four letters that name the codec's flavour can go along.

        They tell apart the grades of ProRes, and where HEVC keeps its parameter sets.
        """
        if self.kind == "mov" and part.path.suffix.lower() == ".mov":
            return True
        return self.kind in EDIT_LIST_CONTAINERS and tag in ("hvc1", "hev1")

    def _require_alike(self, streams: Sequence[Stream], part: Part) -> None:
        first = self.recording.parts[0].path.name
        if len(streams) != len(self.tracks):
            raise MediaError(
                str(part.path),
                f"cannot be joined to {first} by copying: {len(self.tracks)} "
                f"tracks there, {len(streams)} here",
            )
        for number, (stream, track) in enumerate(zip(streams, self.tracks, strict=True)):
            for (fact, here), (_, there) in zip(_likeness(stream), track.likeness, strict=True):
                if here != there:
                    shown = (
                        "differs"
                        if isinstance(here, bytes) or isinstance(there, bytes)
                        else f"is {there} there, {here} here"
                    )
                    raise MediaError(
                        str(part.path),
                        f"cannot be joined to {first} by copying: {fact} of track {number} {shown}",
                    )

    def _note_hole(self, number: int) -> None:
        before, after = self.recording.parts[number - 1], self.recording.parts[number]
        hole = after.start - before.span.end
        if hole > 0:
            self.notes.append(
                f"nothing was recorded for {format_seconds(hole)} s before {after.path.name}: the "
                "copy stands still there, so that its times stay true"
            )

    def _copiers(self, streams: Sequence[Stream], number: int) -> dict[int, Copier]:
        part = self.recording.parts[number]
        copiers: dict[int, Copier] = {}
        for stream, track in zip(streams, self.tracks, strict=False):
            where = (part, stream, track.stream, track.time_base)
            if stream.type == "audio":
                copiers[stream.index] = SoundCopier(
                    *where,
                    self.kind,
                    joined_after=number > 0,
                    joined_before=number + 1 < len(self.recording.parts),
                )
            elif stream.type == "subtitle":
                copiers[stream.index] = TextCopier(*where)
            elif part.pts_order:
                copiers[stream.index] = PictureCopier(*where, self.kind)
            else:
                with errors_of(part.path):
                    ranks = display_ranks(part, stream.index)
                copiers[stream.index] = RankedCopier(*where, ranks)
        return copiers

    def _copy_part(
        self, source: av.container.InputContainer, streams: Sequence[Stream], number: int
    ) -> None:
        part = self.recording.parts[number]
        copiers = self._copiers(streams, number)
        tracks = {stream.index: track for stream, track in zip(streams, self.tracks, strict=False)}
        lead = next(stream.index for stream in streams if stream.type == "video")
        reached = 0
        for packet in packets(source, *streams):
            index = packet.stream_index
            if not packet.size:
                continue
            for ready in copiers[index].take(packet):
                self._write(tracks[index], ready, part)
                if index == lead and ready.pts is not None:
                    reached = max(reached, pts_to_ns(ready.pts, tracks[index].time_base))
                    self._write_texts(reached)
                    if self.progress:
                        self.progress(min(reached / self.recording.length, 1.0))
        for index, copier in copiers.items():
            for ready in copier.finish():
                self._write(tracks[index], ready, part)
            self.notes.extend(copier.notes)
        pictures = copiers[lead]
        assert isinstance(pictures, PictureCopier | RankedCopier)
        displayed = len(part.frame_ns)
        if pictures.copied < displayed:
            raise MediaError(
                str(part.path),
                f"only {pictures.copied} of its {displayed} pictures could be read",
            )
        if pictures.copied > displayed:
            self.notes.append(
                f"{part.path.name}: {pictures.copied} coded pictures were copied for "
                f"{displayed} displayed frames; some do not decode, or are stored as fields"
            )

    def _write(self, track: _Track, packet: av.Packet[Any], part: Part) -> None:
        if packet.dts is not None:
            if track.last_dts is not None and packet.dts <= track.last_dts:
                packet.dts = track.last_dts + 1
                if packet.pts is not None and packet.pts < packet.dts:
                    raise MediaError(
                        str(part.path),
                        "its pictures cannot be put in decode order with those "
                        "before; re-encode the recording first",
                    )
            track.last_dts = packet.dts
        self.target.mux(packet)

    def _write_texts(self, until: int | None) -> None:
        while self.text is not None:
            start = pts_to_ns(self.text.pts or 0, Fraction(self.text.time_base))
            if until is not None and start > until:
                return
            self.target.mux(self.text)
            self.text = next(self.texts, None)


def _likeness(stream: Stream) -> tuple[tuple[str, object], ...]:
    """Give the facts that must agree for packets of two files to share one track."""
    context = stream.codec_context
    facts: list[tuple[str, object]] = [
        ("kind", stream.type),
        ("codec", context.codec.canonical_name),
    ]
    if isinstance(context, av.VideoCodecContext):
        facts += [
            ("size", f"{context.width}x{context.height}"),
            ("pixel format", context.pix_fmt),
            ("profile", context.profile),
        ]
    elif isinstance(context, av.AudioCodecContext):
        facts += [("sample rate", context.sample_rate), ("channels", context.layout.name)]
    header = None if context.codec.canonical_name in _SELF_DESCRIBING else context.extradata
    return (*facts, ("decoder header", header))
