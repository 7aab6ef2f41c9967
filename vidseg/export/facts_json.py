"""A recording and a problem as JSON data, wherever they are told."""

from __future__ import annotations

from typing import Any, TypedDict

from vidseg.model.clock import format_seconds
from vidseg.model.problem import Problem
from vidseg.model.recording import Part, Recording


class RecordingDocument(TypedDict):
    """What is known of a recording: seconds as text, exact; no folder names."""

    length_s: str
    frames: int
    recorded_s: list[list[str]]
    parts: list[dict[str, Any]]


class ProblemDocument(TypedDict):
    """A problem."""

    code: str
    severity: str
    message: str
    source: str
    line: int | None
    span_s: list[str] | None


def recording_facts(recording: Recording) -> RecordingDocument:
    """Give what is known of a recording as JSON data: seconds as text, exact; no folder names."""
    return {
        "length_s": format_seconds(recording.length),
        "frames": recording.n_frames,
        "recorded_s": [
            [format_seconds(span.start), format_seconds(span.end)] for span in recording.recorded
        ],
        "parts": [_part_facts(part) for part in recording.parts],
    }


def _part_facts(part: Part) -> dict[str, Any]:
    return {
        "file": part.path.name,
        "bytes": part.size_bytes,
        "container": part.container,
        "codec": part.codec,
        "profile": part.profile,
        "pixel_format": part.pixel_format,
        "width_px": part.width,
        "height_px": part.height,
        "pixel_aspect": str(part.pixel_aspect),
        "rotation_degrees": part.rotation,
        "interlaced": part.interlaced,
        "start_s": format_seconds(part.start),
        "length_s": format_seconds(part.length),
        "frames": len(part.frame_ns),
        "rate": str(part.rate),
        "constant_rate": part.constant_rate,
        "time_base": str(part.time_base),
        "first_pts": part.first_pts,
        "timecode": part.timecode,
        "audio": [
            {
                "codec": track.codec,
                "rate_hz": track.rate_hz,
                "channels": track.channels,
                "language": track.language,
                "start_s": format_seconds(track.start_ns),
                "length_s": format_seconds(track.length_ns),
            }
            for track in part.audio
        ],
        "captions": [{"codec": track.codec, "language": track.language} for track in part.captions],
        "chapters": [
            {
                "title": chapter.title,
                "start_s": format_seconds(chapter.span.start),
                "end_s": format_seconds(chapter.span.end),
            }
            for chapter in part.chapters
        ],
    }


def problem_json(problem: Problem) -> ProblemDocument:
    """Give a problem as JSON data."""
    return {
        "code": problem.code,
        "severity": problem.severity.value,
        "message": problem.message,
        "source": problem.source,
        "line": problem.line,
        "span_s": None
        if problem.span is None
        else [format_seconds(problem.span.start), format_seconds(problem.span.end)],
    }
