"""Finding every displayed frame's exact timestamp, mostly without decoding.

All packets are listed. Then the first frames, the last group of pictures and whatever is
marked as damaged are decoded and compared with the list, because there packets may not be
displayed: leading pictures whose references are missing, a tail that was cut. Where list and
decoder cannot be reconciled, the whole file is decoded once.
"""

from __future__ import annotations

from bisect import bisect_left
from contextlib import closing
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import median

from av import VideoFrame

from vidseg.media.read.packet_list import PacketList, list_packets
from vidseg.media.read.reader import BACKS_S, frames_from_key, frames_from_start
from vidseg.model.progress import Progress

HEAD_FRAMES = 40
"""Frames decoded at the start: more than any codec's reordering (16) plus leading pictures."""

TAIL_PACKETS = 8
MOST_STRETCHES = 10
MOST_UNTIMED = 0.1
GAP_FRAMES = 5


@dataclass(frozen=True, slots=True)
class FrameList:
    """The displayed frames.

    ``pts`` rises strictly where ``ordered``; else it only numbers the frames. ``undecodable``
    counts stored pictures that do not decode, ``untimed`` frames left out because their time is
    missing, repeated or out of order. ``head`` is the first frame.
    """

    pts: list[int]
    ordered: bool
    undecodable: int
    untimed: int
    head: VideoFrame
    interlaced: bool
    packets: PacketList


def list_frames(
    path: Path, progress: Progress | None = None, *, thorough: bool = False
) -> FrameList | None:
    """List the displayed frames of ``path``; None where not one frame decodes.

    ``thorough`` decodes the whole file in any case, and so finds unmarked damage within it.
    Raises MediaError where the file cannot be opened.
    """
    found = list_packets(path, None if progress is None else lambda done: progress(done / 2))
    times = sorted(set(found.pts))
    head, complete = _decode_head(path)
    if complete and len(head) < len(times):
        head, complete = _decode_head(path, threads=False)
    if not head:
        return None
    displayed = None if thorough else _reconcile(path, found, times, head, complete)
    if displayed is None:
        return _decode_all(path, found, progress)
    return FrameList(
        pts=displayed,
        ordered=True,
        undecodable=len(times) - len(displayed),
        untimed=len(found.pts) - len(times),
        head=head[0],
        interlaced=any(frame.interlaced_frame for frame in head),
        packets=found,
    )


def _reconcile(
    path: Path, found: PacketList, times: list[int], head: list[VideoFrame], complete: bool
) -> list[int] | None:
    """Cut ``times`` down to what decodes; None where only decoding everything can tell."""
    seen = [frame.pts for frame in head if frame.pts is not None]
    if (
        found.unordered
        or found.bare
        or found.lost
        or len(seen) < len(head)
        or not _rising(seen)
        or not set(seen) <= set(times)
        or len(found.pts) - len(times) > MOST_UNTIMED * len(times)
    ):
        return None
    if complete:
        return seen
    kept = [pts for pts in times if pts >= seen[0]]
    if kept[: len(seen)] != seen:
        return None
    tail = max(0, len(found.pts) - TAIL_PACKETS)
    places = [*found.damaged, *_beside_gaps(found, kept), tail]
    stretches = {found.key_before(place) for place in places}
    if None in stretches or len(stretches) > MOST_STRETCHES:
        return None
    lost: set[int] = set()
    risky = {*found.pts[tail:], *found.pts[:1]}
    last_key = found.key_before(tail)
    for key in stretches:
        assert key is not None
        end = None if key == last_key else _next_key(found, key)
        missing = _missing(path, kept, key, end)
        if missing is None or (len(places) == 1 and not missing <= risky):
            return None
        lost |= missing
    return [pts for pts in kept if pts not in lost]


def _beside_gaps(found: PacketList, times: list[int]) -> list[int]:
    """Give the places of the pictures on both sides of long gaps in ``times``."""
    apart = [after - before for before, after in pairwise(times)]
    most = GAP_FRAMES * median(apart)
    beside = [pair for pair, gap in zip(pairwise(times), apart, strict=True) if gap > most]
    return [found.pts.index(pts) for pair in beside[:MOST_STRETCHES] for pts in pair]


def _next_key(found: PacketList, key: int) -> int | None:
    return min((found.pts[place] for place in found.keys if found.pts[place] > key), default=None)


def _missing(path: Path, times: list[int], key: int, end: int | None) -> set[int] | None:
    """Give the times from ``key`` to ``end`` that do not decode; None for frames not listed."""
    expected = times[bisect_left(times, key) : None if end is None else bisect_left(times, end)]
    seen: list[int] = []
    for threads in (True, False):  # several threads may lose good frames beside damaged ones
        seen = _decode_stretch(path, key, end, threads)
        if seen == expected:
            return set()
    if not seen or not _rising(seen) or set(seen) - set(expected):
        return None
    return set(expected) - set(seen)


def _decode_stretch(path: Path, key: int, end: int | None, threads: bool) -> list[int]:
    for back_s in BACKS_S:
        seen: list[int] = []
        with closing(frames_from_key(path, key, back_s, threads=threads)) as frames:
            for frame in frames:
                if frame.pts is not None and end is not None and frame.pts >= end:
                    break
                if frame.pts is not None and frame.pts >= key:
                    seen.append(frame.pts)
        if seen and seen[0] == key:
            return seen
    return []


def _decode_head(path: Path, *, threads: bool = True) -> tuple[list[VideoFrame], bool]:
    """Give the first frames, and whether they are all there are."""
    head: list[VideoFrame] = []
    with closing(frames_from_start(path, threads=threads)) as frames:
        for frame in frames:
            if len(head) == HEAD_FRAMES:
                return head, False
            head.append(frame)
    return head, True


def _decode_all(path: Path, found: PacketList, progress: Progress | None) -> FrameList | None:
    first: VideoFrame | None = None
    interlaced = False
    times: list[int] = []
    count = 0
    likely = max(1, len(found.pts) + found.without_pts)
    for frame in frames_from_start(path):
        first = first or frame
        interlaced |= frame.interlaced_frame
        count += 1
        if frame.pts is not None:
            times.append(frame.pts)
        if progress is not None and count % 100 == 0:
            progress(0.5 + min(0.5, count / likely / 2))
    if first is None:
        return None
    if count < likely and times and found.pts:  # the end again, as in _missing
        key = found.key_before(max(0, len(found.pts) - TAIL_PACKETS))
        more = [] if key is None else _decode_stretch(path, key, None, threads=False)
        added = [pts for pts in more if pts > max(times)]
        times += added
        count += len(added)
    kept = longest_rise(times)
    ordered = count - len(kept) <= MOST_UNTIMED * count
    return FrameList(
        pts=kept if ordered else list(range(count)),
        ordered=ordered,
        undecodable=max(0, likely - count),
        untimed=count - len(kept) if ordered else 0,
        head=first,
        interlaced=interlaced,
        packets=found,
    )


def longest_rise(times: list[int]) -> list[int]:
    """Give a longest strictly rising run of ``times``, leaving out as few as can be.

    Patience sorting, O(n log n): Schensted, Canad J Math 1961;13:179-191; Fredman, Discrete Math
    1975;11:29-35.
    """
    tails: list[int] = []
    places: list[int] = []
    before: list[int] = []
    for place, time in enumerate(times):
        rank = bisect_left(tails, time)
        before.append(places[rank - 1] if rank else -1)
        if rank == len(tails):
            tails.append(time)
            places.append(place)
        else:
            tails[rank], places[rank] = time, place
    kept: list[int] = []
    place = places[-1] if places else -1
    while place >= 0:
        kept.append(times[place])
        place = before[place]
    return kept[::-1]


def _rising(times: list[int]) -> bool:
    return all(a < b for a, b in pairwise(times))
