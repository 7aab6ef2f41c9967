"""The bar code: every drawn frame carries its own number along the bottom edge.

36 cells in one row across the full width: white, black, 20 bits of number (highest first),
12 check bits, black, white. The row takes the lowest twentieth of the picture, so the code
scales with the picture and is read from any decoder's luma plane, limited or full range.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

NUMBER_BITS = 20
CHECK_BITS = 12
CELLS = NUMBER_BITS + CHECK_BITS + 4
HIGHEST = (1 << NUMBER_BITS) - 1

WHITE, BLACK = 220, 30
_LEAST_CONTRAST = 60.0
_CHECK_POLYNOMIAL = 0x80F  # the 12-bit CRC generator x^12+x^11+x^3+x^2+x+1, top bit left out

Luma = npt.NDArray[np.uint8]


def check_bits(number: int) -> int:
    """Give the 12 check bits of ``number``: a CRC that starts from all ones."""
    register = (1 << CHECK_BITS) - 1
    top = 1 << (CHECK_BITS - 1)
    for place in range(NUMBER_BITS - 1, -1, -1):
        bit = (number >> place) & 1
        feedback = bit ^ (1 if register & top else 0)
        register = (register << 1) & ((1 << CHECK_BITS) - 1)
        if feedback:
            register ^= _CHECK_POLYNOMIAL
    return register


def strip_rows(height: int) -> int:
    """Give how many rows at the bottom of a picture of ``height`` rows the code takes."""
    return max(2, round(height / 20))


def cells_of(number: int) -> npt.NDArray[np.bool_]:
    """Give the 36 cells of ``number``, True for white. ValueError outside 0..1048575."""
    if not 0 <= number <= HIGHEST:
        raise ValueError(f"a frame number goes from 0 to {HIGHEST}, not {number}")
    word = (number << CHECK_BITS) | check_bits(number)
    bits = [(word >> place) & 1 for place in range(NUMBER_BITS + CHECK_BITS - 1, -1, -1)]
    return np.array([1, 0, *bits, 0, 1], dtype=bool)


def draw_number(luma: Luma, number: int) -> None:
    """Draw ``number`` into ``luma`` (uint8, (h, w)) in place. ValueError when out of range."""
    height, width = luma.shape
    edges = np.round(np.linspace(0, width, CELLS + 1)).astype(int)
    row = np.repeat(np.where(cells_of(number), WHITE, BLACK), np.diff(edges)).astype(np.uint8)
    luma[height - strip_rows(height) :] = row


def read_number(luma: npt.NDArray[Any]) -> int | None:
    """Read the frame's number from ``luma`` (uint8, (h, w)).

    Returns None where there is no code to read: the four reference cells do not stand out, a
    cell is neither black nor white (a blend of two frames), or the check bits do not agree.
    """
    height, width = luma.shape
    rows = height / 20
    top, bottom = int(height - 0.7 * rows), max(int(height - 0.3 * rows), height - 1)
    column = luma[top : max(bottom, top + 1)].mean(axis=0)
    pitch = width / CELLS
    centres = (np.arange(CELLS) + 0.5) * pitch
    reach = pitch * 0.2
    firsts = np.floor(centres - reach).astype(int)
    lasts = np.maximum(np.ceil(centres + reach).astype(int), firsts + 1)
    sums = np.concatenate([[0.0], np.cumsum(column)])
    lasts = np.minimum(lasts, width)
    values = (sums[lasts] - sums[firsts]) / (lasts - firsts)
    white = (values[0] + values[-1]) / 2
    black = (values[1] + values[-2]) / 2
    if min(values[0], values[-1]) - max(values[1], values[-2]) < _LEAST_CONTRAST:
        return None
    level = (values - black) / (white - black)
    if bool(np.any(np.abs(level - 0.5) < 0.15)):
        return None
    word = 0
    for bit in (level > 0.5)[2:-2]:
        word = (word << 1) | int(bit)
    number, check = word >> CHECK_BITS, word & ((1 << CHECK_BITS) - 1)
    return number if check == check_bits(number) else None
