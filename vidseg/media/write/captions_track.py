"""Captions as a text track inside a video file: timed text, SubRip or WebVTT packets."""

from __future__ import annotations

import html
from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from typing import Any

import av
import av.container
import av.subtitles.codeccontext
from av.stream import Stream

from vidseg.model.clock import ns_to_pts
from vidseg.model.recording import Captions

_CODECS = {"mp4": "mov_text", "mov": "mov_text", "matroska": "subrip", "webm": "webvtt"}

_TIME_BASE = Fraction(1, 90_000)

_SCRIPT_HEADER = (
    b"[Script Info]\nScriptType: v4.00+\n\n[V4+ Styles]\n"
    b"Format: Name, Fontname, Fontsize, PrimaryColour, SecondaryColour, OutlineColour, "
    b"BackColour, Bold, Italic, Underline, StrikeOut, ScaleX, ScaleY, Spacing, Angle, "
    b"BorderStyle, Outline, Shadow, Alignment, MarginL, MarginR, MarginV, Encoding\n"
    b"Style: Default,Arial,16,&Hffffff,&Hffffff,&H0,&H0,0,0,0,0,100,100,0,0,1,1,0,2,10,10,10,1\n"
    b"\n[Events]\nFormat: Layer, Start, End, Style, Name, MarginL, MarginR, MarginV, Effect, Text\n"
)
"""What FFmpeg's timed-text encoder wants to know before it describes the track."""

_ISO_639_2 = {
    "ar": "ara", "bg": "bul", "bn": "ben", "cs": "ces", "da": "dan", "de": "deu", "el": "ell",
    "en": "eng", "es": "spa", "et": "est", "fa": "fas", "fi": "fin", "fr": "fra", "he": "heb",
    "hi": "hin", "hr": "hrv", "hu": "hun", "id": "ind", "it": "ita", "ja": "jpn", "ko": "kor",
    "lt": "lit", "lv": "lav", "mr": "mar", "ms": "msa", "nb": "nob", "nl": "nld", "no": "nor",
    "pl": "pol", "pt": "por", "ro": "ron", "ru": "rus", "sk": "slk", "sl": "slv", "sr": "srp",
    "sv": "swe", "ta": "tam", "te": "tel", "th": "tha", "tr": "tur", "uk": "ukr", "ur": "urd",
    "vi": "vie", "zh": "zho",
}  # fmt: skip


_QUICKTIME = {
    "deu": "ger", "ell": "gre", "nld": "dut", "nob": "nor", "swe": "sve", "zho": "chi",
}  # fmt: skip
"""Codes FFmpeg's MOV writer knows under another spelling (found by trying each)."""


def track_language(tag: str, kind: str) -> str:
    """Turn a language tag (``en``, ``en-GB``, ``eng``) into the code that ``kind`` holds.

    Source: ISO 639-2/T (from memory). Unknown two-letter tags come back as they are; MOV holds
    only the languages of its old list, and the writer leaves others out.
    """
    primary = tag.strip().replace("_", "-").split("-")[0].lower()
    code = _ISO_639_2.get(primary, primary)
    return _QUICKTIME.get(code, code) if kind == "mov" else code


def is_language(code: str) -> bool:
    """Say whether ``code`` names a language known here (or none: ``und``), not some other word."""
    known = {*_ISO_639_2, *_ISO_639_2.values(), *_QUICKTIME.values(), "und"}
    return code.strip().replace("_", "-").split("-")[0].lower() in known


def add_captions(target: av.container.OutputContainer, kind: str, captions: Captions) -> Stream:
    """Add a text track for ``captions`` to a file of container ``kind``; call before muxing."""
    codec = _CODECS[kind]
    stream: Stream
    if codec == "mov_text":
        stream = target.add_stream("mov_text")
        context = stream.codec_context
        assert isinstance(context, av.subtitles.codeccontext.SubtitleCodecContext)
        context.subtitle_header = _SCRIPT_HEADER
        context.time_base = _TIME_BASE
    else:
        stream = target.add_mux_stream(codec)
    stream.time_base = _TIME_BASE
    if captions.language:
        stream.metadata["language"] = track_language(captions.language, kind)
    return stream


def caption_packets(
    stream: Stream, kind: str, captions: Captions, length: int
) -> Iterator[av.Packet[Any]]:
    """Yield the packets of ``captions`` in time order, cut to ``[0, length)`` ns.

    Timed text (MP4, MOV) cannot overlap and cannot pause: overlapping captions are shown
    together, one under the other, and pauses are empty samples.
    """
    timed_text = _CODECS[kind] == "mov_text"
    for start, end, text in _pieces(captions, length) if timed_text else _cues(captions, length):
        payload = (html.escape(text, quote=False) if kind == "webm" else text).encode()
        if timed_text:
            payload = len(payload).to_bytes(2, "big") + payload
        packet = av.Packet(payload)
        packet.stream = stream
        packet.time_base = _TIME_BASE
        packet.pts = packet.dts = ns_to_pts(start, _TIME_BASE)
        packet.duration = ns_to_pts(end, _TIME_BASE) - packet.pts
        packet.is_keyframe = True
        yield packet


def _cues(captions: Captions, length: int) -> Iterator[tuple[int, int, str]]:
    for cue in sorted(captions.cues, key=lambda cue: cue.span):
        start, end = max(cue.span.start, 0), min(cue.span.end, length)
        if end > start and cue.text.strip():
            yield start, end, cue.text


def _pieces(captions: Captions, length: int) -> Iterator[tuple[int, int, str]]:
    """Yield (start, end, text) that tile ``[0, end of the last cue)``, text "" in pauses."""
    cues = list(_cues(captions, length))
    edges = sorted({0, *(edge for start, end, _ in cues for edge in (start, end))})
    running: list[tuple[int, int, str]] = []
    upcoming = iter(cues)
    following = next(upcoming, None)
    for start, end in pairwise(edges):
        running = [cue for cue in running if cue[1] > start]
        while following is not None and following[0] <= start:
            running.append(following)
            following = next(upcoming, None)
        yield start, end, "\n".join(text for _, _, text in running)
