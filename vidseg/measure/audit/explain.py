"""Audit findings against what is declared: what nobody explained is told, step by step."""

from __future__ import annotations

from collections.abc import Sequence

from vidseg.model.annotation import Annotation
from vidseg.model.clock import NS, format_time
from vidseg.model.edits import Edit, Inserted, Pause, Removed, Speed
from vidseg.model.finding import Finding
from vidseg.model.problem import Problem
from vidseg.model.span import Span, Spans

NEAR_NS = NS
"""An edit declared this near to a finding (1 s, our choice) explains it."""

MISSING = ("hard-cut", "jump-at-join", "fade", "time-gap")
"""Findings that say that time may be missing."""
STANDING = ("frozen-span", "black-span", "blank-span", "still-picture")
"""Findings in whose span the operation cannot be seen."""
PACED = ("speeded-up", "slowed-down")
"""Findings that say that the footage may not run at the speed of the operation."""


def unexplained(
    findings: Sequence[Finding], edits: Sequence[Edit], annotation: Annotation
) -> tuple[Problem, ...]:
    """Give a problem for each finding that bears on durations and that nothing declared explains.

    An edit of the right kind within ``NEAR_NS``, or an excluded span over the finding, explains
    it. Each problem names the steps concerned and how large the doubt is.
    """
    excluded = annotation.excluded_spans
    return tuple(
        _problem(finding, annotation)
        for finding in findings
        if finding.code in (*MISSING, *STANDING, *PACED)
        and not any(_explains(edit, finding) for edit in edits)
        and not _covered(finding, excluded)
    )


def _around(finding: Finding) -> Span:
    return Span(finding.start - NEAR_NS, finding.end + NEAR_NS)


def _explains(edit: Edit, finding: Finding) -> bool:
    near = _around(finding)
    if isinstance(edit, Removed | Pause):
        return finding.code in MISSING and near.start <= edit.at <= near.end
    if isinstance(edit, Speed):
        return finding.code in (*PACED, *MISSING) and edit.span.overlaps(near)
    assert isinstance(edit, Inserted)
    within = edit.span.start - NEAR_NS <= finding.start and finding.end <= edit.span.end + NEAR_NS
    return within and finding.code in (*STANDING, *MISSING)


def _covered(finding: Finding, excluded: Spans) -> bool:
    if finding.length:
        return not Spans([Span(finding.start, finding.end)]) - excluded
    return any(span.start <= finding.start <= span.end for span in excluded)


def _problem(finding: Finding, annotation: Annotation) -> Problem:
    touched = [
        segment
        for segment in annotation.segments
        if segment.span.start <= finding.end and finding.start < segment.span.end
    ]
    names = ", ".join(dict.fromkeys(segment.step.name for segment in touched)) or "no step"
    if finding.code in MISSING:
        doubt = "by an unknown time"
    elif finding.code in STANDING:
        doubt = f"by up to {format_time(finding.length)}"
    else:
        doubt = f"over {format_time(finding.length)}, by an unknown factor"
    return Problem.of(
        "unexplained-finding",
        f"{finding.code} at {format_time(finding.start)} ({finding.evidence}) is explained by no "
        f"declared edit or excluded span; it puts in doubt {names}, {doubt}",
        annotation.source,
        touched[0].line if touched else None,
        Span(finding.start, max(finding.end, finding.start + 1)),
    )
