"""How a long job tells how far it is: to whoever asked, never to the screen itself."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[float], None]
"""Takes the part of one job that is done, 0 to 1, never less than before."""

StageProgress = Callable[[str, float], None]
"""Takes the name of the stage at work and the part of that stage that is done, 0 to 1."""


def silent(_stage: str, _fraction: float) -> None:
    """Tell nobody."""
