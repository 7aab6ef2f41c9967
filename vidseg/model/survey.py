"""What one look at every frame of a recording gives: numbers per frame, never pictures."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats32 = npt.NDArray[np.float32]

LAGS = (1, 2, 3, 4)
"""How many frames back each frame is compared with."""


@dataclass(frozen=True, slots=True)
class PartSurvey:
    """Signals of the n frames of one part that decoded, all shape (n,) unless said otherwise.

    Luma is on the full scale (0 to 255) of the picture averaged down to 160 by 90.

    ``frame`` is the number of each in the part's ``frame_ns``. ``luma`` and ``spread`` are mean
    and standard deviation; ``dark`` and ``flat`` the shares (0 to 1) of pixels at most 24 and
    within 10 of the mean. ``change``, shape (n, 4), is the mean absolute difference to the frame
    1, 2, 3 and 4 before, brightness evened out; ``local``, shape (n, 4), the same in the tenth
    of the picture where it is largest. Both go on across the join to the part before and are nan
    where there is no frame before. ``raw`` is the difference to the frame before as it is.
    ``shift_x``, ``shift_y`` (px of 160 by 90) tell how the picture moved, ``firm`` (0 to 1) how
    sure that is. ``histogram`` is the distance (0 to 1) to the frame before. ``sharpness`` is
    nan where it was not measured. ``key`` marks frames that decode alone, ``corrupt`` those
    decoded with errors.

    ``untimed`` holds, for each frame left out for its time, how many frames came before it.
    ``undecodable`` counts listed frames that did not decode; ``fields`` is the share of looked-at
    frames whose lines show two moments, ``flagged`` the share the file calls interlaced.
    ``promised`` is the length that the header promises from the first displayed frame on (ns).
    ``head`` and ``tail``, shape (k, 36, 64) uint8, are small pictures of the ends.
    """

    frame: npt.NDArray[np.int64]
    luma: Floats32
    spread: Floats32
    dark: Floats32
    flat: Floats32
    raw: Floats32
    change: Floats32
    local: Floats32
    shift_x: Floats32
    shift_y: Floats32
    firm: Floats32
    histogram: Floats32
    sharpness: Floats32
    key: npt.NDArray[np.bool_]
    corrupt: npt.NDArray[np.bool_]
    untimed: tuple[int, ...]
    undecodable: int
    fields: float
    flagged: float
    promised: int | None
    head: npt.NDArray[np.uint8] = field(repr=False)
    tail: npt.NDArray[np.uint8] = field(repr=False)


@dataclass(frozen=True, slots=True)
class Survey:
    """One ``PartSurvey`` for each part of a recording, in order."""

    parts: tuple[PartSurvey, ...]
