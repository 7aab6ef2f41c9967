"""How pictures become a video track: codec, groups of pictures, clock, pixel format."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import av

AUDIO_CODECS = {
    ".mp4": "aac",
    ".mov": "aac",
    ".mkv": "aac",
    ".ts": "aac",
    ".mpg": "mp2",
    ".avi": "pcm_s16le",
    ".webm": "libopus",
}
"""The sound codec of each container that can be written."""

_FINE = Fraction(1, 90_000)


@dataclass(frozen=True, slots=True)
class Encoding:
    """How pictures become a file; the fields are the arguments of ``make_clip``."""

    size: tuple[int, int]
    rate: Fraction
    codec: str = "libx264"
    gop: int = 50
    bframes: int = 2
    open_gop: bool = False
    interlaced: bool = False
    rotation: int = 0
    pixel_format: str = "yuv420p"
    start_offset_s: float = 0.0
    audio_lead_s: float = 0.0
    language: str = ""
    metadata: Mapping[str, str] = field(default_factory=dict)
    options: Mapping[str, str] = field(default_factory=dict)


def add_video(
    container: av.container.OutputContainer, encoding: Encoding, *, variable: bool
) -> Any:
    """Add the video track to ``container``; ``variable`` gives it a fine clock.

    ValueError for interlaced pictures in a codec that has none.
    """
    codec = encoding.codec
    if encoding.interlaced and codec not in ("libx264", "mpeg2video", "mpeg4"):
        raise ValueError(f"interlaced pictures are written with libx264 or mpeg2video, not {codec}")
    video: Any = container.add_stream(codec, rate=encoding.rate, options=_options(encoding))
    video.width, video.height = encoding.size
    video.pix_fmt = encoding.pixel_format
    context = video.codec_context
    context.gop_size = encoding.gop
    if codec in ("mpeg2video", "mpeg4"):
        context.gop_size = 600  # their own count misplaces key frames among B-frames
        context.max_b_frames = encoding.bframes
        context.bit_rate = max(400_000, encoding.size[0] * encoding.size[1] * 12)
    if variable:  # 60,000 because MPEG-4 holds no denominator above 65,535
        context.time_base = Fraction(1, 60_000) if codec == "mpeg4" else _FINE
        video.time_base = context.time_base
    else:
        context.time_base = 1 / encoding.rate
    return video


def _options(encoding: Encoding) -> dict[str, str]:
    options, codec, gop = dict(encoding.options), encoding.codec, str(encoding.gop)
    if codec in ("libx264", "libx265"):
        params = [f"keyint={gop}", f"min-keyint={gop}", "scenecut=0"]
        params += [f"bframes={encoding.bframes}", f"open-gop={int(encoding.open_gop)}"]
        params += ["tff=1", "weightp=0"] if encoding.interlaced else []
        params += ["log-level=error"] if codec == "libx265" else []
        key = "x264-params" if codec == "libx264" else "x265-params"
        options[key] = ":".join([*params, *([options[key]] if key in options else [])])
        options.setdefault("preset", "veryfast" if codec == "libx264" else "ultrafast")
    elif codec in ("mpeg2video", "mpeg4"):
        flags = "" if encoding.open_gop else "+cgop"
        flags += "+ildct+ilme" if encoding.interlaced else ""
        own = {"sc_threshold": "1000000000", "bufsize": "1835008", "maxrate": "8000000"}
        options = own | ({"flags": flags} if flags else {}) | options
    elif codec == "libvpx-vp9":
        options = {
            "deadline": "realtime",
            "cpu-used": "8",
            "keyint_min": gop,
            "crf": "30",
        } | options
    return options
