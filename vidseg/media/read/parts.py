"""Several files, one operation: where each part lies on the case clock.

Starts that the user declares count; else timecode tracks, where they agree with the parts' lengths;
else the parts are taken to touch, and the recording says so. What a container calls its creation
time is never used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from vidseg.model.clock import NS, format_time, frame_to_ns, ns_to_pts, timecode_to_frame
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.recording import Part, Recording

LONGEST_HOLE_NS = 6 * 3600 * NS
"""Timecode that leaves a longer hole between parts is not taken for one clock (our choice)."""


def join_parts(parts: Sequence[Part], starts: Sequence[int] = ()) -> Recording:
    """Place parts, in the order given, on one case clock that begins with the first.

    ``starts`` (ns, from any common origin, one per part) are the declared ones. Frames with
    which a part repeats the end of the one before are left out (``Part.skipped``). Raises
    UsageError for a part given twice or starts that run backwards, MediaError for parts that
    cannot be of one recording: other size or other rate.
    """
    _refuse_strangers(parts)
    if len(parts) == 1:
        return Recording((replace(parts[0], start=0),))
    if starts:
        return Recording(_placed(parts, [start - starts[0] for start in starts]), "declared")
    found = timecode_starts(parts)
    if found is not None:
        return Recording(_placed(parts, found), "timecode")
    at, touching = 0, []
    for part in parts:
        touching.append(at)
        at += part.length
    return Recording(_placed(parts, touching), "touching")


def timecode_starts(parts: Sequence[Part]) -> list[int] | None:
    """Give each part's start (ns, the first at 0) by its timecode; None unless all agree.

    They agree where every part has one and starts no earlier than a frame before the end of
    the part before, and no more than ``LONGEST_HOLE_NS`` after it.
    """
    labels: list[int] = []
    for part in parts:
        try:
            frame = timecode_to_frame(part.timecode or "", part.rate)
        except ValueError:
            return None
        labels.append(frame_to_ns(frame, part.rate))
    starts = [label - labels[0] for label in labels]
    for (before, start), (_, after) in pairwise(zip(parts, starts, strict=True)):
        hole = after - start - before.length
        if not -frame_to_ns(1, before.rate) <= hole <= LONGEST_HOLE_NS:
            return None
    return starts


def _refuse_strangers(parts: Sequence[Part]) -> None:
    first = parts[0]
    seen = set()
    for part in parts:
        if part.path.resolve() in seen:
            raise UsageError(f"{part.path.name} is given twice; name each part once")
        seen.add(part.path.resolve())
        size, other = (part.width, part.height), (first.width, first.height)
        if size != other:
            raise MediaError(
                str(part.path),
                f"its picture is {size[0]}x{size[1]}, that of {first.path.name} is "
                f"{other[0]}x{other[1]}; parts of one recording have one size",
            )
        apart = abs(float(part.rate / first.rate) - 1)
        if apart > 0.01 and part.constant_rate and first.constant_rate:
            raise MediaError(
                str(part.path),
                f"it runs at {float(part.rate):.3f} frames/s, {first.path.name} at "
                f"{float(first.rate):.3f}; parts of one recording have one rate",
            )


def _placed(parts: Sequence[Part], starts: Sequence[int]) -> tuple[Part, ...]:
    placed: list[Part] = []
    for part, start in zip(parts, starts, strict=True):
        before = placed[-1] if placed else None
        if before is not None and start < before.start:
            raise UsageError(
                f"{part.path.name} would start at {format_time(start)}, before {before.path.name} "
                f"at {format_time(before.start)}; give the parts and their starts in order"
            )
        moved = replace(part, start=start)
        if before is not None and start < before.span.end:
            moved = _without_repeat(moved, before.span.end)
        placed.append(moved)
    return tuple(placed)


def _without_repeat(part: Part, end: int) -> Part:
    """Leave out the frames of ``part`` that start before ``end`` (case time)."""
    slack = frame_to_ns(1, part.rate) // 2
    keep = int(np.searchsorted(part.frame_ns, end - part.start - slack))
    if keep >= len(part.frame_ns):
        raise UsageError(
            f"{part.path.name} lies wholly within the part before it; check the starts"
        )
    offset = int(part.frame_ns[keep])
    frame_ns = part.frame_ns[keep:] - offset
    frame_ns.setflags(write=False)
    return replace(
        part,
        start=max(end, part.start + offset),
        frame_ns=frame_ns,
        length=part.length - offset,
        first_pts=part.first_pts + ns_to_pts(offset, part.time_base),
        skipped=keep,
        skipped_ns=offset,
    )
