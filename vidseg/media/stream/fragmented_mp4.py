"""Fragmented MP4 for playing piece by piece: an initial segment, and fragments on the case clock.

The boxes are written here because every time must be exact. Decoding a picture is stated to last
as long as the picture is shown: so a fragment covers exactly its span, and browsers, which take
the one for the other, neither overlook a picture when they jump nor drop its neighbours. Since
nothing is decoded before zero, pictures shown before their turn need ``AHEAD``, which the track's
edit list takes off again.

Sources: ISO/IEC 14496-12, 4.2 and 4.3 (boxes, ftyp), 8.2 to 8.7 (moov and all in it), 8.8 (mvex,
trex, moof, mfhd, traf, tfhd, trun, tfdt), 12.1 and 12.2 (pictures and sound); ISO/IEC 14496-15,
5.4 (avc1, avcC); Xiph, Encapsulation of FLAC in ISO Base Media File Format (fLaC, dfLa). Tests
read the result with other programs.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

PICTURE_SCALE = 1_000_000
"""Ticks a second of the picture track: a frame's time is off by half a microsecond at most."""

AHEAD = 10 * PICTURE_SCALE
"""By how much the offset from decoding to showing is stated too large, in ticks: more than any
codec reorders at two frames a second and more, so that no offset is negative."""

_TRACK = 1
_MATRIX = struct.pack(">9i", 0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x40000000)
_KEY, _DEPENDS = 0x02000000, 0x01010000
"""Sample flags (8.8.3.1): depends on no other; depends on others and is no start."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One picture or sound frame: times in ticks, ``offset`` from decoding to showing."""

    data: bytes
    duration: int
    offset: int = 0
    starts: bool = True


def initial_pictures(header: bytes, width: int, height: int, aspect: Fraction) -> bytes:
    """Give the initial segment of an H.264 track; ``header`` is its avcC record.

    ``width`` and ``height`` in px as stored, ``aspect`` the shape of a pixel.
    """
    entry = bytes(6) + struct.pack(">H16xHH", 1, width, height)
    entry += struct.pack(">IIIH32xHh", 0x480000, 0x480000, 0, 1, 24, -1)
    entry += _box("avcC", header)
    if aspect > 0 and aspect != 1:
        entry += _box("pasp", struct.pack(">II", aspect.numerator, aspect.denominator))
    shown = (round(width * aspect) if aspect > 0 else width, height)
    media = _full_box("vmhd", 0, 1, bytes(8))
    return _initial("vide", PICTURE_SCALE, media, _box("avc1", entry), shown, AHEAD)


def initial_sound(stream_info: bytes, rate_hz: int, channels: int) -> bytes:
    """Give the initial segment of a FLAC track; ``stream_info`` is the 34 bytes of STREAMINFO."""
    entry = bytes(6) + struct.pack(">H8xHHII", 1, channels, 16, 0, min(rate_hz, 65535) << 16)
    block = bytes([0x80]) + len(stream_info).to_bytes(3, "big") + stream_info
    entry += _full_box("dfLa", 0, 0, block)
    media = _full_box("smhd", 0, 0, bytes(4))
    return _initial("soun", rate_hz, media, _box("fLaC", entry), (0, 0), 0)


def fragment(number: int, decode_time: int, samples: Sequence[Sample]) -> bytes:
    """Give one fragment (moof and mdat); ``decode_time`` in ticks, the first sample's."""
    rows = b"".join(
        struct.pack(">IIIi", s.duration, len(s.data), _KEY if s.starts else _DEPENDS, s.offset)
        for s in samples
    )
    header = _full_box("mfhd", 0, 0, struct.pack(">I", number + 1))
    track = _full_box("tfhd", 0, 0x020000, struct.pack(">I", _TRACK))
    track += _full_box("tfdt", 1, 0, struct.pack(">Q", decode_time))
    size = 8 + len(header) + 8 + len(track) + 20 + len(rows)
    run = _full_box("trun", 1, 0xF01, struct.pack(">Ii", len(samples), size + 8) + rows)
    return _box("moof", header, _box("traf", track, run)) + _box("mdat", *(s.data for s in samples))


def _box(name: str, *content: bytes) -> bytes:
    size = 8 + sum(len(part) for part in content)
    return b"".join([struct.pack(">I4s", size, name.encode("ascii")), *content])


def _full_box(name: str, version: int, flags: int, content: bytes) -> bytes:
    return _box(name, struct.pack(">I", version << 24 | flags), content)


def _initial(
    kind: str, scale: int, media: bytes, entry: bytes, shown: tuple[int, int], ahead: int
) -> bytes:
    none = struct.pack(">I", 0)
    table = _box(
        "stbl",
        _full_box("stsd", 0, 0, struct.pack(">I", 1) + entry),
        _full_box("stts", 0, 0, none),
        _full_box("stsc", 0, 0, none),
        _full_box("stsz", 0, 0, bytes(8)),
        _full_box("stco", 0, 0, none),
    )
    here = _full_box("url ", 0, 1, b"")
    information = _box(
        "minf",
        media,
        _box("dinf", _full_box("dref", 0, 0, struct.pack(">I", 1) + here)),
        table,
    )
    handler = struct.pack(">I4s12x", 0, kind.encode("ascii")) + b"\x00"
    volume = 0x0100 if kind == "soun" else 0
    track = struct.pack(">IIIII8xHHHH", 0, 0, _TRACK, 0, 0, 0, 0, volume, 0)
    track += _MATRIX + struct.pack(">II", shown[0] << 16, shown[1] << 16)
    movie = struct.pack(">IIIIIH10x", 0, 0, scale, 0, 0x10000, 0x0100)
    movie += _MATRIX + bytes(24) + struct.pack(">I", _TRACK + 1)
    return _box("ftyp", b"iso6", struct.pack(">I", 0), b"iso6", b"mp41") + _box(
        "moov",
        _full_box("mvhd", 0, 0, movie),
        _box(
            "trak",
            _full_box("tkhd", 0, 7, track),
            _box("edts", _full_box("elst", 0, 0, struct.pack(">IIiI", 1, 0, ahead, 0x10000))),
            _box(
                "mdia",
                _full_box("mdhd", 0, 0, struct.pack(">IIIIHH", 0, 0, scale, 0, 0x55C4, 0)),
                _full_box("hdlr", 0, 0, handler),
                information,
            ),
        ),
        _box("mvex", _full_box("trex", 0, 0, struct.pack(">IIIII", _TRACK, 1, 0, 0, 0))),
    )
