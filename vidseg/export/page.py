"""The case page: one HTML file that opens from disk, with the recording and files beside it."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any

import numpy as np
from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from vidseg import __version__
from vidseg.disk.digests import bytes_sha256
from vidseg.export.page_tables import (
    PageClip,
    PageStill,
    PageWording,
    duration_lines,
    event_lines,
    finding_rows,
    part_facts,
    problem_rows,
    still_cards,
    totals,
    visit_rows,
)
from vidseg.export.page_text import file_link, file_name, plain
from vidseg.export.timestrip import Strip, lay_strip
from vidseg.model.case import CaseResult
from vidseg.model.edits import describe
from vidseg.model.finding import Finding
from vidseg.model.recording import Part
from vidseg.model.span import Span

__all__ = ["Beside", "PageClip", "PageStill", "page_html"]

LANE_PX = {"phase": 26, "step": 40, "task": 26}
LEAST_ROOM = 30.0
RATE_TOLERANCE_NS = 1_000_000
STYLES = ("base.css", "strip.css", "case.css")
SCRIPTS = ("strip.js", "player.js", "case.js")


@dataclass(frozen=True, slots=True)
class Beside:
    """What lies beside the page: paths relative to it, with ``/`` between the names.

    ``video`` is the chaptered recording, on the case clock, as ``vidseg.media.write.remux`` writes
    it; ``captions`` and ``chapters`` are its WebVTT files; None where there is no such file.
    ``findings`` are those of an audit, ``pictures`` the paths of the pictures around them.
    """

    video: str | None = None
    captions: str | None = None
    chapters: str | None = None
    clips: tuple[PageClip, ...] = ()
    stills: tuple[PageStill, ...] = ()
    findings: tuple[Finding, ...] = ()
    pictures: tuple[str, ...] = ()


def frame_times(part: Part) -> dict[str, Any]:
    """Write a part's frame times for the page: a count and a rate where that gives them to
    within a millisecond, else runs of (how many, microseconds from frame to frame)."""
    count = len(part.frame_ns)
    numerator, denominator = part.rate.numerator, part.rate.denominator
    if numerator > 0:
        regular = np.arange(count) * (denominator * 1e9 / numerator)
        if np.abs(regular - part.frame_ns).max(initial=0) <= RATE_TOLERANCE_NS:
            return {"count": count, "rate": [numerator, denominator]}
    steps = np.diff(np.rint(part.frame_ns / 1000).astype(np.int64))
    runs: list[list[int]] = []
    for step in steps.tolist():
        if runs and runs[-1][1] == step:
            runs[-1][0] += 1
        else:
            runs.append([1, step])
    return {"runs": runs}


def _page_data(result: CaseResult, strip: Strip) -> dict[str, Any]:
    """Gather what the scripts need beyond what stands in the page's own elements."""
    recording, annotation = result.recording, result.annotation

    def cue(start: int, end: int, text: str) -> list[Any]:
        return [start / 1e9, end / 1e9, plain(text)]

    spoken = result.captions.cues if result.captions else ()
    return {
        "length": recording.length,
        "hours": recording.length >= 3600 * 10**9,
        "level": strip.main.value,
        "parts": [{"start": part.start, "frames": frame_times(part)} for part in recording.parts],
        "holes": [[hole.start, hole.end] for hole in strip.holes],
        "excluded": [
            [
                recording.frame_at(segment.span.start),
                recording.frame_at(segment.span.end),
                plain(segment.step.name),
            ]
            for segment in annotation.excluded
        ],
        "language": plain(result.captions.language) if result.captions else "",
        "captions": [cue(c.span.start, c.span.end, c.text) for c in spoken],
        "chapters": [
            cue(block.segment.span.start, block.segment.span.end, block.segment.step.name)
            for row in strip.rows
            if row.level is strip.main
            for block in row.blocks
        ],
    }


def json_for_script(data: Mapping[str, Any]) -> Markup:
    """Write JSON that is safe between script tags: no ``<``, ``>``, ``&``, no line separators."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"))
    for character in "<>&":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Markup(text)


def csp_hash(text: str) -> str:
    """Give the Content-Security-Policy source for an inline style or script."""
    digest = bytes.fromhex(bytes_sha256(text.encode("utf-8")))
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def read_asset(name: str) -> str:
    """Read a template, style or script that comes with the package."""
    return resources.files("vidseg").joinpath("assets", name).read_text(encoding="utf-8")


def content_policy(styles: Sequence[str], scripts: Sequence[str]) -> str:
    """Give the page's policy: pictures and video from its own folder, these styles and scripts
    by hash, and nothing else. ``file:`` stands for browsers to which 'self' names no file."""
    return "; ".join(
        (
            "default-src 'none'",
            "img-src 'self' file:",
            "media-src 'self' file:",
            f"style-src {' '.join(map(csp_hash, styles))}",
            f"script-src {' '.join(map(csp_hash, scripts))}",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


def _percent(value: int, whole: int) -> str:
    return f"{100 * value / whole:.4f}%" if whole else "0%"


def placement_css(
    result: CaseResult, strip: Strip, shares: Sequence[float], findings: Sequence[Finding]
) -> str:
    """Give the rules that place everything drawn to scale (the policy allows no style attribute).

    ``shares`` are the widths (0 to 1) of the bars in the durations table.
    """
    whole = strip.length
    rules = [f"#playhead{{left:{_percent(0, whole)}}}"]
    for row in strip.rows:
        height = LANE_PX[row.level]
        rules.append(f".row-{row.level}{{height:{height * row.lanes}px}}")
        for block in row.blocks:
            span = block.segment.span
            rules.append(
                f"#block-{block.order}{{left:{_percent(span.start, whole)};"
                f"width:{_percent(span.length, whole)};"
                f"top:{height * block.lane}px;height:{height - 3}px}}"
            )
            room = _room_before(span, strip.excluded)
            if room:
                rules.append(f"#block-{block.order} .name{{right:calc({100 - room:.2f}% + 4px)}}")
    for name, spans in (
        *((f"gap-{row.level}", row.gaps) for row in strip.rows),
        ("away", strip.excluded),
        ("hole", strip.holes),
    ):
        rules += [
            f"#{name}-{number}{{left:{_percent(span.start, whole)};"
            f"width:{_percent(span.length, whole)}}}"
            for number, span in enumerate(spans)
        ]
    for number, finding in enumerate(findings, 1):
        rules.append(f"#finding-{number}{{left:{_percent(finding.start, whole)}}}")
    for number, event in enumerate(result.annotation.events, 1):
        rules.append(f"#event-{number}{{left:{_percent(event.at, whole)}}}")
    for number, tick in enumerate(strip.ticks):
        rules.append(f"#tick-{number}{{left:{_percent(tick, whole)}}}")
    for number, share in enumerate(shares):
        rules.append(f"#bar-{number}{{width:{100 * min(1.0, share):.2f}%}}")
    width, height = display_size(result.recording.parts[0])
    rules.append(
        f"#video{{aspect-ratio:{width}/{height};"
        f"width:min(100%,calc(var(--video-height)*{width / height:.5f}))}}"
    )
    return "\n".join(rules) + "\n"


def _room_before(span: Span, excluded: Sequence[Span]) -> float:
    """Give the percentage of a block before the first excluded span in it; 0 for no limit."""
    first = next((away.start for away in excluded if away.overlaps(span)), span.start)
    room = 100 * (first - span.start) / span.length
    return room if room > LEAST_ROOM else 0.0


def display_size(part: Part) -> tuple[int, int]:
    """Give width and height in px as shown: pixel aspect and rotation applied."""
    width, height = round(part.width * part.pixel_aspect), part.height
    return (height, width) if part.rotation % 180 else (width, height)


def page_html(result: CaseResult, beside: Beside = Beside()) -> str:
    """Give the text of ``index.html``. Raises ValueError for a path that is absolute or leaves
    the folder."""
    strip = lay_strip(result.recording, result.procedure, result.annotation, result.timing)
    recording, case = result.recording, result.case
    words = PageWording.for_case(result)
    durations = duration_lines(result, strip, words)
    styles = [
        *map(read_asset, STYLES),
        placement_css(result, strip, [row.share for row in durations], beside.findings),
    ]
    scripts = [read_asset(name) for name in SCRIPTS]
    environment = Environment(
        loader=FunctionLoader(read_asset),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(plain=plain, clock=words.clock, tick=lambda ns: words.clock(ns, 0))
    return environment.get_template("case.html.j2").render(
        version=__version__,
        policy=content_policy(styles, scripts),
        styles=[Markup(text) for text in styles],
        scripts=[Markup(text) for text in scripts],
        data=json_for_script(_page_data(result, strip)),
        case=case,
        procedure=result.procedure,
        annotation=result.annotation,
        sources={
            "recording": [file_name(part.path) for part in recording.parts],
            "annotation": file_name(result.annotation.source or result.sheet.source),
            "captions": file_name(result.captions.source) if result.captions else "",
        },
        files={
            "video": beside.video and file_link(beside.video),
            "captions": beside.captions and file_link(beside.captions),
            "chapters": beside.chapters and file_link(beside.chapters),
        },
        video_type=f"{recording.parts[0].codec} in {recording.parts[0].container}",
        has_sound=any(part.audio for part in recording.parts),
        has_captions=bool(result.captions and result.captions.cues),
        hours=words.hours,
        n_frames=recording.n_frames,
        strip=strip,
        totals=totals(result, strip, words),
        durations=durations,
        edits=[describe(edit) for edit in result.edits.edits],
        any_shared=any(found.shared_ns for found in result.timing.steps),
        visits=visit_rows(result, strip, words, beside.clips),
        events=event_lines(result, words),
        findings=finding_rows(result, words, beside.findings, beside.pictures),
        problems=problem_rows(result, words),
        stills=still_cards(result, strip, words, beside.clips, beside.stills),
        parts=[part_facts(part, words, len(recording.parts)) for part in recording.parts],
    )
