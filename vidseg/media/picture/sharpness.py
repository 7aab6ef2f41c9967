"""How good a single picture is: sharpness, brightness, and what is blown out or black.

All values are taken from the middle of the picture, a square of two thirds of its shorter side:
the largest simple square whose corners stay inside the round view of a microscope's eyepiece,
so that the bright ring and the black surround of that view count for nothing. Luma is on the
full scale: 0 is black and 255 white, whatever range the file stores.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from av import VideoFrame

Luma = npt.NDArray[np.uint8]

MEASURED_PX = 540
"""Shorter side at which pictures are measured: full HD averaged 2 by 2. Measuring much smaller
pictures hides blur: at 160 by 90 a blur of 2 px of full HD leaves 85 % of the sharpness."""

BLOWN_OUT = 250
"""Luma from which a pixel counts as blown out."""

BLACK = 16
"""Luma up to which a pixel counts as black."""

THUMBNAIL_PX = 32


@dataclass(frozen=True, slots=True)
class FrameQuality:
    """What the middle of one picture is like.

    ``sharpness`` is the variance of the Laplacian (luma squared), ``blown_out`` and ``black`` are
    shares of the pixels, from 0 to 1.
    """

    sharpness: float
    blown_out: float
    black: float


def laplacian_variance(gray: Luma) -> float:
    """Give the variance of the Laplacian of ``gray``, shape (h, w), uint8.

    Kernel [[0, 1, 0], [1, -4, 1], [0, 1, 0]] in float64, borders mirrored without repeating the
    edge pixel, population variance. Pech-Pacheco et al., ICPR 2000; LAPV in Pertuz et al.,
    Pattern Recognition 2013;46:1415-1432.
    """
    response = cv2.Laplacian(gray, cv2.CV_64F, ksize=1, borderType=cv2.BORDER_REFLECT_101)
    return float(np.var(response))


def central_luma(frame: VideoFrame) -> Luma:
    """Give the luma of the middle of ``frame``, shape (side, side), at most 360 by 360.

    The frame is averaged down to a shorter side of at most ``MEASURED_PX``. An interlaced frame
    is at least halved, which averages its two fields: otherwise the comb that movement leaves
    between them would pass for sharpness.
    """
    short = min(frame.width, frame.height)
    scale = min(1.0, MEASURED_PX / short)
    if frame.interlaced_frame:
        scale = min(scale, 0.5)
    width, height = (max(2, round(size * scale)) for size in (frame.width, frame.height))
    # Always through the scaler, even at the same size: it brings 10-bit pictures and the
    # limited range of video to the full 8-bit scale.
    if frame.interlaced_frame:  # the scaler would keep the fields, and their comb, apart
        full = frame.reformat(format="gray", threads=1).to_ndarray()
        whole = cv2.resize(full, (width, height), interpolation=cv2.INTER_AREA)
    else:
        small = frame.reformat(width, height, "gray", interpolation="AREA", threads=1)
        whole = small.to_ndarray()
    side = max(2, min(width, height) * 2 // 3)
    top, left = (height - side) // 2, (width - side) // 2
    return np.ascontiguousarray(whole[top : top + side, left : left + side], dtype=np.uint8)


def luma_quality(luma: Luma) -> FrameQuality:
    """Measure ``luma``, shape (h, w), as given by ``central_luma``."""
    return FrameQuality(
        sharpness=laplacian_variance(luma),
        blown_out=float(np.count_nonzero(luma >= BLOWN_OUT) / luma.size),
        black=float(np.count_nonzero(luma <= BLACK) / luma.size),
    )


def thumbnail(luma: Luma) -> Luma:
    """Average ``luma`` down to 32 by 32, to tell pictures apart by."""
    size = (THUMBNAIL_PX, THUMBNAIL_PX)
    return np.asarray(cv2.resize(luma, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def nearly_identical(one: Luma, other: Luma, *, mean: float = 1.5, largest: int = 12) -> bool:
    """Say whether two thumbnails differ by less than noise, on average and nowhere by much.

    ``mean`` and ``largest`` are luma steps. The second bound keeps pictures apart in which only
    something small, such as the tip of an instrument, has moved.
    """
    difference = np.abs(one.astype(np.int16) - other.astype(np.int16))
    return bool(difference.mean() < mean and difference.max() <= largest)
