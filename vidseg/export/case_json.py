"""``case.json``: the canonical record of one case, for programs and for provenance."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from vidseg import __version__
from vidseg.disk.atomic_write import write_text_aside
from vidseg.export.tables import duration_rows, event_rows, segment_rows
from vidseg.model.case import CaseResult
from vidseg.model.clock import format_seconds
from vidseg.model.edits import describe
from vidseg.model.problem import Problem
from vidseg.model.recording import Part, Recording


def recording_facts(recording: Recording) -> dict[str, Any]:
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


def problem_json(problem: Problem) -> dict[str, Any]:
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


def write_case_json(result: CaseResult, hashes: Mapping[str, str], path: Path) -> None:
    """Write the case: annotation as understood, times, recording, problems, provenance.

    ``hashes`` are the SHA-256 of the input files by name. Nothing in it depends on the clock or
    on the machine, so that the same inputs give the same bytes.
    """
    timing = result.timing
    document = {
        "vidseg": __version__,
        "case": result.annotation.case,
        "procedure": {
            "code": result.procedure.code,
            "name": result.procedure.name,
            "version": result.procedure.version,
        },
        "annotator": result.annotation.annotator,
        "surgeon": result.case.surgeon,
        "role": result.case.role,
        "case_number": result.case.case_number,
        "covariates": dict(result.case.covariates),
        "inputs": [{"file": name, "sha256": sha256} for name, sha256 in hashes.items()],
        "clock": result.recording.clock,
        "recording": recording_facts(result.recording),
        "times": {
            "recorded_s": format_seconds(timing.recorded_ns),
            "excluded_s": format_seconds(timing.excluded_ns),
            "observed_s": format_seconds(timing.observed_ns),
            "covered_s": format_seconds(timing.covered_ns),
            "gap_s": format_seconds(timing.gap_ns),
            "levels": [
                {
                    "level": level.level.value,
                    "covered_s": format_seconds(level.covered_ns),
                    "gap_s": format_seconds(level.gap_ns),
                    "overlap_s": format_seconds(level.overlaps.length),
                }
                for level in timing.levels
            ],
        },
        "durations": [_without_case(row) for row in duration_rows(timing, result.recording_timing)],
        "segments": [
            _without_case(row) for row in segment_rows(result.annotation, result.recording)
        ],
        "events": [_without_case(row) for row in event_rows(result.annotation, result.recording)],
        "edits": [describe(edit) for edit in result.edits.edits],
        "problems": [problem_json(problem) for problem in result.problems],
    }
    write_text_aside(path, json.dumps(document, indent=1, ensure_ascii=False) + "\n")


def _without_case(row: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in row.items() if key != "case"}
