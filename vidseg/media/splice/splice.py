"""Exact clips at the speed of copying: nothing hidden, nothing from outside the frames.

See ``splicing`` for how the pictures come about and ``verify`` for how the file is checked
before it gets its name. What cannot be spliced is encoded anew by ``clip``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from vidseg.disk.atomic_write import written_aside
from vidseg.media.splice.groups import NotSpliceable
from vidseg.media.splice.splicing import MOST_DEPTH, DeeperOrder, Sources, Splice
from vidseg.media.splice.verify import verify_splice
from vidseg.media.write.clip import require_frames, write_clip, write_tracks
from vidseg.media.write.target import container_of, errors_of, open_target, refuse_own_sources
from vidseg.model.clip import Clip
from vidseg.model.cutting import Cutting, Verify
from vidseg.model.problem import MediaError
from vidseg.model.progress import Progress
from vidseg.model.recording import Captions


@dataclass(frozen=True, slots=True)
class ClipReport:
    """How a clip was made.

    ``way`` is "copied" (whole groups of pictures copied, edges encoded) or "re-encoded";
    ``reason`` says why it was re-encoded, or why a range was, else "". ``verified`` is what was
    compared with the source: "edges", "full", "none", and "count" for a re-encoded clip, of
    which the stored pictures are counted. ``damaged`` frames of a re-encoded clip came damaged
    from the decoder, the first of them at ``damage_ns`` (case time).
    """

    way: Literal["copied", "re-encoded"]
    reason: str
    copied_frames: int
    encoded_frames: int
    verified: Literal["edges", "full", "none", "count"]
    damaged: int = 0
    damage_ns: int = 0


def reencode_clip(
    clip: Clip, folder: Path, how: Cutting, reason: str, progress: Progress | None
) -> ClipReport:
    """Write a clip by encoding all of it; ``reason`` is why."""
    damaged = write_clip(clip.pieces, folder / clip.name, clip.captions, how.quality, progress)
    first = min(damaged, default=0)
    return ClipReport("re-encoded", reason, 0, clip.n_frames, "count", len(damaged), first)


def splice_clip(
    clip: Clip, folder: Path, how: Cutting, sources: Sources, progress: Progress | None
) -> ClipReport:
    """Write a clip by splicing alone. Raises NotSpliceable, and as ``write_clip``."""
    out = folder / clip.name
    kind = container_of(out)
    if kind == "webm":
        raise MediaError(str(out), "clips are written to .mp4, .mov or .mkv")
    refuse_own_sources((piece.part for piece in clip.pieces), out)
    depth = 0
    while True:
        splice = Splice(clip.pieces, sources, how.quality, depth)
        try:
            _write(splice, out, kind, clip.captions, how.verify, progress)
        except DeeperOrder as found:
            if found.depth > MOST_DEPTH:
                raise NotSpliceable("its pictures are stored in no usable order") from None
            depth = found.depth
            continue
        own = sum(coded.own for coded in splice.coded)
        return ClipReport("copied", splice.reason, len(splice.coded) - own, own, how.verify)


def _write(
    splice: Splice,
    out: Path,
    kind: str,
    captions: Captions | None,
    verify: Verify,
    progress: Progress | None,
) -> None:
    def half(second: int) -> Progress | None:
        if progress is None or verify == "none":
            return progress
        return lambda fraction: progress((second + fraction) / 2)

    pieces = splice.pieces
    with written_aside(out) as aside, errors_of(out):
        with open_target(aside, kind, faststart=True) as target:
            stream = splice.add_track(target)
            packets = splice.packets(stream)
            write_tracks(target, kind, pieces, stream, packets, captions, half(0))
        if verify == "none":
            require_frames(aside, pieces, out)
        else:
            verify_splice(aside, splice, full=verify == "full", progress=half(1))
    if progress:
        progress(1.0)
