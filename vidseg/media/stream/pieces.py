"""A segment's pictures: copied from the file, and put together as one fragment."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from vidseg.media.splice.groups import NotSpliceable, Source
from vidseg.media.stream.copyable import end_ns
from vidseg.media.stream.fragmented_mp4 import AHEAD, PICTURE_SCALE, Sample, fragment
from vidseg.media.stream.playback import PlaySegment
from vidseg.model.clock import NS, format_time, ratio_round
from vidseg.model.problem import MediaError
from vidseg.model.recording import Part

StoredPicture = tuple[int, bool, bytes]
"""A coded picture: its frame number in the part, whether decoding can start at it, its data."""


def copied(source: Source, first: int, last: int) -> Iterator[StoredPicture]:
    """Yield the stored pictures of frames ``[first, last)``, whole groups, in decoding order.

    Raises NotSpliceable where they are not stored together.
    """
    count = 0
    for picture in source.pictures(first):
        if count == 0 and not (picture.index == first and picture.starts):
            continue
        if picture.index is None or not first <= picture.index < last:
            break
        yield picture.index, picture.starts, picture.sample
        count += 1
        if count == last - first:
            return
    raise NotSpliceable("its pictures are not stored as they were when the file was opened")


def fragment_of(
    index: int, segment: PlaySegment, part: Part, pictures: Iterable[StoredPicture]
) -> bytes:
    """Give the fragment of a segment's pictures, each at its own time and for its own length."""
    marks = [
        _ticks(part.start + end_ns(part, frame)) for frame in range(segment.first, segment.last + 1)
    ]
    samples, decoded = [], marks[0]
    for frame, starts, data in pictures:
        place = frame - segment.first
        duration = marks[place + 1] - marks[place]
        samples.append(Sample(data, duration, marks[place] - decoded + AHEAD, starts))
        decoded += duration
    return fragment(index, marks[0], samples)


def unmade(part: Part, segment: PlaySegment, reason: str) -> MediaError:
    """Give the error for a segment that cannot be made."""
    start = format_time(segment.start_ns)
    return MediaError(
        str(part.path), f"{start} to {format_time(segment.end_ns)} cannot be shown: {reason}"
    )


def _ticks(at_ns: int) -> int:
    return ratio_round(at_ns * PICTURE_SCALE, NS)
