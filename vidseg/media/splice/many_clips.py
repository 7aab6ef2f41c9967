"""All clips of a case at once, several at a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Lock, local

import av.logging

from vidseg.media.read.stretch import stretches
from vidseg.media.read.threads import cores as all_cores
from vidseg.media.read.threads import encoder_threads
from vidseg.media.splice.groups import NotSpliceable
from vidseg.media.splice.splice import ClipReport, Verify, reencode_clip, splice_clip
from vidseg.media.splice.splicing import Sources
from vidseg.model.problem import UsageError
from vidseg.model.progress import Progress
from vidseg.model.recording import Captions, Recording

_REPORT_EVERY_S = 0.2


@dataclass(frozen=True, slots=True)
class ClipOrder:
    """One clip to be written: case-wide frame ranges, the file, captions on the clip's clock."""

    ranges: tuple[tuple[int, int], ...]
    out: Path
    captions: Captions | None = None


def write_exact_clips(
    recording: Recording,
    orders: Sequence[ClipOrder],
    *,
    quality: int = 18,
    reencode: bool = False,
    verify: Verify = "edges",
    cores: int = 0,
    progress: Progress | None = None,
    on_clip: Callable[[int, ClipReport], None] | None = None,
) -> tuple[ClipReport, ...]:
    """Write all ``orders`` as ``write_exact_clip`` does, ``cores`` at a time (0: all there are).

    Spliced clips are made side by side, each on one core; those that must be re-encoded follow
    one by one, each on all cores. ``progress`` and ``on_clip`` (place in ``orders``, report) are
    called in the calling thread only. Raises UsageError for two orders with one file, else as
    ``write_exact_clip``; on failure or Ctrl-C finished clips stay and nothing else does.
    """
    if len({order.out.absolute() for order in orders}) < len(orders):
        raise UsageError("two clips would be written to one file")
    frames = [
        sum(piece.last - piece.first for piece in stretches(recording, order.ranges))
        for order in orders
    ]
    tally = _Tally(frames, progress)
    reports: dict[int, ClipReport] = {}

    def finished(place: int, report: ClipReport) -> None:
        reports[place] = report
        tally.set(place, 1.0)
        if on_clip:
            on_clip(place, report)

    reasons = dict.fromkeys(range(len(orders)), "asked for")
    if not reencode:
        pool = _Pool(recording, quality, verify, cores or all_cores(), tally)
        reasons = pool.run(orders, finished)
    for place, reason in reasons.items():

        def done(fraction: float, place: int = place) -> None:
            tally.set(place, fraction)
            tally.tell()

        order = orders[place]
        finished(
            place,
            reencode_clip(
                recording, order.ranges, order.out, order.captions, quality, reason, done
            ),
        )
    if progress:
        progress(1.0)
    return tuple(reports[place] for place in range(len(orders)))


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
    def __init__(
        self, recording: Recording, quality: int, verify: Verify, cores: int, tally: _Tally
    ) -> None:
        self.recording, self.quality, self.verify = recording, quality, verify
        self.cores, self.tally = cores, tally
        self.stop = Event()
        self.own = local()
        self.lock = Lock()
        self.opened: list[Sources] = []

    def run(
        self, orders: Sequence[ClipOrder], finished: Callable[[int, ClipReport], None]
    ) -> dict[int, str]:
        """Splice what can be; give the places of the others, in order, with the reasons."""
        reasons: dict[int, str] = {}
        workers = max(1, min(self.cores, len(orders)))
        self.threads = 1 if encoder_threads() else max(1, self.cores // workers)
        pool = ThreadPoolExecutor(workers)
        try:
            places: dict[Future[ClipReport], int] = {
                pool.submit(self._one, place, order): place for place, order in enumerate(orders)
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

    def _one(self, place: int, order: ClipOrder) -> ClipReport:
        def done(fraction: float) -> None:
            if self.stop.is_set():
                raise _Stopped
            self.tally.set(place, fraction)

        with av.logging.Capture(local=True):  # another thread may have turned messages on
            done(0.0)
            return splice_clip(
                self.recording, order.ranges, order.out, order.captions, self.quality,
                self.verify, self._sources(), done,
            )  # fmt: skip

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
