"""Cheap ways to single frames: key frames decoded alone, and runs that hang on one key frame."""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
from av import VideoFrame
from av.container import InputContainer
from av.error import FFmpegError
from av.packet import Packet
from av.video.stream import VideoStream

from vidseg.media.read.frames import decode
from vidseg.media.read.opening import opened, video_stream
from vidseg.media.read.reader import packets
from vidseg.model.clock import ns_to_pts, pts_to_ns
from vidseg.model.problem import MediaError
from vidseg.model.recording import Part

NEARBY_NS = 2_000_000
"""A packet belongs to the frame that starts within so many ns of its own time."""


class Keyframes:
    """The key frames of one part, found by seeking: the file is not read from end to end.

    Knows nothing of parts whose frames are numbered in decode order (``pts_order`` False):
    there a packet does not say which frame it holds.
    """

    def __init__(self, part: Part, container: InputContainer, stream: VideoStream) -> None:
        self._part, self._container, self._stream = part, container, stream

    def before(self, index: int) -> int | None:
        """Give the index of the key frame at or before frame ``index`` of the part.

        Where the container's seeking is coarse it may be another one nearby; None where none
        is found.
        """
        packet = self._seek(index)
        return None if packet is None else self._index_of(packet)

    def read(self, index: int, skip: Container[int] = ()) -> tuple[int, VideoFrame] | None:
        """Decode the key frame that ``before`` finds, alone, and give it with its own index.

        None where there is none, where its index is in ``skip``, or where it is damaged.
        """
        packet = self._seek(index)
        found = None if packet is None else self._index_of(packet)
        if packet is None or found is None or found in skip:
            return None
        decoder = self._stream.codec_context
        try:
            frames = [*decoder.decode(packet), *decoder.decode(None)]
        except FFmpegError:
            return None
        for frame in frames:
            if frame.pts == packet.pts and not frame.is_corrupt:
                return found, frame
        return None

    def _seek(self, index: int) -> Packet[Any] | None:
        part = self._part
        if not part.pts_order:
            return None
        target = part.first_pts + ns_to_pts(int(part.frame_ns[index]), part.time_base)
        try:
            self._container.seek(target, stream=self._stream, backward=True)
        except FFmpegError:
            return None
        for packet in packets(self._container, self._stream):
            if packet.size and packet.is_keyframe and packet.pts is not None:
                return packet
        return None

    def _index_of(self, packet: Packet[Any]) -> int | None:
        part = self._part
        assert packet.pts is not None
        at = pts_to_ns(packet.pts - part.first_pts, part.time_base)
        right = int(np.searchsorted(part.frame_ns, at))
        for index in (right - 1, right):
            if 0 <= index < len(part.frame_ns):
                apart = abs(int(part.frame_ns[index]) - at)
                if apart < NEARBY_NS:
                    return index
        return None


@contextmanager
def keyframes(part: Part) -> Iterator[Keyframes]:
    """Open ``part`` to look for key frames in; closed when the block ends. Raises MediaError."""
    with opened(part.path) as container:
        stream = video_stream(container, part.path)
        stream.thread_type = "SLICE"  # frame threads only delay a picture that stands alone
        yield Keyframes(part, container, stream)


def sparse_frames(
    part: Part, indices: Sequence[int], *, pass_over: bool = False
) -> Iterator[tuple[int, VideoFrame]]:
    """Yield (index, frame) for each of ``indices``, sorted and once each.

    Frames that hang on the same key frame are decoded in one run, so that nothing is decoded
    twice even where key frames are minutes apart. Raises IndexError for an index outside the
    part, and MediaError where a frame does not decode; with ``pass_over`` the rest of its run
    is left out instead.
    """
    for run in _runs(part, sorted(set(indices))):
        wanted = set(run)
        try:
            for index, frame in decode(part, run[0], run[-1] + 1):
                if index in wanted:
                    yield index, frame
        except MediaError:
            if not pass_over:
                raise


def _runs(part: Part, indices: list[int]) -> list[list[int]]:
    if not part.pts_order:
        return [indices] if indices else []
    runs: list[list[int]] = []
    latest: int | None = None
    with keyframes(part) as found:
        for index in indices:
            key = found.before(index)
            if runs and key is not None and key == latest:
                runs[-1].append(index)
            else:
                runs.append([index])
            latest = key
    return runs
