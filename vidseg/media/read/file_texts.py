"""Every text that a media file carries openly: metadata, chapter titles, captions."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from vidseg.media.read import facts
from vidseg.media.read.opening import opened

_MARKUP = re.compile(rb"\{\\[^}]*\}|<[^>]*>")


@dataclass(frozen=True, slots=True)
class FileText:
    """One text and where it stands in the file."""

    kind: Literal["metadata", "chapter", "caption"]
    where: str
    text: str


def file_texts(path: Path) -> Iterator[FileText]:
    """Give the texts in ``path``; of its packets only those of captions are read.

    Raises MediaError for a file that cannot be opened.
    """
    with opened(path) as container:
        for place, key, value in facts.tags(container):
            kind: Literal["metadata", "chapter"] = (
                "chapter" if place.startswith("chapter") else "metadata"
            )
            yield FileText(kind, f"{key} of {place}", value)
        streams = [s for s in container.streams if s.type == "subtitle"]
        for stream in streams:
            header = bytes(stream.codec_context.extradata or b"") if stream.codec_context else b""
            yield FileText("metadata", f"head of caption stream {stream.index}", _text(header))
        if streams:
            for packet in container.demux(streams):
                if packet.size:
                    where = f"caption stream {packet.stream.index}"
                    yield FileText("caption", where, _text(_MARKUP.sub(b" ", bytes(packet))))


def _text(raw: bytes) -> str:
    """Decode a caption's packet: what is no text becomes a space (timed text begins with a length,
    and may end with boxes of styles)."""
    text = raw.decode("utf-8", errors="ignore")
    return "".join(letter if letter.isprintable() or letter == "\n" else " " for letter in text)
