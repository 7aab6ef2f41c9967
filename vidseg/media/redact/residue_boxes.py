"""The strict reader of MP4 and MOV: every box, every byte of it, against an allow-list.

Sources: ISO/IEC 14496-12, 4.2 and 4.3 (boxes, ftyp), 8.1 to 8.4 (mdat, moov, trak, mdia), 8.5 to
8.7 (sample tables, edit lists, places), 8.9 (sample groups), 8.10 and 8.11 (udta, meta), 12.1
(pasp, colr); ISO/IEC 14496-15, 5.4 and 8.4 (entries of H.264 and HEVC); from memory ISO/IEC
14496-14 (mp4a, esds) and Apple's QuickTime File Format (text tracks). Tests read the files with
other programs.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Generator, Iterator
from dataclasses import dataclass, field
from mmap import mmap
from struct import unpack

from vidseg.media.redact.residue_streams import strange_header, strange_sample, strange_text
from vidseg.media.write.target import NO_STEP

_ENTRIES = {"avc1": "h264", "hvc1": "hevc", "hev1": "hevc", "mp4a": "aac", "text": "text",
            "tx3g": "text"}  # fmt: skip
_INSIDE: dict[str, tuple[str, ...]] = {
    "": ("ftyp", "moov", "mdat", "free", "wide"),
    "moov": ("mvhd", "trak", "udta"),
    "trak": ("tkhd", "edts", "tref", "mdia"),
    "edts": ("elst",),
    "tref": ("chap",),
    "mdia": ("mdhd", "hdlr", "minf"),
    "minf": ("vmhd", "smhd", "nmhd", "gmhd", "hdlr", "dinf", "stbl"),
    "gmhd": ("gmin", "text"),
    "dinf": ("dref",),
    "dref": ("url ",),
    "stbl": ("stsd", "stts", "ctts", "stss", "stsc", "stsz", "stco", "co64", "sgpd", "sbgp"),
    "stsd": tuple(_ENTRIES),
    "avc1": ("avcC", "colr", "pasp", "btrt", "fiel", "mdcv", "clli"),
    "mp4a": ("esds", "btrt", "chan", "wave"),
    "wave": ("frma", "mp4a", "esds", "\0\0\0\0"),
    "udta": ("chpl", "meta"),
    "meta": ("hdlr", "ilst"),
}
_INSIDE |= {"hvc1": ("hvcC", *_INSIDE["avc1"][1:]), "hev1": ("hvcC", *_INSIDE["avc1"][1:])}
_BEFORE_CHILDREN = {"dref": 8, "stsd": 8, "avc1": 78, "hvc1": 78, "hev1": 78, "mp4a": 28, "meta": 4}
_SIZES = {
    "free": (0,), "wide": (0,), "ilst": (0,), "vmhd": (12,), "smhd": (8,), "nmhd": (4,),
    "gmin": (16,), "pasp": (8,), "btrt": (12,), "fiel": (2,), "mdcv": (24,), "clli": (4,),
    "url ": (4,), "frma": (4,), "\0\0\0\0": (0,), "chan": (16,), "sgpd": (18,), "sbgp": (20,),
    "chap": (4, 8),
}  # fmt: skip
_ROWS = {"stts": (8, 8), "ctts": (8, 8), "stss": (8, 4), "stsc": (8, 12), "stco": (8, 4),
         "co64": (8, 8)}  # fmt: skip
_HANDLERS = (b"", b"VideoHandler", b"SoundHandler", b"SubtitleHandler", b"DataHandler")
_BRANDS = (b"isom", b"iso2", b"iso4", b"iso5", b"iso6", b"avc1", b"mp41", b"mp42", b"hvc1", b"qt  ")
_VERSIONS = (b"\0\0\2\0", b"\0\0\0\0")
_PLAIN_WORDS = (b"ftab", b"Arial", b"btrt")
_MOST_PRIMING = 4096
"""Samples of AAC before its sound begins; no encoder's own delay is longer."""


@dataclass(slots=True)
class _Track:
    codec: str = ""
    scale: int = 1
    tables: dict[str, bytes] = field(default_factory=dict)
    edits: bytes = b""


class _Boxes:
    def __init__(self, data: mmap, texts: Collection[str] | None) -> None:
        self.data = data
        self.texts = texts if texts is None else {*texts, NO_STEP}
        self.tracks: list[_Track] = []
        self.pools: list[tuple[int, int]] = []
        self.scale = 1

    def walk(self, parent: str, at: int, end: int) -> Iterator[str]:
        while at < end:
            if end - at < 8:
                yield f"{end - at} bytes behind the boxes of {parent or 'the file'}"
                return
            size, head = int.from_bytes(self.data[at : at + 4], "big"), 8
            kind = self.data[at + 4 : at + 8].decode("latin-1")
            if size == 1:
                size, head = int.from_bytes(self.data[at + 8 : at + 16], "big"), 16
            if size < head or at + size > end:
                yield f"bytes in {parent or 'the file'} that are no box"
                return
            if kind not in _INSIDE[parent]:
                yield f"a box {kind!r} in {parent or 'the file'}"
            else:
                yield from self._box(kind, parent, at + head, at + size)
            at += size

    def _box(self, kind: str, parent: str, at: int, end: int) -> Iterator[str]:
        if kind == "mdat":
            self.pools.append((at, end))
            return
        if kind == "trak":
            self.tracks.append(_Track())
        if kind == "mp4a" and parent == "wave":
            if end - at != 4:
                yield "bytes in a box 'mp4a'"
            return
        fixed = _BEFORE_CHILDREN.get(kind, 0)
        if kind == "mp4a" and self.data[at + 8 : at + 10] == b"\0\1":
            fixed += 16
        if kind in _INSIDE and not (kind == "text" or parent == "gmhd"):
            yield from self._fixed_part(kind, self.data[at : at + fixed])
            yield from self.walk(kind, at + fixed, end)
            return
        yield from self._leaf(kind, parent, self.data[at:end])

    def _fixed_part(self, kind: str, head: bytes) -> Iterator[str]:
        if kind in _ENTRIES:
            self.tracks[-1].codec = _ENTRIES[kind]
            if any(head[:6]) or head[12:16] not in (b"\0\0\0\0", b"FFMP"):
                yield f"a name or bytes in {kind!r}"
            if kind != "mp4a" and any(head[42:74]):
                yield f"the program {_printable(head[43:74])!r} in {kind!r}"

    def _leaf(self, kind: str, parent: str, body: bytes) -> Iterator[str]:
        if kind in _SIZES and len(body) not in _SIZES[kind]:
            yield f"{len(body)} bytes in a box {kind!r}"
        elif kind in _ROWS:
            head, row = _ROWS[kind]
            if len(body) != head + row * int.from_bytes(body[4:8], "big"):
                yield f"bytes behind the rows of {kind!r}"
            elif self.tracks:
                self.tracks[-1].tables[kind] = body
        elif kind == "stsz":
            rows = 0 if any(body[4:8]) else int.from_bytes(body[8:12], "big")
            if len(body) != 12 + 4 * rows:
                yield "bytes behind the rows of 'stsz'"
            elif self.tracks:
                self.tracks[-1].tables[kind] = body
        elif parent in ("stsd", "gmhd"):
            yield from self._text_entry(kind, parent, body)
        elif kind in _LEAVES:
            yield from _LEAVES[kind](self, body)

    def _text_entry(self, kind: str, parent: str, body: bytes) -> Iterator[str]:
        if parent == "stsd":
            self.tracks[-1].codec = "text"
        words = re.findall(rb"[\x20-\x7e]{4,}", body)
        if len(body) > 120 or any(word.strip(b"\0") not in _PLAIN_WORDS for word in words):
            yield f"bytes in a text description {kind!r}"

    def _ftyp(self, body: bytes) -> Iterator[str]:
        brands = [body[:4], *(body[at : at + 4] for at in range(8, len(body), 4))]
        if any(brand not in _BRANDS for brand in brands) or body[4:8] not in _VERSIONS:
            yield "a strange brand of the file"

    def _movie(self, body: bytes) -> Iterator[str]:
        yield from _times("mvhd", body)
        long = body[0] == 1
        if len(body) != (112 if long else 100):
            yield "bytes in 'mvhd'"
        self.scale = int.from_bytes(body[20:24] if long else body[12:16], "big")
        if any(body[-74:-64]) or any(body[-28:-4]):
            yield "bytes in unused fields of 'mvhd'"

    def _track(self, body: bytes) -> Iterator[str]:
        yield from _times("tkhd", body)
        if len(body) != (96 if body[0] == 1 else 84) or any(body[-60:-52]):
            yield "bytes in unused fields of 'tkhd'"

    def _media(self, body: bytes) -> Iterator[str]:
        yield from _times("mdhd", body)
        long = body[0] == 1
        if len(body) != (36 if long else 24) or any(body[-2:]):
            yield "bytes in unused fields of 'mdhd'"
        self.tracks[-1].scale = int.from_bytes(body[20:24] if long else body[12:16], "big")

    def _handler(self, body: bytes) -> Iterator[str]:
        name = body[24:].rstrip(b"\0")
        if name[:1] and name[0] == len(name) - 1:
            name = name[1:]
        if name not in _HANDLERS or body[12:16] not in (b"\0" * 4, b"appl") or any(body[16:24]):
            yield f"the handler name {_printable(name)!r}"

    def _edit(self, body: bytes) -> Iterator[str]:
        self.tracks[-1].edits = body
        row = 20 if body[0] == 1 else 12
        if int.from_bytes(body[4:8], "big") != 1 or len(body) != 8 + row:
            yield "an edit list with several edits"
            self.tracks[-1].edits = b""

    def _colour(self, body: bytes) -> Iterator[str]:
        if body[:4] not in (b"nclx", b"nclc") or len(body) > 11:
            yield "a colour profile"

    def _sound_header(self, body: bytes) -> Iterator[str]:
        at, header = 4, b""
        for tag, fixed in ((3, 3), (4, 13), (5, None)):
            if body[at] != tag:
                yield "a strange decoder header of the sound"
                return
            at += 1
            size = 0
            while body[at] & 128:
                size, at = size << 7 | body[at] & 127, at + 1
            size, at = size << 7 | body[at], at + 1
            header = body[at : at + size]
            at += fixed if fixed is not None else size
        yield from strange_header("aac", header)
        if body[at:].replace(b"\x80", b"") != b"\x06\x01\x02":
            yield "bytes behind the decoder header of the sound"

    def _picture_header(self, body: bytes) -> Iterator[str]:
        yield from strange_header(self.tracks[-1].codec, body)

    def _chapters(self, body: bytes) -> Iterator[str]:
        at = 9
        for _ in range(body[8]):
            size = body[at + 8]
            text = body[at + 9 : at + 9 + size]
            if self.texts is not None and not any(
                known.encode()[:255] == text for known in self.texts
            ):
                yield from strange_text(text, self.texts)
            at += 9 + size
        if at != len(body):
            yield "bytes behind the chapters"

    def samples(self) -> Iterator[str]:
        """Judge every sample, and every byte of the pools that is none."""
        used: list[tuple[int, int]] = []
        for track in self.tracks:
            try:
                extents = list(_extents(track.tables, len(self.data)))
                hidden = list(self._hidden(track))
            except (ValueError, IndexError):
                yield "tables of samples that do not fit each other"
                continue
            for at, size in extents:
                used.append((at, at + size))
                yield from strange_sample(track.codec, self.data[at : at + size], self.texts)
            yield from hidden
        used.sort()
        place = 0
        for start, end in self.pools:
            reached = start
            while place < len(used) and used[place][0] < end:
                if used[place][0] > reached:
                    yield f"{used[place][0] - reached} bytes that no sample refers to"
                reached = max(reached, used[place][1])
                place += 1
            if reached < end:
                yield f"{end - reached} bytes that no sample refers to"

    def _hidden(self, track: _Track) -> Iterator[str]:
        """Name what an edit list hides."""
        if not track.edits or "stts" not in track.tables:
            return
        length, start = unpack(">Qq" if track.edits[0] == 1 else ">Ii", track.edits[8:-4])
        times = _shown(track.tables)
        if not times:
            return
        end = start + length * track.scale / self.scale
        if track.codec == "aac":
            if start > _MOST_PRIMING:
                yield "an edit list that hides sound"
        elif start > min(times) or end < max(times):
            yield "an edit list that hides pictures or text"


_LEAVES: dict[str, Callable[[_Boxes, bytes], Iterator[str]]] = {
    "ftyp": _Boxes._ftyp, "mvhd": _Boxes._movie, "tkhd": _Boxes._track, "mdhd": _Boxes._media,
    "hdlr": _Boxes._handler, "elst": _Boxes._edit, "colr": _Boxes._colour,
    "esds": _Boxes._sound_header, "avcC": _Boxes._picture_header, "hvcC": _Boxes._picture_header,
    "chpl": _Boxes._chapters,
}  # fmt: skip


def strange_boxes(data: mmap, texts: Collection[str] | None) -> Generator[str]:
    """Name all in an MP4 or MOV file that a copy fit to share does not hold."""
    boxes = _Boxes(data, texts)
    yield from boxes.walk("", 0, len(data))
    yield from boxes.samples()


def _printable(name: bytes) -> str:
    return name.strip(b"\0").decode("utf-8", "replace")


def _times(kind: str, body: bytes) -> Iterator[str]:
    if any(body[4 : 20 if body[0] == 1 else 12]):
        yield f"a time of creation or change in {kind!r}"


def _rows(body: bytes, row: int) -> Iterator[tuple[int, ...]]:
    for at in range(8, len(body), 4 * row):
        yield unpack(f">{row}I", body[at : at + 4 * row])


def _extents(tables: dict[str, bytes], most: int) -> Iterator[tuple[int, int]]:
    """Yield (position, size) of every sample, in file order of the track.

    Raises ValueError or IndexError where the tables do not fit each other, or a file of ``most``
    bytes.
    """
    sizes = tables.get("stsz", b"\0" * 12)
    same, count = unpack(">II", sizes[4:12])
    if same * count > most:
        raise ValueError("more samples than the file has bytes")
    every = [same] * count if same else list(unpack(f">{count}I", sizes[12:]))
    if "co64" in tables:
        places = [at for (at,) in _wide(tables["co64"])]
    else:
        places = [at for (at,) in _rows(tables.get("stco", b"\0" * 8), 1)]
    runs = list(_rows(tables.get("stsc", b"\0" * 8), 3))
    sample, run = 0, 0
    for chunk, at in enumerate(places, start=1):
        while run + 1 < len(runs) and runs[run + 1][0] <= chunk:
            run += 1
        for _ in range(runs[run][1]):
            yield at, every[sample]
            at += every[sample]
            sample += 1
    if sample != count:
        raise ValueError("samples without a place")


def _wide(body: bytes) -> Iterator[tuple[int]]:
    for at in range(8, len(body), 8):
        yield (int.from_bytes(body[at : at + 8], "big"),)


def _shown(tables: dict[str, bytes]) -> list[int]:
    """Give when each sample is shown, in units of the track. Raises ValueError where the tables
    speak of other samples."""
    stored = int.from_bytes(tables.get("stsz", b"\0" * 12)[8:12], "big")
    for name in ("stts", "ctts"):
        if name in tables and sum(count for count, _ in _rows(tables[name], 2)) != stored:
            raise ValueError(f"{name} speaks of other samples")
    decoded: list[int] = []
    at = 0
    for count, step in _rows(tables["stts"], 2):
        decoded += range(at, at + count * step, step) if step else [at] * count
        at += count * step
    if "ctts" not in tables:
        return decoded
    delays: list[int] = []
    for count, delay in _rows(tables["ctts"], 2):
        delays += [delay - (1 << 32) if delay >> 31 else delay] * count
    return [a + b for a, b in zip(decoded, delays, strict=True)]
