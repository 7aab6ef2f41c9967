"""The clips, each a piece of its own, so that a stopped run goes on clip by clip."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace

from vidseg.export.clips import (
    REPORT_COLUMNS,
    clip_files,
    plan_clips,
    report_row,
    write_clips,
)
from vidseg.export.page import PageClip
from vidseg.export.tables import csv_text
from vidseg.media.splice.splice import ClipReport
from vidseg.model.clip import Clip
from vidseg.model.clock import format_time
from vidseg.model.cutting import Cutting
from vidseg.model.problem import Problem
from vidseg.pipeline.case_run import CaseRun


@dataclass(frozen=True, slots=True)
class _Cut:
    """All that shows in a clip."""

    clip: Clip
    how: Cutting


def make(run: CaseRun) -> None:
    """Cut the clips that are not there yet, and list them all."""
    result, folder, options = run.result, run.folder, run.options
    plans = plan_clips(
        result.annotation,
        result.recording,
        run.steps,
        options.pad_ns,
        options.join_visits,
        result.captions,
    )
    keys = [folder.key(_Cut(plan.clip, options.cutting)) for plan in plans]
    files = [[f"clips/{name}" for name in clip_files(plan.clip)] for plan in plans]
    missing = [n for n, key in enumerate(keys) if not folder.take_over(key, files[n])]

    def record(place: int, report: ClipReport) -> None:
        number = missing[place]
        folder.record(keys[number], files[number], json.dumps(asdict(report)))

    write_clips(
        [plans[number].clip for number in missing],
        folder.work / "clips",
        options.cutting,
        cores=options.cores,
        progress=run.progress,
        on_clip=record,
    )
    reports = [ClipReport(**folder.told(names)) for names in files]
    for plan, report in zip(plans, reports, strict=True):
        if report.way == "re-encoded" and not options.cutting.reencode:
            run.notes.append(f"{plan.clip.name} was re-encoded whole: {report.reason}")
    run.add_problems(
        Problem.of(
            "damaged-clip",
            f"{plan.clip.name} shows {report.damaged} picture(s) that the recording holds damaged, "
            f"the first at {format_time(report.damage_ns)}; look at them, or copy the recording "
            "anew from where it came from",
            run.result.recording.parts[0].path.name,
        )
        for plan, report in zip(plans, reports, strict=True)
        if report.damaged
    )
    if plans:
        rows = list(map(report_row, plans, reports))
        folder.write({"clips/clips.csv": csv_text(REPORT_COLUMNS, rows)})
    run.beside = replace(
        run.beside,
        clips=tuple(
            PageClip(
                plan.step.code,
                plan.visit or 1,
                names[0],
                plan.clip.spans[0].start,
                plan.clip.length,
            )
            for plan, names in zip(plans, files, strict=True)
        ),
    )
