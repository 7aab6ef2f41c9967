"""What a coded picture may hold in a copy fit to share: an allow-list of units and messages.

Kept is what decoding needs. Of supplemental messages (SEI) only those stay that consist of
numbers about decoding and light, with no room for text, clock or identifiers.

Sources: ITU-T H.264, table 7-1 (units), 7.3.2.3.1 (a message: its type and size), Annex D (the
types, and what each message holds); ITU-T H.265, table 7-1, 7.3.5 and Annex D. Tests read the
files with other programs.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from vidseg.media.codec.bits import escaped, unescaped
from vidseg.media.codec.parameter_sets import SYNTAXES, Syntax

_LIGHT = frozenset({137, 144, 147})
"""Mastering display, light level, preferred transfer: how light is to be shown."""

MESSAGES = {
    "h264": frozenset({0, 6, 45, 47}) | _LIGHT,
    "hevc": frozenset({0, 1, 6, 45, 47, 129}) | _LIGHT,
}
"""Messages kept: buffering period, (HEVC: picture timing, active parameter sets,) recovery
point, frame packing, display orientation, light. The picture timing of H.264 (type 1) goes: it
can hold the time of day (clock_timestamp_flag). So do user data (4, 5), time codes (136)."""

_UNITS = {
    "h264": SYNTAXES["h264"].slices | {7, 8, 13},
    "hevc": frozenset(range(10)) | frozenset(range(16, 22)) | {32, 33, 34},
}
_ENDS = {"h264": (b"\x0a", b"\x0b"), "hevc": (b"\x48\x01", b"\x4a\x01")}
_MESSAGE_UNITS = {"h264": (6,), "hevc": (39, 40)}


def clean_units(syntax: Syntax, units: Iterable[bytes]) -> list[bytes]:
    """Give those of ``units`` that may stay, their messages sifted."""
    name, found = syntax.name, []
    for unit in units:
        kind = syntax.kind(unit)
        if kind in _MESSAGE_UNITS[name]:
            kept = _sifted(unit, name)
            if kept:
                found.append(kept)
        elif _may_stay(unit, kind, name):
            found.append(unit)
    return found


def strange_units(syntax: Syntax, units: Iterable[bytes]) -> Iterator[str]:
    """Name everything in ``units`` that may not stay."""
    name = syntax.name
    for unit in units:
        kind = syntax.kind(unit)
        if kind in _MESSAGE_UNITS[name]:
            payload = unescaped(unit)[_head(name) :]
            messages = list(_messages(payload))
            for number, _ in messages:
                if number not in MESSAGES[name]:
                    yield f"SEI message {number}"
            if _size(messages) != len(payload.rstrip(b"\x00")) - 1:
                yield "bytes behind the SEI messages"
        elif not _may_stay(unit, kind, name):
            yield f"unit of type {kind}"


def clean_header(syntax: Syntax, header: bytes) -> bytes:
    """Give a decoder header without messages: an hvcC record can hold units of any kind."""
    if syntax.name != "hevc" or header[:1] != b"\x01" or len(header) < 23:
        return header
    parts, kept, at = [], 0, 23
    for _ in range(header[22]):
        start, count = at, int.from_bytes(header[at + 1 : at + 3], "big")
        at += 3
        for _ in range(count):
            at += 2 + int.from_bytes(header[at : at + 2], "big")
        if header[start] & 63 in syntax.sets:
            parts.append(header[start:at])
            kept += 1
    return header[:22] + bytes([kept]) + b"".join(parts)


def _may_stay(unit: bytes, kind: int, name: str) -> bool:
    if name == "hevc" and (len(unit) < 2 or (unit[0] & 1) << 5 | unit[1] >> 3):
        return False  # another layer: no decoder of ours looks at it
    return kind in _UNITS[name] or unit in _ENDS[name]


def _head(name: str) -> int:
    return 1 if name == "h264" else 2


def _sifted(unit: bytes, name: str) -> bytes | None:
    head = _head(name)
    kept = [m for m in _messages(unescaped(unit)[head:]) if m[0] in MESSAGES[name]]
    if not kept:
        return None
    payload = b"".join(_written(number, body) for number, body in kept)
    return escaped(unit[:head] + payload + b"\x80")


def _messages(payload: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield (type, body) of every whole message."""
    at, end = 0, len(payload)
    while at < end - 1:
        values = []
        for _ in range(2):
            value = 0
            while at < end and payload[at] == 255:
                value += 255
                at += 1
            if at >= end:
                return
            values.append(value + payload[at])
            at += 1
        number, size = values
        if at + size > end:
            return
        yield number, payload[at : at + size]
        at += size


def _written(number: int, body: bytes) -> bytes:
    head = b""
    for value in (number, len(body)):
        head += b"\xff" * (value // 255) + bytes([value % 255])
    return head + body


def _size(messages: Iterable[tuple[int, bytes]]) -> int:
    return sum(len(_written(number, body)) for number, body in messages)
