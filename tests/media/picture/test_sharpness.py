from __future__ import annotations

from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from scipy import ndimage
from skimage import data

from synthetic_clips import make_clip
from vidseg.media.picture.sharpness import (
    central_luma,
    laplacian_variance,
    luma_quality,
    nearly_identical,
    thumbnail,
)


def frame_of(luma: np.ndarray, full_range: bool = True) -> av.VideoFrame:
    height, width = luma.shape
    planes = np.full((height * 3 // 2, width), 128, np.uint8)
    planes[:height] = luma
    frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
    frame.color_range = 2 if full_range else 1
    return frame


def texture(height: int, width: int, seed: int = 0) -> np.ndarray:
    noise = np.random.default_rng(seed).integers(40, 216, (height, width), dtype=np.uint8)
    return cv2.GaussianBlur(noise, (0, 0), 1.2)


def sharpness(frame: av.VideoFrame) -> float:
    return luma_quality(central_luma(frame)).sharpness


def laplacian_by_hand(gray: np.ndarray) -> float:
    """The definition, written out: no cv2. Mirrored borders without repeating the edge."""
    padded = np.pad(gray.astype(np.float64), 1, mode="reflect")
    around = padded[:-2, 1:-1] + padded[2:, 1:-1] + padded[1:-1, :-2] + padded[1:-1, 2:]
    return float((around - 4 * padded[1:-1, 1:-1]).var())


def test_delta_worked_by_hand() -> None:
    # One pixel of 1 in 5x5: the response is -4 once and 1 four times, mean 0,
    # so the variance is (16 + 4) / 25.
    delta = np.zeros((5, 5), np.uint8)
    delta[2, 2] = 1
    assert laplacian_variance(delta) == pytest.approx(0.8, abs=1e-12)


def test_checkerboard_worked_by_hand() -> None:
    # Every pixel's four neighbours are its opposite: the response is +-4 * 255, variance 1020^2.
    board = (np.indices((8, 8)).sum(axis=0) % 2 * 255).astype(np.uint8)
    assert laplacian_variance(board) == pytest.approx(1_040_400.0)


def test_camera_against_definition_scipy_and_recorded_value() -> None:
    camera = data.camera()
    measured = laplacian_variance(camera)
    assert measured == pytest.approx(1133.1626941402064, rel=1e-12)
    assert measured == pytest.approx(laplacian_by_hand(camera), rel=1e-12)
    by_scipy = ndimage.laplace(camera.astype(np.float64), mode="mirror").var()
    assert measured == pytest.approx(by_scipy, rel=1e-12)


@pytest.mark.parametrize(("sigma", "expected"), [(1, 49.904), (2, 7.446), (4, 1.698)])
def test_blur_lowers_it_as_recorded(sigma: int, expected: float) -> None:
    blurred = cv2.GaussianBlur(data.camera(), (0, 0), sigma)
    assert laplacian_variance(blurred) == pytest.approx(expected, abs=0.01)


def test_negative_responses_are_kept() -> None:
    # A response in 8 bits would clip the negative half and give another variance.
    camera = data.camera()
    clipped = cv2.Laplacian(camera, cv2.CV_8U, ksize=1).var()
    assert laplacian_variance(camera) > 1.5 * clipped


def test_full_hd_is_averaged_two_by_two() -> None:
    luma = texture(1080, 1920)
    by_hand = luma.reshape(540, 2, 960, 2).mean(axis=(1, 3))[90:450, 300:660]
    measured = central_luma(frame_of(luma))
    assert measured.shape == (360, 360)
    assert np.abs(measured - by_hand).max() <= 1.0


def test_small_frames_are_not_scaled() -> None:
    luma = texture(180, 320)
    assert np.array_equal(central_luma(frame_of(luma)), luma[30:150, 100:220])


def test_limited_range_is_brought_to_full_scale() -> None:
    # Rec. ITU-R BT.709-6, 8-bit quantization: black level 16, nominal peak 235.
    luma = np.full((90, 160), 16, np.uint8)
    luma[:, 80:] = 235
    measured = central_luma(frame_of(luma, full_range=False))
    assert (measured.min(), measured.max()) == (0, 255)


@pytest.mark.parametrize("pixel_format", ["yuv420p10le", "yuv422p", "rgb24", "nv12"])
def test_other_pixel_formats_measure_alike(pixel_format: str) -> None:
    frame = frame_of(texture(180, 320), full_range=False)
    other = frame.reformat(format=pixel_format)
    assert sharpness(other) == pytest.approx(sharpness(frame), rel=0.05)


def test_blur_of_two_pixels_of_full_hd_is_seen() -> None:
    sharp = frame_of(texture(1080, 1920))
    blurred = frame_of(cv2.GaussianBlur(texture(1080, 1920), (0, 0), 2))
    assert sharpness(blurred) < 0.3 * sharpness(sharp)


def test_ring_and_surround_of_the_view_count_for_nothing() -> None:
    luma = texture(540, 960)
    rows, columns = np.indices(luma.shape)
    radius = np.hypot(rows - 269.5, columns - 479.5)
    ringed = np.where(radius > 260, 0, luma)
    ringed[(radius > 256) & (radius <= 260)] = 255
    assert luma_quality(central_luma(frame_of(ringed))) == luma_quality(
        central_luma(frame_of(luma))
    )


def test_light_shares_are_counted() -> None:
    luma = np.full((60, 60), 100, np.uint8)
    luma[:15] = 250
    luma[15:20] = 249
    luma[20:26] = 16
    luma[26:30] = 17
    quality = luma_quality(luma)
    assert quality.blown_out == 15 / 60
    assert quality.black == 6 / 60


def test_comb_of_interlaced_frames_does_not_pass_for_sharpness(tmp_path: Path) -> None:
    # The clip moves 2 px between the fields of one frame. Its own luma, given as a progressive
    # frame, shows the comb; halved, a field alone (every second line) is what there is to see.
    path = tmp_path / "fields.mp4"
    options = {"crf": "8"}
    make_clip(path, frames=6, interlaced=True, audio=False, size=(640, 360), options=options)
    with av.open(str(path)) as container:
        frame = list(container.decode(video=0))[3]
    assert frame.interlaced_frame
    luma = frame.to_ndarray()[: frame.height]
    combed = sharpness(frame_of(luma, full_range=False))
    field = frame_of(np.ascontiguousarray(luma[::2, ::2]), full_range=False)
    alone = laplacian_variance(central_luma(field))
    measured = sharpness(frame)
    assert combed > 3 * alone
    assert measured < 1.5 * alone


def test_thumbnails_tell_pictures_apart() -> None:
    still = texture(360, 360, 1)
    rng = np.random.default_rng(2)
    noisy = np.clip(still + rng.normal(0, 4, still.shape), 0, 255).astype(np.uint8)
    with_tip = still.copy()
    with_tip[170:190, 170:190] = 255
    assert thumbnail(still).shape == (32, 32)
    assert nearly_identical(thumbnail(still), thumbnail(noisy))
    assert not nearly_identical(thumbnail(still), thumbnail(with_tip))
    assert not nearly_identical(thumbnail(still), thumbnail(texture(360, 360, 3)))
