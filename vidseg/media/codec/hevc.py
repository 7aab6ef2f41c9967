"""HEVC streams: their units, parameter sets and the sample description of a spliced file.

x265 numbers all its parameter sets 0, as most recorders do, so ours are renumbered here. The
number in a slice is chosen so that its code is exactly one byte longer: nothing behind it
moves within its byte, and the coded picture is not touched.

Sources: ITU-T H.265, 7.3.1.2 (unit header), table 7-1 (unit types), 7.3.2.1, 7.3.2.2 and 7.3.2.3
(video, sequence and picture parameter sets), 7.3.3 (profile, tier and level), 7.3.6.1 (slice
segment header); ISO/IEC 14496-15, 8.3.3.1 (hvcC). Tests read the files with other programs.
"""

from __future__ import annotations

from collections.abc import Sequence

from vidseg.media.codec.bits import (
    BitReader,
    BitWriter,
    by_start_codes,
    escaped,
    payload_end,
    unescaped,
)

VIDEO, SEQUENCE, PICTURE, SEI = 32, 33, 34, 39
SLICES = frozenset(range(32))
STARTS = frozenset(range(16, 22))
"""Pictures at which decoding can start; leading ones that follow may refer to earlier ones."""

REFRESH = frozenset({19, 20})
"""Pictures before which all earlier ones are shown."""

SETS = frozenset({VIDEO, SEQUENCE, PICTURE})
LEFT_OUT = frozenset({35, 36, 37, 38})
END_OF_SEQUENCE = b"\x48\x01"

_FIRST_LONGER = 15
"""From this number on (to 30) the code of a number is nine bits long; that of 0 is one."""


def kind(unit: bytes) -> int:
    """Give the type of a NAL unit."""
    return (unit[0] >> 1) & 63


def read_header(header: bytes) -> tuple[int | None, list[bytes]]:
    """Give the bytes of a unit's length (None: start codes) and the parameter sets.

    Raises ValueError for what is neither an hvcC record nor a byte stream.
    """
    if header[:3] in (b"\x00\x00\x00", b"\x00\x00\x01"):
        return None, [unit for unit in by_start_codes(header) if kind(unit) in SETS]
    if len(header) < 23:
        raise ValueError("no parameter sets beside the pictures")
    sets: list[bytes] = []
    at = 23
    for _ in range(header[22]):
        count = int.from_bytes(header[at + 1 : at + 3], "big")
        at += 3
        for _ in range(count):
            size = int.from_bytes(header[at : at + 2], "big")
            sets.append(header[at + 2 : at + 2 + size])
            at += 2 + size
    return 1 + (header[21] & 3), [unit for unit in sets if kind(unit) in SETS]


def write_header(source: bytes, own: Sequence[bytes]) -> bytes:
    """Give the hvcC record that holds the parameter sets of ``source`` and ``own``."""
    length_bytes, theirs = read_header(source)
    if length_bytes is None:
        head = _record_head(next(unit for unit in theirs if kind(unit) == SEQUENCE))
        extra: list[bytes] = []
    else:
        head = bytearray(source[:22])
        extra = [unit for unit in _record_units(source) if kind(unit) not in SETS]
    head[12] = max([head[12], *(_level(unit) for unit in own if kind(unit) == SEQUENCE)])
    head[21] |= 3
    sets = [*theirs, *own, *extra]
    kinds = [VIDEO, SEQUENCE, PICTURE, *sorted({kind(unit) for unit in extra})]
    parts = [bytes(head), bytes([len(kinds)])]
    for number in kinds:
        held = [unit for unit in sets if kind(unit) == number]
        parts += [bytes([0x80 | number]), len(held).to_bytes(2, "big")]
        parts += [len(unit).to_bytes(2, "big") + unit for unit in held]
    return b"".join(parts)


def _record_units(header: bytes) -> list[bytes]:
    found: list[bytes] = []
    at = 23
    for _ in range(header[22]):
        count = int.from_bytes(header[at + 1 : at + 3], "big")
        at += 3
        for _ in range(count):
            size = int.from_bytes(header[at : at + 2], "big")
            found.append(header[at + 2 : at + 2 + size])
            at += 2 + size
    return found


def _record_head(sequence: bytes) -> bytearray:
    """Make the first 22 bytes of an hvcC record from a sequence parameter set."""
    payload = unescaped(sequence)[2:]
    reader = BitReader(payload)
    reader.bits(4)
    layers = 1 + reader.bits(3)
    nested = reader.flag()
    _skip_profile(reader, layers)
    reader.number()
    chroma = reader.number()
    if chroma == 3:
        reader.flag()
    _skip_size(reader)
    luma, chroma_depth = reader.number(), reader.number()
    head = bytearray(b"\x01" + payload[1:13])
    head += bytes([0xF0, 0, 0xFC, 0xFC | chroma, 0xF8 | luma, 0xF8 | chroma_depth, 0, 0])
    head.append((layers << 3) | (int(nested) << 2) | 3)
    return head


def _level(sequence: bytes) -> int:
    return unescaped(sequence)[2 + 12]


def _skip_profile(reader: BitReader, layers: int) -> None:
    """Read over profile_tier_level."""
    reader.bits(96)
    if layers == 1:
        return
    stated = [(reader.flag(), reader.flag()) for _ in range(layers - 1)]
    reader.bits(2 * (9 - layers))
    for profile, level in stated:
        reader.bits(88 * profile + 8 * level)


def _skip_size(reader: BitReader) -> None:
    reader.number()
    reader.number()
    if reader.flag():
        for _ in range(4):
            reader.number()


def free_number(sets: Sequence[bytes]) -> int:
    """Give a number from 1 to 15 that no video or sequence set has, nor, plus 15, a picture set.

    Raises ValueError where all are taken.
    """
    taken: set[int] = set()
    for unit in sets:
        reader = BitReader(unescaped(unit)[2:])
        if kind(unit) == VIDEO:
            taken.add(reader.bits(4))
        elif kind(unit) == SEQUENCE:
            reader.bits(4)
            layers = 1 + reader.bits(3)
            reader.flag()
            _skip_profile(reader, layers)
            taken.add(reader.number())
        elif kind(unit) == PICTURE:
            taken.add(reader.number() - _FIRST_LONGER)
    for number in range(1, 16):
        if number not in taken:
            return number
    raise ValueError("every number of a parameter set is taken")


def fitted(own: Sequence[bytes], theirs: Sequence[bytes], number: int) -> list[bytes]:
    """Give our encoder's parameter sets under ``number``, with the source's level if higher.

    Its pictures are not reordered and wait for nothing, so none is still to be shown when a
    copied picture after them starts anew.
    """
    level = max(_level(unit) for unit in [*own, *theirs] if kind(unit) == SEQUENCE)
    tier = max(unescaped(unit)[3] & 0x20 for unit in [*own, *theirs] if kind(unit) == SEQUENCE)
    found: list[bytes] = []
    for unit in own:
        payload = bytearray(unescaped(unit)[2:])
        end = payload_end(bytes(payload))
        if kind(unit) == VIDEO:
            payload[4 + 11] = level
            payload[4] |= tier
        elif kind(unit) == SEQUENCE:
            payload[12] = level
            payload[1] |= tier
        reader, writer = BitReader(bytes(payload)), BitWriter()
        if kind(unit) == VIDEO:
            reader.bits(4)
            writer.bits(number, 4)
        elif kind(unit) == SEQUENCE:
            reader.bits(4)
            writer.bits(number, 4)
            if reader.bits(3):
                raise ValueError("the encoder made temporal layers")
            writer.bits(0, 3)
            writer.copy(reader, reader.at + 1 + 96)
            reader.number()
            writer.number(number)
        else:
            reader.number()
            reader.number()
            writer.number(_FIRST_LONGER + number)
            writer.number(number)
        writer.copy(reader, end)
        found.append(unit[:2] + escaped(writer.payload()))
    return found


def renumbered(unit: bytes, number: int) -> bytes:
    """Give a slice that uses picture parameter set 0 as one that uses our own.

    Raises ValueError for a slice that uses another.
    """
    before = 2 if 16 <= kind(unit) <= 23 else 1
    head = unit[2]
    if not (head >> (7 - before)) & 1:
        raise ValueError("the encoder numbered its parameter sets in another way")
    rest = 7 - before
    code = _FIRST_LONGER + number + 1
    value = (head >> (8 - before)) << (9 + rest) | code << rest | (head & ((1 << rest) - 1))
    return unit[:2] + value.to_bytes(2, "big") + unit[3:]
