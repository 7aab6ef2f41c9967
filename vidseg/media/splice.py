"""Exact clips at the speed of copying: nothing hidden, nothing from outside the frames.

See ``splicing`` for how the pictures come about and ``verify`` for how the file is checked
before it gets its name. What cannot be spliced is encoded anew by ``clip``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from vidseg.aside import written_aside
from vidseg.media.clip import require_frames, write_clip, write_tracks
from vidseg.media.groups import NotSpliceable
from vidseg.media.splicing import DeeperOrder, Sources, Splice
from vidseg.media.stretch import stretches
from vidseg.media.target import (
    Progress,
    container_of,
    errors_of,
    open_target,
    refuse_own_sources,
)
from vidseg.media.verify import verify_splice
from vidseg.model.problem import MediaError
from vidseg.model.recording import Captions, Recording

Verify = Literal["edges", "full", "none"]
MOST_DEPTH = 16


@dataclass(frozen=True, slots=True)
class ClipReport:
    """How a clip was made.

    ``way`` is "copied" (whole groups of pictures copied, edges encoded) or "re-encoded";
    ``reason`` says why it was re-encoded, or why a range was, else "". ``verified`` is what was
    compared with the source: "edges", "full", "none", and "count" for a re-encoded clip, of
    which the stored pictures are counted.
    """

    way: Literal["copied", "re-encoded"]
    reason: str
    copied_frames: int
    encoded_frames: int
    verified: Literal["edges", "full", "none", "count"]


def write_exact_clip(
    recording: Recording,
    ranges: Sequence[tuple[int, int]],
    out: Path,
    captions: Captions | None = None,
    *,
    quality: int = 18,
    reencode: bool = False,
    verify: Verify = "edges",
    threads: int = 0,
    progress: Progress = None,
    sources: Sources | None = None,
) -> ClipReport:
    """Write the frames of ``ranges``, one after another, to ``out`` (.mp4 .mov .mkv).

    As ``clip.write_clip``, but whole groups of pictures are copied where they can be, and
    only the frames at the edges are encoded (``quality`` or better). ``reencode`` encodes
    everything. ``threads`` is how many the codecs may use, 0 for as many as there are cores.
    ``sources`` keeps files open from one clip to the next.

    Raises MediaError and UsageError as ``write_clip`` does; nothing is left behind on failure
    or Ctrl-C.
    """
    pieces = stretches(recording, ranges)
    frames = sum(piece.last - piece.first for piece in pieces)
    reason = "asked for"
    if not reencode:
        kept = sources or Sources(threads)
        try:
            kind = container_of(out)
            if kind == "webm":
                raise MediaError(str(out), "clips are written to .mp4, .mov or .mkv")
            refuse_own_sources(recording, out)
            try:
                return _spliced(recording, ranges, out, kind, captions, quality, verify, kept,
                                progress)  # fmt: skip
            except NotSpliceable as found:
                reason = found.reason
        finally:
            if sources is None:
                kept.close()
    write_clip(recording, ranges, out, captions, quality, progress)
    return ClipReport("re-encoded", reason, 0, frames, "count")


def _spliced(
    recording: Recording,
    ranges: Sequence[tuple[int, int]],
    out: Path,
    kind: str,
    captions: Captions | None,
    quality: int,
    verify: Verify,
    sources: Sources,
    progress: Progress,
) -> ClipReport:
    pieces = stretches(recording, ranges)
    depth = 0
    while True:
        splice = Splice(pieces, sources, quality, depth)
        try:
            with written_aside(out) as aside, errors_of(out):
                with open_target(aside, kind, faststart=True) as target:
                    stream = splice.add_track(target)
                    write_tracks(
                        target, kind, pieces, stream, splice.packets(stream), captions, progress
                    )
                if verify == "none":
                    require_frames(aside, pieces, out)
                else:
                    verify_splice(aside, splice, full=verify == "full")
        except DeeperOrder as found:
            depth = found.depth
            if depth > MOST_DEPTH:
                raise NotSpliceable("its pictures are stored in no usable order") from None
            continue
        break
    own = sum(coded.own for coded in splice.coded)
    if progress:
        progress(1.0)
    return ClipReport("copied", splice.reason, len(splice.coded) - own, own, verify)
