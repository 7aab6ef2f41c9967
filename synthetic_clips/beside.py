"""What is written beside a drawn operation: annotation, captions and the truth."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from synthetic_clips.scenario import NS, Scenario
from synthetic_clips.write import written_aside


def write_beside(scenario: Scenario, path: Path) -> tuple[Path, Path, Path]:
    """Write three files into the folder of the recording ``path``; return their paths.

    ``steps.csv``: the annotation as a person would hand it in (start, end, step, note; an event
    has no end). ``captions.vtt``: the narration. ``<stem>.truth.csv``: each visit, excluded
    span and event in frames (kind, code, start_frame, end_frame).
    """
    texts = {
        path.with_name("steps.csv"): steps_csv(scenario),
        path.with_name("captions.vtt"): captions_vtt(scenario),
        path.with_name(f"{path.stem}.truth.csv"): truth_csv(scenario),
    }
    for target, text in texts.items():
        with written_aside(target) as aside:
            aside.write_text(text, encoding="utf-8", newline="\n")
    steps, captions, truth = texts
    return steps, captions, truth


def steps_csv(scenario: Scenario) -> str:
    """Write the annotation of ``scenario``, in order of start."""
    rows = [(v.start, _clock(v.end), v.code, v.note) for v in scenario.steps + scenario.excluded]
    rows += [(event.at, "", event.code, event.note) for event in scenario.events]
    ordered = sorted(rows, key=lambda row: (row[0], row[2]))
    return _csv(
        ("start", "end", "step", "note"),
        [(_clock(start), *rest) for start, *rest in ordered],
    )


def truth_csv(scenario: Scenario) -> str:
    """Write the truth of ``scenario`` in frames."""
    rows = [(t.kind, t.code, t.start_frame, t.end_frame) for t in scenario.truth()]
    return _csv(("kind", "code", "start_frame", "end_frame"), rows)


def captions_vtt(scenario: Scenario) -> str:
    """Write the narration of ``scenario`` as WebVTT."""
    cues = ["WEBVTT"]
    for caption in scenario.captions:
        text = caption.text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        cues.append(f"{_clock(caption.start, 2)} --> {_clock(caption.end, 2)}\n{text.strip()}")
    return "\n\n".join(cues) + "\n"


def _clock(ns: int, hour_digits: int = 1) -> str:
    seconds, milliseconds = divmod((ns * 1000 + NS // 2) // NS, 1000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:0{hour_digits}d}:{minutes:02d}:{seconds:02d}.{milliseconds:03d}"


def _csv(header: tuple[str, ...], rows: Sequence[tuple[object, ...]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue()
