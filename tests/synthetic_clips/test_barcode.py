"""The bar code is read back from any decoder's picture, or not at all."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from synthetic_clips import draw_number, make_clip, read_number
from synthetic_clips.barcode import (
    CELLS,
    CHECK_BITS,
    HIGHEST,
    NUMBER_BITS,
    cells_of,
    check_bits,
    strip_rows,
)

NUMBERS = st.integers(0, HIGHEST)


def picture(number: int, width: int = 320, height: int = 180, seed: int = 0) -> np.ndarray:
    luma = np.random.default_rng(seed).integers(0, 256, (height, width), dtype=np.uint8)
    draw_number(luma, number)
    return luma


@given(NUMBERS, st.sampled_from([(160, 90), (320, 180), (640, 360), (854, 480), (1920, 1080)]))
def test_a_drawn_number_is_read_back(number: int, size: tuple[int, int]) -> None:
    luma = np.full((size[1], size[0]), 90, np.uint8)
    draw_number(luma, number)
    assert read_number(luma) == number


@given(NUMBERS)
def test_check_bits_are_the_remainder_of_long_division(number: int) -> None:
    # The textbook definition of a CRC (remainder of the message by x^12+x^11+x^3+x^2+x+1),
    # with whole numbers as polynomials; ones at the start turn over the first 12 bits.
    remainder = (number ^ (0xFFF << (NUMBER_BITS - CHECK_BITS))) << CHECK_BITS
    for place in range(NUMBER_BITS + CHECK_BITS - 1, CHECK_BITS - 1, -1):
        if remainder >> place & 1:
            remainder ^= 0x180F << (place - CHECK_BITS)
    assert check_bits(number) == remainder


@given(NUMBERS, st.integers(2, CELLS - 3), st.integers(1, (1 << CHECK_BITS) - 1))
def test_any_run_of_wrong_cells_up_to_twelve_is_noticed(number: int, at: int, flips: int) -> None:
    # A CRC of 12 bits finds every burst of 12 bits or fewer (textbook property).
    width = CELLS * 10
    luma = np.full((200, width), 90, np.uint8)
    draw_number(luma, number)
    cells = cells_of(number)
    for offset in range(CHECK_BITS):
        cell = at + offset
        if flips >> offset & 1 and cell < CELLS - 2:
            value = 30 if cells[cell] else 220
            luma[-strip_rows(200) :, cell * 10 : cell * 10 + 10] = value
    damaged = any(flips >> o & 1 and at + o < CELLS - 2 for o in range(CHECK_BITS))
    assert read_number(luma) == (None if damaged else number)


def test_numbers_out_of_range_are_refused() -> None:
    for number in (-1, HIGHEST + 1):
        with pytest.raises(ValueError, match="0 to 1048575"):
            draw_number(np.zeros((90, 160), np.uint8), number)


def test_nothing_is_read_where_there_is_no_code() -> None:
    rng = np.random.default_rng(5)
    assert read_number(np.zeros((90, 160), np.uint8)) is None
    assert read_number(np.full((90, 160), 255, np.uint8)) is None
    for _ in range(300):
        blocks = rng.integers(0, 256, (6, CELLS), dtype=np.uint8)
        noise = cv2.resize(blocks, (360, 180), interpolation=cv2.INTER_NEAREST)
        assert read_number(noise) is None


def test_a_blend_of_two_frames_is_not_taken_for_either() -> None:
    for number in range(0, 400, 7):
        blend = cv2.addWeighted(picture(number), 0.5, picture(number + 1), 0.5, 0)
        assert read_number(np.asarray(blend, np.uint8)) is None


@pytest.mark.parametrize("size", [(160, 90), (128, 72), (320, 180), (426, 240), (1280, 720)])
@pytest.mark.parametrize("way", [cv2.INTER_AREA, cv2.INTER_LINEAR, cv2.INTER_CUBIC])
def test_rescaling_keeps_it(size: tuple[int, int], way: int) -> None:
    for number in (0, 1, 2399, 0b10101010101010101010, HIGHEST):
        small = cv2.resize(picture(number, 640, 360), size, interpolation=way)
        assert read_number(np.asarray(small, np.uint8)) == number


def test_limited_and_full_range_read_alike() -> None:
    luma = picture(7777).astype(float)
    limited = np.round(16 + luma * 219 / 255).astype(np.uint8)
    full = np.clip((luma - 16) * 255 / 219, 0, 255).round().astype(np.uint8)
    assert read_number(limited) == read_number(full) == 7777


MATRIX = [
    (".mp4", "libx264"),
    (".mov", "libx264"),
    (".mkv", "libx264"),
    (".ts", "libx264"),
    (".avi", "libx264"),
    (".mp4", "libx265"),
    (".mkv", "libx265"),
    (".ts", "libx265"),
    (".mp4", "mpeg4"),
    (".avi", "mpeg4"),
    (".mpg", "mpeg2video"),
    (".ts", "mpeg2video"),
    (".webm", "libvpx-vp9"),
]


def numbers_in(path: Path, scale: tuple[int, int] | None = None) -> list[int | None]:
    found = []
    with av.open(str(path)) as container:
        for frame in container.decode(video=0):
            grey = frame.reformat(
                format="gray", width=scale and scale[0], height=scale and scale[1]
            )
            found.append(read_number(grey.to_ndarray()))
    return found


@pytest.mark.parametrize("size", [(160, 90), (320, 180)])
@pytest.mark.parametrize(("suffix", "codec"), MATRIX)
def test_every_codec_and_container_keeps_it(
    tmp_path: Path, suffix: str, codec: str, size: tuple[int, int]
) -> None:
    path = tmp_path / f"clip{suffix}"
    make_clip(path, frames=40, size=size, codec=codec, gop=20, first_number=524_270)
    expected = list(range(524_270, 524_310))
    assert numbers_in(path) == expected


@pytest.mark.parametrize(
    ("codec", "quality"), [("libx264", {"crf": "34"}), ("mpeg4", {"b": "250k"})]
)
def test_poor_quality_and_a_small_copy_keep_it(
    tmp_path: Path, codec: str, quality: dict[str, str]
) -> None:
    path = tmp_path / "poor.mp4"
    make_clip(path, frames=60, size=(640, 360), codec=codec, options=quality, audio=False)
    assert numbers_in(path, (160, 90)) == list(range(60))


@pytest.fixture
def ffmpeg() -> str:
    program = shutil.which("ffmpeg")
    if program is None:
        pytest.skip("the ffmpeg program is not installed")
    return program


@pytest.mark.parametrize(("suffix", "codec"), [MATRIX[0], MATRIX[6], MATRIX[9], MATRIX[10]])
def test_the_ffmpeg_program_sees_the_same_numbers(
    tmp_path: Path, ffmpeg: str, suffix: str, codec: str
) -> None:
    path = tmp_path / f"clip{suffix}"
    make_clip(path, frames=30, size=(320, 180), codec=codec, gop=10)
    command = [ffmpeg, "-v", "error", "-i", str(path), "-fps_mode", "passthrough", "-an"]
    command += ["-f", "rawvideo", "-s", "160x90", "-pix_fmt", "gray", "-"]
    raw = subprocess.run(command, capture_output=True, check=True).stdout
    pictures = np.frombuffer(raw, np.uint8).reshape(-1, 90, 160)
    assert [read_number(luma) for luma in pictures] == list(range(30))
