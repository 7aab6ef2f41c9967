"""What splicing needs to know of a codec: H.264 and HEVC behind one form."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from vidseg.media.codec import avc, hevc


@dataclass(frozen=True, slots=True)
class Syntax:
    """One codec's units and parameter sets.

    ``starts`` are the picture types at which decoding can start, ``refresh`` those before
    which every earlier picture is shown. ``end`` is a unit that ends a sequence, where the
    codec needs one before a copied start that is not of ``refresh``: such a start throws away
    what waits to be shown, so only our own pictures, which never wait, may stand before it.
    """

    name: str
    encoder: str
    tags: tuple[str, ...]
    kind: Callable[[bytes], int]
    slices: frozenset[int]
    starts: frozenset[int]
    refresh: frozenset[int]
    sets: frozenset[int]
    left_out: frozenset[int]
    sei: int
    end: bytes
    read_header: Callable[[bytes], tuple[int | None, list[bytes]]]
    write_header: Callable[[bytes, Sequence[bytes]], bytes]
    free_number: Callable[[Sequence[bytes]], int]


SYNTAXES = {
    "h264": Syntax(
        "h264", "libx264", ("avc1", "avc1"), avc.kind, avc.SLICES, avc.STARTS, avc.STARTS,
        avc.SETS, avc.LEFT_OUT, avc.SEI, b"", avc.read_header, avc.write_header, avc.free_number,
    ),
    "hevc": Syntax(
        "hevc", "libx265", ("hvc1", "hev1"), hevc.kind, hevc.SLICES, hevc.STARTS, hevc.REFRESH,
        hevc.SETS, hevc.LEFT_OUT, hevc.SEI, hevc.END_OF_SEQUENCE, hevc.read_header,
        hevc.write_header, hevc.free_number,
    ),
}  # fmt: skip
"""The codecs that can be spliced, by FFmpeg's name."""
