"""NAL units of H.264 and HEVC: how they are stored, and reading and writing of single bits.

Sources: ITU-T H.264, 7.3.1 and 7.4.1.1 (NAL units, emulation prevention), 9.1 (Exp-Golomb codes),
7.3.2.11 (trailing bits), Annex B (start codes), and the same in ITU-T H.265: 7.3.1.1, 7.4.2, 9.2,
Annex B; ISO/IEC 14496-15, 5.3.3.1 and 8.3.3.1 (units preceded by their length).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

START_CODE = b"\x00\x00\x01"
LENGTH_BYTES = 4
"""How many bytes give a unit's length in the files written."""


class BitReader:
    """Reads the bits of a payload without emulation prevention. Raises ValueError past its end."""

    def __init__(self, payload: bytes) -> None:
        self._value, self.size = int.from_bytes(payload, "big"), 8 * len(payload)
        self.at = 0

    def bits(self, count: int) -> int:
        """Read ``count`` bits as an unsigned number."""
        self.at += count
        if self.at > self.size:
            raise ValueError("a parameter set or slice header ends too soon")
        return (self._value >> (self.size - self.at)) & ((1 << count) - 1)

    def flag(self) -> bool:
        """Read one bit."""
        return bool(self.bits(1))

    def number(self) -> int:
        """Read an unsigned Exp-Golomb code."""
        zeros = 0
        while not self.bits(1):
            zeros += 1
        return (1 << zeros) - 1 + self.bits(zeros)

    def signed(self) -> int:
        """Read a signed Exp-Golomb code."""
        code = self.number()
        return (code + 1) // 2 if code % 2 else -(code // 2)


class BitWriter:
    """Collects bits."""

    def __init__(self) -> None:
        self._parts: list[str] = []

    def bits(self, value: int, count: int) -> None:
        """Write ``value`` in ``count`` bits."""
        if count:
            self._parts.append(f"{value:0{count}b}")

    def number(self, value: int) -> None:
        """Write an unsigned Exp-Golomb code."""
        self.bits(value + 1, 2 * (value + 1).bit_length() - 1)

    def copy(self, reader: BitReader, until: int) -> None:
        """Copy the bits of ``reader`` from where it stands up to position ``until``."""
        count = until - reader.at
        self.bits(reader.bits(count), count)

    def payload(self) -> bytes:
        """Give all bits with the stop bit and the zeros that fill the last byte."""
        text = "".join(self._parts) + "1"
        text += "0" * (-len(text) % 8)
        return int(text, 2).to_bytes(len(text) // 8, "big")


def payload_end(payload: bytes) -> int:
    """Give the position of the stop bit: the last 1 of ``payload``."""
    stripped = payload.rstrip(b"\x00")
    if not stripped:
        raise ValueError("a NAL unit without a stop bit")
    last = stripped[-1]
    return 8 * len(stripped) - 1 - ((last & -last).bit_length() - 1)


def unescaped(unit: bytes) -> bytes:
    """Take the emulation prevention bytes out of a NAL unit."""
    return unit.replace(b"\x00\x00\x03", b"\x00\x00")


def escaped(unit: bytes) -> bytes:
    """Put emulation prevention bytes into a NAL unit."""
    found, zeros = bytearray(), 0
    for byte in unit:
        if zeros == 2 and byte <= 3:
            found.append(3)
            zeros = 0
        found.append(byte)
        zeros = 0 if byte else zeros + 1
    return bytes(found)


def by_start_codes(data: bytes) -> Iterator[bytes]:
    """Give the NAL units of a byte stream (Annex B)."""
    at = data.find(START_CODE)
    while at >= 0:
        following = data.find(START_CODE, at + 3)
        unit = data[at + 3 : following if following >= 0 else len(data)].rstrip(b"\x00")
        if unit:
            yield unit
        at = following


def by_lengths(data: bytes, length_bytes: int = LENGTH_BYTES) -> Iterator[bytes]:
    """Give the NAL units of a sample. Raises ValueError where the lengths do not add up."""
    at, end = 0, len(data)
    while at < end:
        size = int.from_bytes(data[at : at + length_bytes], "big")
        at += length_bytes
        if at + size > end:
            raise ValueError("a picture's units are longer than the picture")
        if size:
            yield data[at : at + size]
        at += size


def joined(units: Iterable[bytes]) -> bytes:
    """Put NAL units together as a sample, each preceded by its length in four bytes."""
    return b"".join(len(unit).to_bytes(LENGTH_BYTES, "big") + unit for unit in units)
