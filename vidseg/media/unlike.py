"""Spans whose pictures look unlike most of the recording, by colour, light and texture."""

from __future__ import annotations

from collections.abc import Sequence
from vidseg.media.samples import Sample
from vidseg.model.look import UnlikeView
from vidseg.model.recording import Recording


def unlike_views(
    recording: Recording, samples: Sequence[Sample]
) -> tuple[tuple[UnlikeView, ...], list[str]]:
    return (), []
