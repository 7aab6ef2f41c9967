"""All clips of a case at once, several at a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from pathlib import Path
from threading import Event, Lock, local

import av.logging

from vidseg.media.read.threads import cores as all_cores
from vidseg.media.read.threads import encoder_threads
from vidseg.media.splice.groups import NotSpliceable
from vidseg.media.splice.splice import ClipReport, reencode_clip, splice_clip
from vidseg.media.splice.splicing import Sources
from vidseg.model.clip import Clip
from vidseg.model.cutting import AS_USUAL, Cutting
from vidseg.model.problem import UsageError
from vidseg.model.progress import Progress

_REPORT_EVERY_S = 0.2


def write_exact_clips(
    clips: Sequence[Clip],
    folder: Path,
    how: Cutting = AS_USUAL,
    *,
    cores: int = 0,
    progress: Progress | None = None,
    on_clip: Callable[[int, ClipReport], None] | None = None,
) -> tuple[ClipReport, ...]:
    """Write all ``clips`` into ``folder``, ``cores`` at a time (0: all there are).

    As ``write_clip``, but whole groups of pictures are copied where they can be, and only the
    frames at the edges are encoded (``how.quality`` or better). Spliced clips are made side by
    side, each on one core; those that must be re-encoded follow one by one, each on all cores.
    ``progress`` and ``on_clip`` (place in ``clips``, report) are called in the calling thread only.
    Raises UsageError for two clips with one name, else as ``write_clip``; on failure or Ctrl-C
    finished clips stay and nothing else does.
    """
    if len({clip.name for clip in clips}) < len(clips):
        raise UsageError("two clips would be written to one file")
    tally = _Tally([clip.n_frames for clip in clips], progress)
    reports: dict[int, ClipReport] = {}

    def finished(place: int, report: ClipReport) -> None:
        reports[place] = report
        tally.set(place, 1.0)
        if on_clip:
            on_clip(place, report)

    reasons = dict.fromkeys(range(len(clips)), "asked for")
    if not how.reencode:
        reasons = _Pool(folder, how, cores or all_cores(), tally).run(clips, finished)
    for place, reason in reasons.items():

        def done(fraction: float, place: int = place) -> None:
            tally.set(place, fraction)
            tally.tell()

        finished(place, reencode_clip(clips[place], folder, how, reason, done))
    if progress:
        progress(1.0)
    return tuple(reports[place] for place in range(len(clips)))


class _Tally:
    """How far all clips are, weighed by their frames."""

    def __init__(self, frames: Sequence[int], progress: Progress | None) -> None:
        self.frames, self.progress = frames, progress
        self.total = max(1, sum(frames))
        self.done = [0.0] * len(frames)
        self.told = 0.0

    def set(self, place: int, fraction: float) -> None:
        self.done[place] = fraction

    def tell(self) -> None:
        """Report; never less than before, even where a clip starts over."""
        if self.progress:
            done = sum(f * d for f, d in zip(self.frames, self.done, strict=True))
            self.told = max(self.told, min(1.0, done / self.total))
            self.progress(self.told)


class _Pool:
    def __init__(self, folder: Path, how: Cutting, cores: int, tally: _Tally) -> None:
        self.folder, self.how, self.cores, self.tally = folder, how, cores, tally
        self.stop = Event()
        self.own = local()
        self.lock = Lock()
        self.opened: list[Sources] = []

    def run(
        self, clips: Sequence[Clip], finished: Callable[[int, ClipReport], None]
    ) -> dict[int, str]:
        """Splice what can be; give the places of the others, in order, with the reasons."""
        reasons: dict[int, str] = {}
        workers = max(1, min(self.cores, len(clips)))
        self.threads = 1 if encoder_threads() else max(1, self.cores // workers)
        pool = ThreadPoolExecutor(workers)
        try:
            places: dict[Future[ClipReport], int] = {
                pool.submit(self._one, place, clip): place for place, clip in enumerate(clips)
            }
            left = set(places)
            while left:
                ready, left = wait(left, _REPORT_EVERY_S, FIRST_COMPLETED)
                for future in ready:
                    place = places[future]
                    try:
                        report = future.result()
                    except NotSpliceable as found:
                        reasons[place] = found.reason
                        self.tally.set(place, 0.0)
                    else:
                        finished(place, report)
                self.tally.tell()
        finally:
            self.stop.set()
            pool.shutdown(wait=True, cancel_futures=True)
            for sources in self.opened:
                sources.close()
        return dict(sorted(reasons.items()))

    def _one(self, place: int, clip: Clip) -> ClipReport:
        def done(fraction: float) -> None:
            if self.stop.is_set():
                raise _Stopped
            self.tally.set(place, fraction)

        with av.logging.Capture(local=True):  # another thread may have turned messages on
            done(0.0)
            return splice_clip(clip, self.folder, self.how, self._sources(), done)

    def _sources(self) -> Sources:
        """Give this thread's open files."""
        if not hasattr(self.own, "sources"):
            self.own.sources = Sources(self.threads)
            with self.lock:
                self.opened.append(self.own.sources)
        sources: Sources = self.own.sources
        return sources


class _Stopped(Exception):  # noqa: N818 - a request, not a fault
    """Work is to stop because something else failed or was interrupted."""
