"""A clip before it is cut: which frames, under which name, with which captions."""

from __future__ import annotations

from dataclasses import dataclass

from vidseg.model.recording import Captions
from vidseg.model.span import Span
from vidseg.model.stretch import Stretch


@dataclass(frozen=True, slots=True)
class Clip:
    """All that shows in a clip: its file's name (.mp4 .mov .mkv), its frames, its captions.

    ``captions`` are on the clip's own clock.
    """

    name: str
    pieces: tuple[Stretch, ...]
    captions: Captions | None = None

    @property
    def n_frames(self) -> int:
        """Frames in the clip."""
        return sum(piece.last - piece.first for piece in self.pieces)

    @property
    def spans(self) -> tuple[Span, ...]:
        """The same footage on the case clock."""
        return tuple(piece.span for piece in self.pieces)

    @property
    def length(self) -> int:
        """Length of the clip in ns."""
        return sum(piece.length for piece in self.pieces)
