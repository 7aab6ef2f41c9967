"""How clips are cut."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Verify = Literal["edges", "full", "none"]


@dataclass(frozen=True, slots=True)
class Cutting:
    """How clips are cut.

    ``quality`` is x264's constant rate factor for what is encoded; ``reencode`` encodes all of
    it; ``verify`` says how much is compared with the source.
    """

    quality: int = 18
    reencode: bool = False
    verify: Verify = "edges"


AS_USUAL = Cutting()
