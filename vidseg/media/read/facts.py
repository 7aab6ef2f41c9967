"""What a container says beside its pictures: sound, captions, chapters, metadata."""

from __future__ import annotations

from fractions import Fraction

from av.container import InputContainer
from av.video.stream import VideoStream

from vidseg.model.clock import NS, pts_to_ns
from vidseg.model.recording import AudioTrack, CaptionTrack, Chapter
from vidseg.model.span import Span


def audio_tracks(
    container: InputContainer, seen: dict[int, tuple[int, int]], zero: int
) -> tuple[AudioTrack, ...]:
    """Give the sound streams; ``seen`` holds first and end timestamp by stream index.

    ``zero`` is the first displayed frame's time on the container's clock, in ns.
    """
    tracks = []
    for stream in container.streams.audio:
        base = stream.time_base or Fraction(1)
        start = end = 0
        if stream.index in seen:
            first, last = seen[stream.index]
            if stream.start_time is not None:  # the encoder's priming, before it, is not heard
                first = max(first, stream.start_time)
            start, end = pts_to_ns(first, base) - zero, pts_to_ns(last, base) - zero
        context = stream.codec_context
        tracks.append(
            AudioTrack(
                index=stream.index,
                codec=context.name if context else "unknown",
                rate_hz=context.sample_rate if context else 0,
                channels=context.channels if context else 0,
                language=_language(stream.metadata),
                start_ns=start,
                length_ns=end - start,
            )
        )
    return tuple(tracks)


def caption_tracks(container: InputContainer) -> tuple[CaptionTrack, ...]:
    """Give the subtitle streams."""
    return tuple(
        CaptionTrack(
            stream.index,
            stream.codec_context.name if stream.codec_context else "unknown",
            _language(stream.metadata),
        )
        for stream in container.streams.subtitles
    )


def chapters(container: InputContainer, zero: int) -> tuple[Chapter, ...]:
    """Give the chapters relative to ``zero`` (ns); what lies before the first frame is cut."""
    found = []
    for chapter in container.chapters():
        base = chapter["time_base"] or Fraction(1, NS)
        start = max(0, pts_to_ns(int(chapter["start"]), base) - zero)
        end = pts_to_ns(int(chapter["end"]), base) - zero
        if end > start:
            found.append(Chapter(Span(start, end), str(chapter["metadata"].get("title", ""))))
    return tuple(found)


def tags(container: InputContainer) -> tuple[tuple[str, str, str], ...]:
    """Give all metadata as (place, key, value): the file's, each stream's, each chapter's."""
    found = [("file", key, value) for key, value in container.metadata.items()]
    for stream in container.streams:
        place = f"{stream.type} stream {stream.index}"
        found += [(place, key, value) for key, value in stream.metadata.items()]
    for number, chapter in enumerate(container.chapters(), start=1):
        found += [(f"chapter {number}", key, value) for key, value in chapter["metadata"].items()]
    return tuple((place, str(key), str(value)) for place, key, value in found)


def timecode(container: InputContainer, video: VideoStream) -> str | None:
    """Give the start timecode: the picture stream's, else a data stream's, else the file's."""
    places = [video.metadata, *(s.metadata for s in container.streams), container.metadata]
    for place in places:
        for key, value in place.items():
            if key.lower() == "timecode" and value.strip():
                return str(value).strip()
    return None


def _language(metadata: dict[str, str]) -> str:
    language = metadata.get("language", "")
    return "" if language == "und" else language
