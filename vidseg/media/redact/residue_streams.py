"""The allow-list of what is within a track: decoder headers, pictures, sound and text."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from vidseg.media.codec import avc
from vidseg.media.codec.bits import by_lengths
from vidseg.media.codec.parameter_sets import SYNTAXES
from vidseg.media.codec.payload import strange_units

_HIDING_SOUND = {4: "data", 5: "program", 6: "fill"}
"""AAC elements that can hold other things than sound (ISO/IEC 14496-3, table 4.85)."""

_LONGEST_SOUND_HEADER = 8


def strange_header(codec: str, header: bytes) -> Iterator[str]:
    """Name what is strange in a decoder header of ``codec`` (h264: avcC, hevc: hvcC, aac)."""
    if codec == "aac":
        if not 2 <= len(header) <= _LONGEST_SOUND_HEADER:
            yield f"{len(header)} bytes as decoder header of the sound"
        return
    syntax = SYNTAXES[codec]
    length, sets = syntax.read_header(header)
    if length != 4:
        yield "a decoder header of unknown form"
        return
    yield from (f"{thing} in the decoder header" for thing in strange_units(syntax, sets))
    if any(syntax.kind(unit) not in syntax.sets for unit in sets):
        yield "a unit in the decoder header that is no parameter set"
    fixed = 23 if codec == "hevc" else 7
    arrays = header[22] if codec == "hevc" else 0
    size = fixed + 3 * arrays + sum(2 + len(unit) for unit in sets)
    tails = (0, 4) if codec == "h264" else (0,)
    if len(header) - size not in tails or (len(header) > size and header[-1]):
        yield "bytes behind the decoder header's parameter sets"
    if codec == "h264" and any(avc.kind(unit) not in (7, 8) for unit in sets):
        yield "a parameter set of another kind"


def strange_sample(codec: str, sample: bytes, texts: Collection[str] | None) -> Iterator[str]:
    """Name what is strange in one sample of ``codec``: h264, hevc, aac, text (2-byte length and
    UTF-8) or plain (UTF-8)."""
    if codec in SYNTAXES:
        found = strange_units(SYNTAXES[codec], by_lengths(sample))
        yield from (f"{thing} in a picture" for thing in found)
    elif codec == "aac":
        if sample and sample[0] >> 5 in _HIDING_SOUND:
            yield f"a {_HIDING_SOUND[sample[0] >> 5]} element before the sound"
    elif codec == "text":
        size = int.from_bytes(sample[:2], "big")
        yield from strange_text(sample[2 : 2 + size], texts)
        if sample[2 + size :] not in (b"", b"\x00\x00\x00\x0cencd\x00\x00\x01\x00"):
            yield "bytes behind a text"
    elif codec == "plain":
        yield from strange_text(sample, texts)
    else:
        yield "a track in a codec that cannot be judged"


def strange_text(text: bytes, texts: Collection[str] | None) -> Iterator[str]:
    """Name a text that is not among ``texts``; captions shown together share a sample."""
    if texts is None or not text:
        return
    shown = text.decode("utf-8")
    left = shown
    for known in sorted(texts, key=len, reverse=True):
        left = left.replace(known, "")
    if shown not in texts and left.strip():
        yield f"the text {shown!r}"
