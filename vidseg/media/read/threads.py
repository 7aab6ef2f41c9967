"""How many threads decoders and encoders of this process use: all there are, unless told."""

from __future__ import annotations

import os

import cv2

ENCODER_THREADS = 4
"""Threads of an encoder where a number was chosen: what x264 writes depends on it, so that it is
the same however many cores a job has."""

_chosen: list[int] = []


def use_threads(count: int) -> None:
    """Let each decoder of this process use ``count`` threads from now on, and OpenCV as many.

    For processes that work side by side; what they write does not depend on ``count``.
    """
    _chosen[:] = [max(1, count)]
    cv2.setNumThreads(max(1, count))


def decoder_threads() -> int:
    """Give the threads of a decoder, 0 for as many as there are cores."""
    return _chosen[0] if _chosen else 0


def encoder_threads() -> int:
    """Give the threads of an encoder of whole clips, 0 for as many as there are cores."""
    return ENCODER_THREADS if _chosen else 0


def cores() -> int:
    """Give how many cores there are for this process's work."""
    return decoder_threads() or os.cpu_count() or 1
