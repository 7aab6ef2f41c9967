"""All frames of a survey as one track in case time, for looking across the joins of parts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vidseg.model.recording import Recording
from vidseg.model.survey import Survey

Reals = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Times = npt.NDArray[np.int64]
TrackRun = tuple[int, int]
"""Places ``[first, last)`` in a track."""


@dataclass(frozen=True, slots=True)
class Track:
    """The n surveyed frames of a recording, arrays of shape (n,); signals as in ``PartSurvey``.

    ``start`` and ``end`` are ns of case time. ``change`` and ``local`` have shape (n, 4).
    ``joins`` are the places where a new part begins. ``every`` is the usual distance of frames.
    """

    start: Times
    end: Times
    luma: Reals
    spread: Reals
    flat: Reals
    raw: Reals
    change: Reals
    local: Reals
    shift: Reals
    firm: Reals
    histogram: Reals
    key: Flags
    joins: tuple[int, ...]
    every: int

    def __len__(self) -> int:
        return len(self.start)

    def frames(self, seconds: float) -> int:
        """Give how many frames last ``seconds``, at least 1."""
        return max(1, round(seconds * 1e9 / self.every))

    def time(self, place: int) -> int:
        """Give when the frame at ``place`` starts; past the last, when that ends (ns)."""
        return int(self.start[place]) if place < len(self) else int(self.end[-1])


def as_track(survey: Survey, recording: Recording) -> Track:
    """Lay the parts of ``survey`` behind each other."""
    starts, ends, joins, count = [], [], [], 0
    for part, seen in zip(recording.parts, survey.parts, strict=True):
        edges = np.append(part.frame_ns, part.length) + part.start
        starts.append(edges[seen.frame])
        ends.append(edges[seen.frame + 1])
        if count:
            joins.append(count)
        count += len(seen.frame)

    def whole(name: str) -> Reals:
        return np.concatenate([getattr(seen, name) for seen in survey.parts]).astype(np.float64)

    start = np.concatenate(starts)
    apart = np.diff(start)
    return Track(
        start=start,
        end=np.concatenate(ends),
        luma=whole("luma"),
        spread=whole("spread"),
        flat=whole("flat"),
        raw=np.nan_to_num(whole("raw")),
        change=np.nan_to_num(whole("change")),
        local=np.nan_to_num(whole("local")),
        shift=np.nan_to_num(np.hypot(whole("shift_x"), whole("shift_y"))),
        firm=np.nan_to_num(whole("firm")),
        histogram=np.nan_to_num(whole("histogram")),
        key=np.concatenate([seen.key for seen in survey.parts]),
        joins=tuple(joins),
        every=max(1, int(np.median(apart))) if len(apart) else 40_000_000,
    )


def runs(flags: Flags) -> list[TrackRun]:
    """List the runs of True as places ``[first, last)``."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
