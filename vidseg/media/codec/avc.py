"""H.264 streams: their units, parameter sets and the sample description of a spliced file.

Sources: ITU-T H.264, 7.3.1 and table 7-1 (units and their types), 7.3.2.1.1 (sequence parameter
set, scaling lists in 7.3.2.1.1.1), 7.3.2.2 (picture parameter set), 7.3.3 and 7.4.3 (slice header),
table A-1 (levels), E.1.1 and E.1.2 (VUI, HRD); ISO/IEC 14496-15, 5.3.3.1 (avcC). Tests read the
files with other programs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from vidseg.media.codec.bits import (
    BitReader,
    BitWriter,
    by_start_codes,
    escaped,
    unescaped,
)

SEQUENCE, PICTURE, SEI = 7, 8, 6
SLICES = frozenset({1, 2, 3, 4, 5})
STARTS = frozenset({5})
"""Instantaneous refresh: nothing later refers to anything before it."""

SETS = frozenset({SEQUENCE, PICTURE, 13, 15})
LEFT_OUT = frozenset({9, 10, 11, 12})
"""Units of a byte stream that a file does not store: delimiters, ends, filler."""

_WITH_CHROMA = (100, 110, 122, 244, 44, 83, 86, 118, 128, 138, 139, 134, 135)
_LEVEL_BLOCKS = {
    9: 396, 10: 396, 11: 900, 12: 2376, 13: 2376, 20: 2376, 21: 4752, 22: 8100, 30: 8100,
    31: 18000, 32: 20480, 40: 32768, 41: 32768, 42: 34816, 50: 110400, 51: 184320, 52: 184320,
}  # fmt: skip
"""Table A-1: macroblocks in the decoded picture buffer, by level."""


def kind(unit: bytes) -> int:
    """Give the type of a NAL unit."""
    return unit[0] & 31


@dataclass(frozen=True, slots=True)
class _Sequence:
    """What is read from a sequence parameter set; ``restriction_at`` is a bit position."""

    profile: int
    constraints: int
    level: int
    number: int
    chroma: int
    luma_depth: int
    chroma_depth: int
    frame_bits: int
    buffer: int
    restriction_at: int | None
    reorder: int | None
    planes: bool
    fields: bool


def _sequence(unit: bytes) -> _Sequence:
    reader = BitReader(unescaped(unit)[1:])
    profile, constraints, level = reader.bits(8), reader.bits(8), reader.bits(8)
    number, chroma, luma_depth, chroma_depth = reader.number(), 1, 8, 8
    planes = fields = False
    if profile in _WITH_CHROMA:
        chroma = reader.number()
        if chroma == 3:
            planes = reader.flag()
        luma_depth, chroma_depth = 8 + reader.number(), 8 + reader.number()
        reader.flag()
        if reader.flag():
            for place in range(8 if chroma != 3 else 12):
                if reader.flag():
                    _skip_scaling(reader, 16 if place < 6 else 64)
    frame_bits = 4 + reader.number()
    order = reader.number()
    if order == 0:
        reader.number()
    elif order == 1:
        reader.flag()
        reader.signed()
        reader.signed()
        for _ in range(reader.number()):
            reader.signed()
    references = reader.number()
    reader.flag()
    width, height = 1 + reader.number(), 1 + reader.number()
    if not reader.flag():
        fields = True
        height *= 2
        reader.flag()
    reader.flag()
    if reader.flag():
        for _ in range(4):
            reader.number()
    blocks = _LEVEL_BLOCKS.get(level, 696320)
    buffer = max(references, min(16, blocks // (width * height)))
    at, reorder = None, None
    if reader.flag():
        _skip_usability(reader)
        at = reader.at
        if reader.flag():
            reader.flag()
            for _ in range(4):
                reader.number()
            reorder, buffer = reader.number(), reader.number()
    return _Sequence(
        profile, constraints, level, number, chroma, luma_depth, chroma_depth, frame_bits,
        buffer, at, reorder, planes, fields,
    )  # fmt: skip


def _skip_scaling(reader: BitReader, size: int) -> None:
    last = following = 8
    for _ in range(size):
        if following:
            following = (last + reader.signed()) % 256
        last = following or last


def _skip_usability(reader: BitReader) -> None:
    """Read over the VUI up to its bitstream restriction."""
    if reader.flag() and reader.bits(8) == 255:
        reader.bits(32)
    if reader.flag():
        reader.flag()
    if reader.flag():
        reader.bits(4)
        if reader.flag():
            reader.bits(24)
    if reader.flag():
        reader.number()
        reader.number()
    if reader.flag():
        reader.bits(65)
    timed = False
    for _ in range(2):
        if reader.flag():
            timed = True
            count = 1 + reader.number()
            reader.bits(8)
            for _ in range(count):
                reader.number()
                reader.number()
                reader.flag()
            reader.bits(20)
    if timed:
        reader.flag()
    reader.flag()


def read_header(header: bytes) -> tuple[int | None, list[bytes]]:
    """Give the bytes of a unit's length (None: start codes) and the parameter sets.

    Raises ValueError for what is neither an avcC record nor a byte stream.
    """
    if header[:1] != b"\x01":
        return None, [unit for unit in by_start_codes(header) if kind(unit) in SETS]
    sets: list[bytes] = []
    at = 5
    for mask in (31, 255):
        count = header[at] & mask
        at += 1
        for _ in range(count):
            size = int.from_bytes(header[at : at + 2], "big")
            sets.append(header[at + 2 : at + 2 + size])
            at += 2 + size
    return 1 + (header[4] & 3), sets


def write_header(source: bytes, own: Sequence[bytes]) -> bytes:
    """Give the avcC record that holds the parameter sets of ``source`` and ``own``."""
    _, theirs = read_header(source)
    sets = [*theirs, *own]
    sequences = [unit for unit in sets if kind(unit) == SEQUENCE]
    pictures = [unit for unit in sets if kind(unit) == PICTURE]
    facts = [_sequence(unit) for unit in sequences]
    constraints = 255
    for fact in facts:
        constraints &= fact.constraints
    first = max(facts, key=lambda fact: (fact.profile in _WITH_CHROMA, fact.profile))
    head = bytes([1, first.profile, constraints, max(f.level for f in facts), 0xFF])
    parts = [head, bytes([0xE0 | len(sequences)])]
    parts += [len(unit).to_bytes(2, "big") + unit for unit in sequences]
    parts.append(bytes([len(pictures)]))
    parts += [len(unit).to_bytes(2, "big") + unit for unit in pictures]
    if first.profile in _WITH_CHROMA:
        depths = 0xF8 | (first.luma_depth - 8), 0xF8 | (first.chroma_depth - 8)
        parts.append(bytes([0xFC | first.chroma, *depths, 0]))
    return b"".join(parts)


def free_number(sets: Sequence[bytes]) -> int:
    """Give a number that none of the parameter sets has. Raises ValueError where all are taken."""
    taken = set()
    for unit in sets:
        if kind(unit) == SEQUENCE:
            taken.add(_sequence(unit).number)
        elif kind(unit) == PICTURE:
            taken.add(BitReader(unescaped(unit[:16])[1:]).number())
    for number in range(1, 32):
        if number not in taken:
            return number
    raise ValueError("every number of a parameter set is taken")


def fitted(own: Sequence[bytes], theirs: Sequence[bytes], depth: int) -> list[bytes]:
    """Give our encoder's parameter sets so that decoding goes on across a seam.

    They state the source's level, picture buffer and reordering, at least ``depth``: where
    these change, decoders may drop pictures that wait to be shown.
    """
    sources = [_sequence(unit) for unit in theirs if kind(unit) == SEQUENCE]
    found: list[bytes] = []
    for unit in own:
        if kind(unit) != SEQUENCE:
            found.append(unit)
            continue
        facts = _sequence(unit)
        if facts.restriction_at is None:
            raise ValueError("the encoder's parameter set says nothing of reordering")
        reorder = max([depth, facts.reorder or 0, *(s.reorder or 0 for s in sources)])
        buffer = max([reorder, facts.buffer, *(s.buffer for s in sources)])
        reader = BitReader(unescaped(unit)[1:])
        writer = BitWriter()
        writer.copy(reader, 16)
        writer.bits(max([reader.bits(8), *(s.level for s in sources)]), 8)
        writer.copy(reader, facts.restriction_at)
        writer.bits(0b11, 2)
        for value in (0, 0, 16, 16, reorder, buffer):
            writer.number(value)
        found.append(escaped(unit[:1] + writer.payload()))
    return found


def profile_of(sets: Sequence[bytes]) -> int:
    """Give the profile number of the first sequence parameter set."""
    return next(_sequence(unit).profile for unit in sets if kind(unit) == SEQUENCE)


def refresh_number(unit: bytes, sets: Sequence[bytes]) -> int:
    """Give the number of a refresh picture from one of its slices (idr_pic_id).

    Two refresh pictures in a row must differ in it (ITU-T H.264, 7.4.3).
    """
    reader = BitReader(unescaped(unit[:40])[1:])
    reader.number()
    reader.number()
    picture = reader.number()
    chosen = None
    for held in sets:
        if kind(held) == PICTURE:
            inside = BitReader(unescaped(held)[1:])
            if inside.number() == picture:
                chosen = inside.number()
    facts = next(
        (s for s in map(_sequence, (u for u in sets if kind(u) == SEQUENCE)) if s.number == chosen),
        None,
    )
    if facts is None:
        raise ValueError("a slice refers to a parameter set that is not there")
    reader.bits(2 * facts.planes + facts.frame_bits)
    if facts.fields and reader.flag():
        reader.flag()
    return reader.number()
