"""Short clips with a chosen structure: a plain moving background and the bar code."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt

from synthetic_clips.barcode import draw_number, strip_rows
from synthetic_clips.encoding import Encoding
from synthetic_clips.sound import NS, Sound
from synthetic_clips.write import write_recording


def make_clip(
    path: Path,
    *,
    frames: int = 100,
    size: tuple[int, int] = (320, 180),
    rate: Fraction = Fraction(25),
    codec: str = "libx264",
    gop: int = 50,
    bframes: int = 2,
    open_gop: bool = False,
    audio: bool = True,
    audio_lead_s: float = 0.0,
    start_offset_s: float = 0.0,
    times_ns: Sequence[int] | None = None,
    interlaced: bool = False,
    rotation: int = 0,
    pixel_format: str = "yuv420p",
    metadata: Mapping[str, str] | None = None,
    language: str = "",
    options: Mapping[str, str] | None = None,
    tones_ns: Sequence[int] | None = None,
    first_number: int = 0,
) -> None:
    """Write a clip of ``frames`` numbered frames; the container follows the suffix of ``path``.

    ``size`` is (width, height) in px, both even; ``rate`` frames a second. ``gop`` is exact: a
    key frame every ``gop`` frames, nowhere else. ``times_ns`` gives each frame its own time
    (variable rate). ``start_offset_s`` moves every timestamp; ``audio_lead_s`` lets the sound
    begin that much before the first picture. ``rotation`` is the clockwise turn a player makes
    (mp4 and mov). The sound has a 1 kHz tone of 200 ms at each of ``tones_ns``, or at every
    whole second, counted from the first picture. Frame ``i`` carries ``first_number + i``.

    Raises ValueError for what the container or codec cannot hold.
    """
    rate = Fraction(rate)
    encoding = Encoding(
        size=size,
        rate=rate,
        codec=codec,
        gop=gop,
        bframes=bframes,
        open_gop=open_gop,
        interlaced=interlaced,
        rotation=rotation,
        pixel_format=pixel_format,
        start_offset_s=start_offset_s,
        audio_lead_s=audio_lead_s,
        language=language,
        metadata=metadata or {},
        options=options or {},
    )
    sound = None
    if audio:
        if tones_ns is None:
            length_s = times_ns[-1] / NS if times_ns else float(frames / rate)
            tones_ns = [second * NS for second in range(int(length_s) + 1)]
        sound = Sound(tuple(tones_ns))
    pictures = _pictures(frames, size, pixel_format, interlaced, first_number)
    write_recording(path, pictures, frames, encoding, times_ns=times_ns, sound=sound)


def _pictures(
    count: int, size: tuple[int, int], pixel_format: str, interlaced: bool, first_number: int
) -> Iterator[av.VideoFrame]:
    width, height = size
    pattern = _pattern(width, height)
    picture = np.empty((height * 3 // 2, width), np.uint8)
    for index in range(count):
        picture[:height] = pattern[:, _slide(4 * index, width)]
        if interlaced:  # the lower field is half a frame later
            picture[1:height:2] = pattern[1::2, _slide(4 * index + 2, width)]
        chroma = picture[height:].reshape(2, height // 2, width // 2)
        chroma[0], chroma[1] = 128 + index % 32, 118
        chroma[:, (height - strip_rows(height)) // 2 :] = 128
        draw_number(picture[:height], first_number + index)
        frame = av.VideoFrame.from_ndarray(picture, format="yuv420p")
        yield frame if pixel_format == "yuv420p" else frame.reformat(format=pixel_format)


def _slide(shift: int, width: int) -> slice:
    start = shift % width
    return slice(start, start + width)


def _pattern(width: int, height: int) -> npt.NDArray[np.uint8]:
    """Draw a slanted wave, two widths wide and seamless, to be slid past the picture."""
    x = np.arange(2 * width) * (2 * np.pi / width)
    y = np.arange(height)[:, np.newaxis] / height
    wave = np.sin(3 * x + 4 * y) + 0.5 * np.sin(11 * x) * np.cos(9 * y)
    return np.asarray((110 + 45 * wave).clip(30, 200), dtype=np.uint8)
