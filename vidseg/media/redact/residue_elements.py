"""The strict reader of Matroska: every element against an allow-list.

Sources: RFC 8794, 11 (elements of EBML), RFC 9559, 5 (elements of Matroska) and 10 (blocks). Tests
read the files with other programs.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Generator, Iterator
from mmap import mmap

from vidseg.media.redact.residue_streams import strange_header, strange_sample, strange_text
from vidseg.media.write.captions_track import is_language
from vidseg.media.write.target import NEUTRAL_PROGRAM

_MASTERS = frozenset({
    0x1A45DFA3, 0x18538067, 0x114D9B74, 0x4DBB, 0x1549A966, 0x1654AE6B, 0xAE, 0xE0, 0xE1, 0x55B0,
    0x55D0, 0x7670, 0x1C53BB6B, 0xBB, 0xB7, 0x1043A770, 0x45B9, 0xB6, 0x80, 0x1254C367, 0x7373,
    0x63C0, 0x67C8, 0x1F43B675, 0xA0,
})  # fmt: skip
"""Header, segment, seek head, information, tracks (video, audio, colour, projection), cues,
chapters, tags, clusters, block groups."""

_NUMBERS = frozenset({
    0x4286, 0x42F7, 0x42F2, 0x42F3, 0x4287, 0x4285, 0x53AC, 0x2AD7B1, 0x4489, 0xD7, 0x83, 0x9C,
    0x88, 0xB9, 0x55AA, 0x23E383, 0x55EE, 0x56AA, 0x56BB, 0xB0, 0xBA, 0x54B0, 0x54BA, 0x54B2,
    0x9A, 0x9D, 0x53B8, 0x9F, 0xB5, 0x78B5, 0x6264, 0xB3, 0xF7, 0xF1, 0xF0, 0xB2, 0x5378, 0x45DB,
    0x45BD, 0x45DD, 0x91, 0x92, 0x98, 0x4598, 0x68CA, 0xE7, 0xA7, 0xAB, 0x9B, 0xFB, 0x75A2, 0x4484,
    0x7671, 0x7673, 0x7674, 0x7675, *range(0x55B1, 0x55BE), *range(0x55D1, 0x55DB), 0x6DE7, 0x6DF8,
})  # fmt: skip
"""Elements that hold one number of at most eight bytes."""

_UIDS = frozenset({0x73C5, 0x73C4, 0x45BC, 0x63C5, 0x63C4})
"""Numbers of tracks and chapters: counted from 1 on in our copies, else drawn by chance."""

_CODECS = {b"V_MPEG4/ISO/AVC": "h264", b"V_MPEGH/ISO/HEVC": "hevc", b"A_AAC": "aac",
           b"S_TEXT/UTF8": "plain"}  # fmt: skip
_NAMES = {
    0x4461: "a date", 0x7BA9: "a title", 0x536E: "a track name", 0x258688: "a codec name",
    0x1941A469: "attachments", 0x73A4: "a segment number", 0x7384: "a file name",
    0x7672: "projection data",
}  # fmt: skip


class _Elements:
    def __init__(self, data: mmap, texts: Collection[str] | None) -> None:
        self.data, self.texts = data, texts
        self.codecs: dict[int, str] = {}
        self.track = 0

    def walk(self, at: int, end: int) -> Iterator[str]:
        while at < end:
            number, body, following = self._head(at, end)
            if number in _MASTERS:
                yield from self.walk(body, following)
            elif number in (0xA3, 0xA1):
                yield from self._block(body, following)
            else:
                yield from self._leaf(number, self.data[body:following])
            at = following

    def _head(self, at: int, end: int) -> tuple[int, int, int]:
        """Give an element's number, and where its body starts and ends. Raises ValueError."""
        first = self.data[at]
        width = 9 - first.bit_length()
        if width > 4:
            raise ValueError(f"no element at byte {at}")
        number = int.from_bytes(self.data[at : at + width], "big")
        at += width
        first = self.data[at]
        width = 9 - first.bit_length()
        size = int.from_bytes(self.data[at : at + width], "big") & ((1 << 7 * width) - 1)
        at += width
        if width > 8 or size == (1 << 7 * width) - 1 or at + size > end:
            raise ValueError(f"an element of unknown length at byte {at}")
        return number, at, at + size

    def _leaf(self, number: int, body: bytes) -> Iterator[str]:
        if number in _NUMBERS:
            if len(body) > 8:
                yield f"{len(body)} bytes in the number {number:X}"
            if number == 0xD7:
                self.track = int.from_bytes(body, "big")
        elif number in _UIDS:
            if int.from_bytes(body, "big") > 0xFFFF:
                yield "a number drawn by chance for a track or chapter"
        elif number == 0xEC:
            if any(body):
                yield "padding with content"
        elif number == 0xBF:
            if len(body) != 4:
                yield "bytes in a check sum"
        elif number == 0x86:
            codec = _CODECS.get(body)
            if codec is None:
                yield f"the codec {body.decode('latin-1')}"
            self.codecs[self.track] = codec or ""
        elif number == 0x63A2:
            codec = self.codecs.get(self.track, "")
            if codec in ("h264", "hevc", "aac"):
                yield from strange_header(codec, body)
            else:
                yield "a decoder header"
        elif number == 0x53AB:
            if int.from_bytes(body, "big") not in _MASTERS:
                yield "a pointer to an element that is not known"
        else:
            yield from self._word(number, body)

    def _word(self, number: int, body: bytes) -> Iterator[str]:
        text = body.rstrip(b"\0").decode("utf-8", "replace")
        if number == 0x85:
            yield from strange_text(body, self.texts)
        elif number in (0x4D80, 0x5741):
            if text != NEUTRAL_PROGRAM:
                yield f"the program {text!r}"
        elif number in (0x22B59C, 0x437C, 0x447A):
            if not is_language(text):
                yield f"the language {text!r}"
        elif number == 0x4282:
            if text != "matroska":
                yield f"the document type {text!r}"
        elif number == 0x45A3:
            if text != "DURATION":
                yield f"a tag {text!r}"
        elif number == 0x4487:
            if not re.fullmatch(r"\d\d:\d\d:\d\d\.\d{9}", text):
                yield f"the tag value {text!r}"
        else:
            yield _NAMES.get(number, f"an element {number:X}")

    def _block(self, at: int, end: int) -> Iterator[str]:
        first = self.data[at]
        width = 9 - first.bit_length()
        track = int.from_bytes(self.data[at : at + width], "big") & ((1 << 7 * width) - 1)
        if self.data[at + width + 2] & 0x06:
            raise ValueError("blocks that share a frame")
        yield from strange_sample(
            self.codecs.get(track, ""), self.data[at + width + 3 : end], self.texts
        )


def strange_elements(data: mmap, texts: Collection[str] | None) -> Generator[str]:
    """Name all in a Matroska file that a copy fit to share does not hold."""
    yield from _Elements(data, texts).walk(0, len(data))
