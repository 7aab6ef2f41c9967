"""How long each step took, by the definitions and laws written in ``vidseg.model.timing``."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from vidseg.model.annotation import Annotation, Segment
from vidseg.model.procedure import LEVELS, Kind, Procedure, Step
from vidseg.model.span import Span, Spans
from vidseg.model.timing import LevelTiming, StepTiming, Timing


def covered_twice(spans: Iterable[Spans]) -> Spans:
    """Give the time that lies in two or more of the sets."""
    once, twice = Spans(), Spans()
    for item in spans:
        twice = twice | (once & item)
        once = once | item
    return twice


def time_case(annotation: Annotation, procedure: Procedure, recorded: Spans) -> Timing:
    """Time every step of one case. ``recorded`` is the case time (ns) for which footage exists.

    Only steps that occur are in the result, in vocabulary order; a step without a row has no
    entry, which is not the same as zero seconds.
    """
    observed = recorded - annotation.excluded_spans
    visits: dict[str, list[Segment]] = {}
    for segment in annotation.segments:
        visits.setdefault(segment.step.code, []).append(segment)
    active = {
        code: Spans(segment.span for segment in found) & observed for code, found in visits.items()
    }
    present = [step for step in procedure.steps if step.code in visits]
    levels = tuple(
        _level(kind, [active[step.code] for step in present if step.kind is kind], observed)
        for kind in LEVELS
        if any(step.kind is kind for step in present)
    )
    covered = Spans(span for spans in active.values() for span in spans)
    return Timing(
        case=annotation.case,
        recorded_ns=recorded.length,
        observed_ns=observed.length,
        excluded_ns=recorded.length - observed.length,
        covered_ns=covered.length,
        gap_ns=observed.length - covered.length,
        gaps=observed - covered,
        overlaps=Spans(span for level in levels for span in level.overlaps),
        steps=tuple(_step(step, visits[step.code], active, present, observed) for step in present),
        levels=levels,
    )


def _level(kind: Kind, active: Sequence[Spans], observed: Spans) -> LevelTiming:
    covered = Spans(span for spans in active for span in spans)
    return LevelTiming(
        level=kind,
        covered_ns=covered.length,
        gap_ns=observed.length - covered.length,
        gaps=observed - covered,
        overlaps=covered_twice(active),
    )


def _step(
    step: Step,
    segments: list[Segment],
    active: dict[str, Spans],
    present: Sequence[Step],
    observed: Spans,
) -> StepTiming:
    own = active[step.code]
    others = Spans(
        span
        for other in present
        if other.kind is step.kind and other.code != step.code
        for span in active[other.code]
    )
    first = min(segment.span.start for segment in segments)
    last = max(segment.span.end for segment in segments)
    elapsed = (Spans([Span(first, last)]) & observed).length
    return StepTiming(
        step=step,
        segments=tuple(segments),
        active_ns=own.length,
        elapsed_ns=elapsed,
        interrupted_ns=elapsed - own.length,
        shared_ns=(own & others).length,
        first_ns=first,
        last_ns=last,
        open_start=any(segment.open_start for segment in segments),
        open_end=any(segment.open_end for segment in segments),
    )
