"""The answer for one case: how long each step took.

Laws (held by property tests)::

    observed    = recorded - excluded
    active      = union of a step's segments, within observed
    elapsed     = first start to last end, within observed
    interrupted = elapsed - active
    covered + gap = observed          for all timed labels, and within each level
    sum of active - covered = time counted by two labels or more (once for each extra label)
"""

from __future__ import annotations

from dataclasses import dataclass

from vidseg.model.annotation import Segment
from vidseg.model.procedure import Kind, Step
from vidseg.model.span import Spans


@dataclass(frozen=True, slots=True)
class StepTiming:
    """Times of one step in one case, in ns; ``shared_ns`` is active time that another step of
    the same level counts too. ``open_start``/``open_end``: the first or last edge is not seen."""

    step: Step
    segments: tuple[Segment, ...]
    active_ns: int
    elapsed_ns: int
    interrupted_ns: int
    shared_ns: int
    first_ns: int
    last_ns: int
    open_start: bool
    open_end: bool


@dataclass(frozen=True, slots=True)
class LevelTiming:
    """Coverage of the observed time by the labels of one level."""

    level: Kind
    covered_ns: int
    gap_ns: int
    gaps: Spans
    overlaps: Spans


@dataclass(frozen=True, slots=True)
class Timing:
    """Times of one case, in ns; ``steps`` in vocabulary order, only those that occur."""

    case: str
    recorded_ns: int
    observed_ns: int
    excluded_ns: int
    covered_ns: int
    gap_ns: int
    gaps: Spans
    overlaps: Spans
    steps: tuple[StepTiming, ...]
    levels: tuple[LevelTiming, ...]
