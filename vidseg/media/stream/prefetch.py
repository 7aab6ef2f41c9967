"""Encoded segments: what is waited for is made at once, the rest ahead in the background."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from threading import Condition, Thread

from av import VideoFrame
from av.error import FFmpegError

from vidseg.media.read.frames import decode
from vidseg.media.read.priority import lower_thread_priority
from vidseg.media.stream.kept_pieces import KeptPieces
from vidseg.media.stream.pieces import fragment_of, unmade
from vidseg.media.stream.playback import Playback
from vidseg.media.stream.proxy_video import ShowForm, encoded
from vidseg.model.problem import MediaError
from vidseg.model.progress import Progress
from vidseg.model.recording import Part, Recording

NEAR_FRAMES = 100
"""Up to so many frames ahead, decoding on is cheaper than jumping."""


class _SetAside(Exception):  # noqa: N818 - it is no fault
    """Something else is wanted sooner, or everything is being closed."""


class MakingAhead:
    """Makes the encoded segments of a plan and keeps them; start with ``start``.

    One thread serves wishes, the latest first. Without any, another one of low priority makes
    what follows the last wish to the end, then what is left. ``progress`` is called in these
    threads with the fraction of all segments ready.
    """

    def __init__(
        self,
        recording: Recording,
        playback: Playback,
        kept: KeptPieces,
        progress: Progress | None = None,
    ) -> None:
        self._recording, self._playback, self._kept = recording, playback, kept
        self._progress = progress
        self._changed = Condition()
        self._todo = {
            index
            for index, segment in enumerate(playback.segments)
            if playback.runs[segment.run].way == "encoded"
        }
        self._wishes: list[int] = []
        self._failed: dict[int, MediaError] = {}
        self._ahead, self._closed = 0, False
        self._full: OSError | None = None
        self._threads = [
            Thread(target=self._work, args=(wishes,), name="segments", daemon=True)
            for wishes in (True, False)
        ]

    @property
    def done(self) -> float:
        """The fraction of all segments that need no waiting."""
        return 1 - len(self._todo) / max(1, len(self._playback.segments))

    def start(self) -> None:
        """Begin in the background."""
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """Stop, between two frames; whoever waits gets a MediaError."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        for thread in self._threads:
            if thread.is_alive():
                thread.join()

    def get(self, index: int) -> bytes:
        """Wait until segment ``index`` is made and give it. Raises MediaError."""
        with self._changed:
            self._ahead, self._full = index, None
            if index in self._todo:
                self._wishes.append(index)
                self._changed.notify_all()
            while index in self._todo and index not in self._failed and not self._closed:
                if self._full is not None:
                    raise MediaError(
                        str(self._kept.folder), f"no segment can be kept there: {self._full}"
                    )
                self._changed.wait()
            if index in self._failed:
                raise self._failed[index]
        data = None if self._closed else self._kept.get(_name(index))
        if data is None:
            raise MediaError(str(self._kept.folder), "the segments kept there are gone")
        return data

    def _work(self, wishes: bool) -> None:
        if not wishes:
            lower_thread_priority()
        reading = _Reading()
        try:
            while (index := self._next(wishes)) is not None:
                self._make(index, reading, wishes)
        except BaseException:  # nobody is to wait for a thread that is gone
            with self._changed:
                self._closed = True
                self._changed.notify_all()
            raise
        finally:
            reading.close()

    def _next(self, wishes: bool) -> int | None:
        """Wait for something to make: a wish, or without any what is next; None when closed."""
        with self._changed:
            while not self._closed:
                left = self._todo - self._failed.keys()
                self._wishes = [wish for wish in self._wishes if wish in left]
                if self._wishes and wishes:
                    return self._wishes[-1]
                if left and not self._wishes and not wishes and self._full is None:
                    return min(left, key=lambda index: (index < self._ahead, index))
                self._changed.wait()
        return None

    def _make(self, index: int, reading: _Reading, wished: bool) -> None:
        segment = self._playback.segments[index]
        run, part = self._playback.runs[segment.run], self._recording.parts[segment.part]
        form = ShowForm(run.width, run.height, run.header)
        error: MediaError | None = None
        full: OSError | None = None
        try:
            found = reading.frames(part, segment.first, segment.last)
            frames = self._watched(index, found, wished)
            data = fragment_of(index, segment, part, encoded(part, form, frames))
            self._kept.put(_name(index), data)
        except _SetAside:
            return
        except MediaError as trouble:
            error = unmade(part, segment, trouble.reason)
        except FFmpegError as trouble:
            error = unmade(part, segment, trouble.strerror or str(trouble))
        except OSError as trouble:
            full = trouble
        with self._changed:
            self._full = full
            if error is not None:
                self._failed[index] = error
            elif full is None:
                self._todo.discard(index)
            self._changed.notify_all()
        if self._progress is not None and full is None:
            self._progress(self.done)

    def _watched(
        self, index: int, frames: Iterator[tuple[int, VideoFrame]], wished: bool
    ) -> Iterator[tuple[int, VideoFrame]]:
        """Pass frames on as long as nothing else is wanted sooner; the next one can wait."""
        spared = (index, index + 1) if wished else ()
        for found in frames:
            with self._changed:
                wish = self._wishes[-1] if self._wishes else None
                if self._closed or (wish in self._todo and wish not in spared):
                    raise _SetAside
            yield found


class _Reading:
    """Frames read forward; what follows goes on in the same run."""

    def __init__(self) -> None:
        self._run: Generator[tuple[int, VideoFrame], None, None] | None = None
        self._part: Part | None = None
        self._at = 0

    def frames(self, part: Part, first: int, last: int) -> Iterator[tuple[int, VideoFrame]]:
        """Yield (number, frame) for frames ``[first, last)`` of ``part``. Raises MediaError."""
        if self._run is None or self._part is not part or not 0 <= first - self._at <= NEAR_FRAMES:
            self.close()
            self._part, self._at = part, first
            self._run = decode(part, first, len(part.frame_ns))
        try:
            while self._at < last:
                number, frame = next(self._run)
                self._at = number + 1
                if number >= first:
                    yield number, frame
        except MediaError:
            self.close()
            raise

    def close(self) -> None:
        """Close the file."""
        if self._run is not None:
            self._run.close()
        self._run = None


def _name(index: int) -> str:
    return f"video-{index}"
