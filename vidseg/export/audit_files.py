"""What an audit leaves: its findings as lines, JSON and CSV, and pictures around each of them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from PIL import Image

from vidseg import __version__
from vidseg.disk.atomic_write import write_jpeg_aside
from vidseg.export.facts_json import recording_facts
from vidseg.export.tables import csv_text
from vidseg.media.picture.still import shown
from vidseg.media.read.frames import pick
from vidseg.model.clock import format_seconds, format_time, parse_time
from vidseg.model.finding import FINDINGS, Finding
from vidseg.model.problem import MediaError
from vidseg.model.progress import Progress
from vidseg.model.recording import Recording

COLUMNS = {
    "number": "number of the finding, from 1; the pictures bear it too",
    "code": "kind of finding",
    "start_s": "start, seconds from the first displayed frame",
    "end_s": "end, seconds; equal to the start for what lies between two frames",
    "start_frame": "number of the first frame at or after the start, from 0",
    "end_frame": "number of the first frame no longer in it",
    "score": "0 to 1: how plainly it shows; 1 for a fact of the file",
    "evidence": "what was measured",
    "effect": "what it does to durations",
}
"""The columns of the CSV and what they mean."""

PICTURED = (
    "hard-cut", "jump-at-join", "still-picture", "frozen-span", "black-span", "blank-span", "fade",
)  # fmt: skip
"""Findings of which the last frame before and the first frame after are shown."""

THUMBNAIL_PX = 320
QUALITY = 80


def audit_lines(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Give the findings as text, one a line: span, code, score, meaning, evidence, effect."""
    return tuple(
        f"{_when(f)}  {f.code} ({f.score:.2f}): {f.meaning}. {f.evidence}. Durations: {f.effect}."
        for f in findings
    )


def _when(finding: Finding) -> str:
    start = format_time(finding.start)
    return start if not finding.length else f"{start} to {format_time(finding.end)}"


def audit_rows(findings: Sequence[Finding], recording: Recording) -> list[dict[str, Any]]:
    """Give a row for each finding, keys as in ``COLUMNS``."""
    return [
        {
            "number": number,
            "code": finding.code,
            "start_s": format_seconds(finding.start),
            "end_s": format_seconds(finding.end),
            "start_frame": recording.frame_at(finding.start),
            "end_frame": recording.frame_at(finding.end),
            "score": round(finding.score, 3),
            "evidence": finding.evidence,
            "effect": finding.effect,
        }
        for number, finding in enumerate(findings, 1)
    ]


def audit_csv(findings: Sequence[Finding], recording: Recording) -> str:
    """Give the findings as CSV, columns as in ``COLUMNS``; a header alone where there are none."""
    return csv_text(list(COLUMNS), audit_rows(findings, recording))


def audit_json(findings: Sequence[Finding], recording: Recording) -> str:
    """Give the recording's facts, the findings and the meaning of every code as JSON."""
    document = {
        "vidseg": __version__,
        "recording": recording_facts(recording),
        "findings": audit_rows(findings, recording),
        "codes": {code: {"meaning": m, "effect": e} for code, (m, e) in FINDINGS.items()},
    }
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def read_findings(path: Path) -> tuple[Finding, ...]:
    """Read the findings back that ``audit_json`` wrote; scores have three digits."""
    rows = json.loads(path.read_text(encoding="utf-8"))["findings"]
    return tuple(
        Finding(
            row["code"],
            parse_time(row["start_s"]),
            parse_time(row["end_s"]),
            row["score"],
            row["evidence"],
            row["effect"],
        )
        for row in rows
    )


def audit_text(findings: Sequence[Finding]) -> str:
    """Give the findings as lines of text."""
    lines = audit_lines(findings) or ("Nothing was found that makes the clock doubtful.",)
    return "\n".join(lines) + "\n"


def write_thumbnails(
    recording: Recording,
    findings: Sequence[Finding],
    folder: Path,
    progress: Progress | None = None,
) -> tuple[Path, ...]:
    """Write the frames before and after each finding of ``PICTURED`` as small JPEGs.

    ``folder`` must exist. Names are ``01-hard-cut-before.jpg`` and ``-after.jpg``, 01 being the
    finding's number; a picture is left out where there is no such frame or it does not decode.
    Upright, square pixels, 320 px wide at most. ``progress`` gets the fraction done. Returns the
    paths written, in order.
    """
    wanted = pictures_wanted(recording, findings)
    written: list[Path] = []
    base = 0
    for part in recording.parts:
        count = len(part.frame_ns)
        local = sorted({frame - base for frame in wanted if base <= frame < base + count})
        for index in local:
            try:
                ((_, frame),) = pick(part, [index])
            except MediaError:
                continue
            picture = Image.fromarray(shown(frame, part))
            picture.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX), Image.Resampling.LANCZOS)
            for name in wanted[base + index]:
                path = folder / name
                write_jpeg_aside(path, picture, quality=QUALITY)
                written.append(path)
            if progress is not None:
                progress(len(written) / sum(len(names) for names in wanted.values()))
        base += count
    if progress is not None:
        progress(1.0)
    return tuple(sorted(written))


def pictures_wanted(recording: Recording, findings: Sequence[Finding]) -> dict[int, list[str]]:
    """Name the pictures of findings, by the case-wide frame that each shows."""
    wanted: dict[int, list[str]] = {}
    digits = max(2, len(str(len(findings))))
    for number, finding in enumerate(findings, 1):
        if finding.code not in PICTURED:
            continue
        after = recording.frame_at(finding.end)
        before = recording.frame_at(finding.start) - 1
        for frame, side in ((before, "before"), (after, "after")):
            if 0 <= frame < recording.n_frames:
                name = f"{number:0{digits}d}-{finding.code}-{side}.jpg"
                wanted.setdefault(frame, []).append(name)
    return wanted
