"""Recordings full of planted words: in every place a camera, an editor or a person puts text."""

from __future__ import annotations

import io
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
from PIL import Image

from synthetic_clips.clip import make_clip

XMP = bytes.fromhex("be7acfcb97a942e89c71999491e3afac")
CREATED = "2019-03-07T11:22:33.000000Z"


class Words:
    """Hands out planted words, each one only once, and remembers where they went."""

    def __init__(self, container: str) -> None:
        self.container = container
        self.given: dict[str, str] = {}

    def __call__(self, where: str) -> str:
        """Give a new word, to be put at the place ``where``."""
        word = f"Zqx{self.container}{len(self.given):02d}Doe"
        self.given[f"{self.container}: {where}"] = word
        return word

    def fitting(self, where: str, size: int) -> bytes:
        """Give a word of exactly ``size`` bytes."""
        return self(where).encode()[:size].ljust(size, b"x")


def escaped(unit: bytes) -> bytes:
    """Put emulation prevention bytes into a NAL unit (ITU-T H.264, 7.4.1)."""
    found = bytearray()
    for byte in unit:
        if byte <= 3 and found[-2:] == b"\0\0":
            found.append(3)
        found.append(byte)
    return bytes(found)


def by_lengths(data: bytes) -> list[bytes]:
    """Give the units of a sample, each preceded by its length in four bytes."""
    units, at = [], 0
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        units.append(data[at + 4 : at + 4 + size])
        at += 4 + size
    return units


def joined(units: list[bytes]) -> bytes:
    """Give units preceded by their lengths."""
    return b"".join(len(unit).to_bytes(4, "big") + unit for unit in units)


def message(number: int, body: bytes) -> bytes:
    """Give an SEI message: type, size, body (ITU-T H.264, 7.3.2.3.1)."""
    sizes = b"\xff" * (len(body) // 255) + bytes([len(body) % 255])
    return bytes([number]) + sizes + body


def h264_units(words: Words) -> list[bytes]:
    """Units that carry words, to stand before a picture."""
    loose, bound = words("SEI user data, unregistered"), words("SEI user data, registered")
    wide = words("SEI user data, UTF-16").encode("utf-16-le")
    both = message(6, b"\x80") + message(5, bytes(16) + words("SEI behind another").encode())
    return [
        escaped(b"\x06" + message(5, bytes(range(16)) + loose.encode()) + b"\x80"),
        escaped(b"\x06" + message(4, b"\xb5\x00\x31GA94\x03" + bound.encode()) + b"\x80"),
        escaped(b"\x06" + message(5, bytes(range(16)) + wide) + b"\x80"),
        escaped(b"\x06" + both + b"\x80"),
        b"\x0c" + words("filler").encode() + b"\x80",
        b"\x18" + words("unit without a meaning").encode() + b"\x80",
    ]


def hevc_units(words: Words) -> list[bytes]:
    """Units that carry words, to stand before a picture."""
    loose, bound = words("SEI user data, unregistered"), words("SEI user data, registered")
    return [
        escaped(b"\x4e\x01" + message(5, bytes(range(16)) + loose.encode()) + b"\x80"),
        escaped(b"\x4e\x01" + message(4, b"\xb5\x00\x31GA94\x03" + bound.encode()) + b"\x80"),
        b"\x4c\x01" + words("filler").encode() + b"\x80",
    ]


def copied(
    source: Path,
    out: Path,
    words: Words,
    kind: str,
    extra: Callable[[Words], list[bytes]] | None,
    options: dict[str, str],
    tags: tuple[str, ...],
) -> None:
    """Copy ``source`` to ``out``, a file of ``kind``, with words wherever the writer puts them."""
    with (
        av.open(str(source)) as given,
        av.open(str(out), "w", format=kind, container_options=options) as target,
    ):
        for tag in tags:
            target.metadata[tag] = words(f"tag {tag}")
        target.metadata["creation_time"] = CREATED
        streams = {s.index: target.add_stream_from_template(s, opaque=True) for s in given.streams}
        for stream in streams.values():
            for tag in STREAM_TAGS.get(kind, ()):
                stream.metadata[tag] = words(f"{stream.type} {tag}")
        if kind == "mov":
            streams[0].metadata["timecode"] = "13:37:42:11"
            streams[0].metadata["reel_name"] = words("reel name")
        text: Any = None
        if kind in ("mp4", "mov", "matroska"):
            target.set_chapters([
                {"id": n + 1, "start": n * 800, "end": (n + 1) * 800,
                 "time_base": Fraction(1, 1000), "metadata": {"title": words(f"chapter {n}")}}
                for n in range(2)
            ])  # fmt: skip
        if kind == "matroska":
            text = target.add_mux_stream("subrip")
            text.time_base = Fraction(1, 1000)
            text.metadata["title"] = words("caption title")
            name = words("attachment name")
            target.add_attachment(f"{name}.txt", "text/plain", words("attachment").encode())
            target.add_attachment("cover.jpg", "image/jpeg", cover(words))
        if kind == "mpegts":
            text = target.add_mux_stream("klv")
            text.time_base = Fraction(1, 90_000)
        planted = extra(words) if extra else []
        for packet in given.demux():
            if not packet.size:
                continue
            ready = packet
            if planted and packet.stream.type == "video" and packet.is_keyframe:
                ready = av.Packet(joined([*planted, *by_lengths(bytes(packet))]))
                ready.pts, ready.dts, ready.duration = packet.pts, packet.dts, packet.duration
                ready.time_base, ready.is_keyframe = packet.time_base, True
            ready.stream = streams[packet.stream.index]
            target.mux(ready)
        if text is not None:
            cue = av.Packet(bytes(16) + words("caption or data track").encode())
            cue.stream, cue.time_base, cue.duration = text, Fraction(1, 1000), 500
            cue.pts = cue.dts = 100
            target.mux(cue)


def cover(words: Words) -> bytes:
    """Give a small JPEG with a word in its comment."""
    file = io.BytesIO()
    picture = Image.new("RGB", (32, 32), (200, 10, 10))
    picture.save(file, "JPEG", comment=words("cover picture").encode())
    return file.getvalue()


def box(kind: bytes, body: bytes) -> bytes:
    """Give a box."""
    return (8 + len(body)).to_bytes(4, "big") + kind + body


def add_boxes(path: Path, words: Words) -> None:
    """Put words into a written MP4 or MOV: handler and program names, boxes, loose bytes."""
    data = bytearray(path.read_bytes())
    at = data.find(b"avc1", data.find(b"stsd")) + 4 + 42
    data[at : at + 32] = b"\x14" + words.fitting("compressor name", 20).ljust(31, b"\0")
    packet = b"<x:xmpmeta>" + words("XMP").encode() + b"</x:xmpmeta>"
    data += box(b"uuid", XMP + packet)
    picture = box(b"covr", box(b"data", b"\0\0\0\x0d" + bytes(4) + cover(words)))
    data += box(b"udta", box(b"meta", bytes(4) + box(b"ilst", picture)))
    data += box(b"free", words("free box").encode())
    data += box(b"skip", words("skip box").encode("utf-16-be"))
    data += box(b"mdat", words("bytes no sample refers to").encode())
    data += box(b"udta", box(b"auth", bytes(6) + words("udta box").encode() + b"\0"))
    data += box(b"meta", bytes(4) + words("meta box").encode())
    data += b"\0\0\0\0" + words("bytes behind the last box").encode()
    path.write_bytes(data)


def add_chunks(path: Path, words: Words) -> None:
    """Put words into a written AVI: junk, a date, loose bytes."""
    data = bytearray(path.read_bytes())
    junk = data.find(b"JUNK")
    word = words("JUNK chunk").encode()
    data[junk + 8 : junk + 8 + len(word)] = word
    word = words("IDIT chunk").encode().ljust(26)
    data += b"IDIT" + len(word).to_bytes(4, "little") + word
    data += words("bytes behind").encode()
    path.write_bytes(data)


STREAM_TAGS = {
    "mp4": ("handler_name", "title"),
    "mov": ("handler_name", "title"),
    "matroska": ("handler_name", "title", "encoder", "comment"),
}
PLAIN = ("title", "artist", "comment", "copyright", "description", "album")
CAMERA = ("com.apple.quicktime.make", "com.apple.quicktime.model", "title", "location",
          "com.apple.quicktime.location.ISO6709", "patient")  # fmt: skip
SIZE: dict[str, Any] = {"frames": 50, "size": (160, 96), "gop": 10}


def plant(folder: Path, name: str) -> tuple[Path, dict[str, str]]:
    """Make the planted recording ``name`` (one of ``NAMES``): its path, where -> word."""
    words = Words(name.replace(".", ""))
    source, path = folder / f"source-{name}", folder / name
    hevc = name == "five.mkv"
    codec = {"mpeg4.avi": "mpeg4"}.get(name, "libx265" if hevc else "libx264")
    if name == "mpeg4.avi":
        tags = {tag: words(f"tag {tag}") for tag in ("title", "artist", "comment", "copyright")}
        make_clip(path, codec=codec, metadata=tags, **SIZE)
        add_chunks(path, words)
        return path, words.given
    if name == "plain.ts":
        make_clip(source.with_suffix(".mp4"), codec=codec, **SIZE)
        services = ("service_name", "service_provider")
        copied(source.with_suffix(".mp4"), path, words, "mpegts", h264_units, {}, services)
        return path, words.given
    source = source.with_suffix(".mp4")
    make_clip(source, codec=codec, **SIZE)
    kind = {".mp4": "mp4", ".mov": "mov", ".mkv": "matroska"}[path.suffix]
    options = {"movflags": "use_metadata_tags"} if kind == "mov" else {}
    units = hevc_units if hevc else h264_units
    copied(source, path, words, kind, units, options, CAMERA if kind == "mov" else PLAIN)
    if kind in ("mp4", "mov"):
        add_boxes(path, words)
    else:
        data = bytearray(path.read_bytes())
        at = data.find(b"\xec\x01\0\0\0\0\0\0") + 9
        word = words("padding").encode()
        data[at : at + len(word)] = word
        path.write_bytes(data)
    return path, words.given


NAMES = ("plain.mp4", "camera.mov", "plain.mkv", "five.mkv", "plain.ts", "mpeg4.avi")


def spellings(word: str) -> list[bytes]:
    """Give all the ways in which a word may lie in a file."""
    return [word.encode(), word.encode("utf-16-le"), word.encode("utf-16-be")]


def words_in(data: bytes, words: dict[str, str]) -> list[str]:
    """Name the places whose words are found in ``data``, with or without escape bytes."""
    both = (data, data.replace(b"\0\0\3", b"\0\0"))
    return [
        where
        for where, word in words.items()
        if any(spelling in form for spelling in spellings(word) for form in both)
    ]
