"""A rectangle of the picture that is to be covered, for all or part of the time."""

from __future__ import annotations

from dataclasses import dataclass

from vidseg.model.span import Span


@dataclass(frozen=True, slots=True)
class Mask:
    """A rectangle in px of the picture as shown (upright), ``x`` and ``y`` from its top left.

    ``span`` (ns, case time) says when; None is the whole recording. Raises ValueError for a
    rectangle without area or with a corner left of or above the picture.
    """

    x: int
    y: int
    width: int
    height: int
    span: Span | None = None

    def __post_init__(self) -> None:
        if self.x < 0 or self.y < 0:
            raise ValueError(f"the corner {self.x},{self.y} lies outside the picture")
        if self.width <= 0 or self.height <= 0:
            raise ValueError(f"{self.width} x {self.height} px has no area")
