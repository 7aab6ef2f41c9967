"""Parts of what the page is told, as JSON data; and a mask read back from it."""

from __future__ import annotations

import math
from typing import Any

from vidseg.export.page import display_size
from vidseg.mark.rows import LARGEST_NS
from vidseg.measure.agreement.agree import agree
from vidseg.model.annotation import Annotation
from vidseg.model.clock import NS
from vidseg.model.mask import Mask
from vidseg.model.problem import Problem
from vidseg.model.procedure import LEVELS, Kind
from vidseg.model.recording import Recording
from vidseg.model.span import Span, Spans


def problem_json(problem: Problem, ids: list[str]) -> dict[str, Any]:
    """Give a problem; ``ids`` are the rows by the place that its line counts."""
    line = problem.line
    return {
        "code": problem.code,
        "severity": problem.severity.value,
        "message": problem.message,
        "row": ids[line - 1] if line is not None and 0 < line <= len(ids) else None,
        "start_ns": problem.span.start if problem.span else None,
        "end_ns": problem.span.end if problem.span else None,
    }


def recording_json(recording: Recording) -> dict[str, Any]:
    """Give the facts of a recording."""
    first = recording.parts[0]
    width, height = display_size(first)
    whole = Spans([Span(0, recording.length)])
    return {
        "name": first.path.name,
        "length_ns": recording.length,
        "n_frames": recording.n_frames,
        "width": width,
        "height": height,
        "rotation": first.rotation,
        "parts": [
            {
                "name": part.path.name,
                "start_ns": part.span.start,
                "end_ns": part.span.end,
                "first_frame": recording.first_frame(number),
                "n_frames": len(part.frame_ns),
            }
            for number, part in enumerate(recording.parts)
        ],
        "holes": [[hole.start, hole.end] for hole in whole - recording.recorded],
        "audio": any(part.audio for part in recording.parts),
        "rate": f"{first.rate.numerator}/{first.rate.denominator}",
        "constant_rate": all(part.constant_rate for part in recording.parts),
    }


def agreement_json(mine: Annotation, theirs: Annotation, recorded: Spans) -> list[dict[str, Any]]:
    """Compare at every level that either has rows of; figures that do not exist are None."""
    used = {row.step.kind for row in (*mine.segments, *theirs.segments)}
    return [_level_json(mine, theirs, recorded, kind) for kind in LEVELS if kind in used]


def _level_json(
    mine: Annotation, theirs: Annotation, recorded: Spans, kind: Kind
) -> dict[str, Any]:
    found = agree(mine, theirs, recorded, kind)
    return {
        "level": kind.value,
        "accuracy": _figure(found.accuracy),
        "kappa": _figure(found.kappa),
        "kappa_labelled": _figure(found.kappa_labelled),
        "edit": _figure(found.edit),
        "f1": {str(percent): _figure(hit.f1) for percent, hit in found.hits},
        "edges": [
            {
                "tolerance_s": one.tolerance_ns / NS,
                "matched": one.matched,
                "agreement": _figure(one.agreement),
            }
            for one in found.boundaries
        ],
        "steps": [
            {
                "step": step.step,
                "dice": _figure(step.dice),
                "start_ns": step.start_ns,
                "end_ns": step.end_ns,
                "active_ns": step.active_ns,
            }
            for step in found.steps
        ],
    }


def _figure(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def mask_json(mask: Mask) -> dict[str, Any]:
    """Give a mask."""
    return {
        "x": mask.x,
        "y": mask.y,
        "width": mask.width,
        "height": mask.height,
        "start_ns": mask.span.start if mask.span else None,
        "end_ns": mask.span.end if mask.span else None,
    }


def mask_from(data: object) -> Mask:
    """Read a mask. Raises ValueError that says what is wrong."""
    if not isinstance(data, dict):
        raise ValueError("a mask must be a JSON object")
    x, y, width, height = (_whole(data.get(name)) for name in ("x", "y", "width", "height"))
    if data.get("start_ns") is None and data.get("end_ns") is None:
        return Mask(x, y, width, height)
    start, end = _whole(data.get("start_ns")), _whole(data.get("end_ns"))
    return Mask(x, y, width, height, Span(start, end))


def _whole(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= LARGEST_NS:
        raise ValueError("a mask has whole numbers from 0: px, and ns or null for its times")
    return value
