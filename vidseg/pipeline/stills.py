"""The stills, their list and the contact sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from vidseg.export.contact_sheet import write_contact_sheet
from vidseg.export.page import PageStill
from vidseg.export.stills import Still, keep_stills, plan_stills, still_problems
from vidseg.model.progress import Progress
from vidseg.model.timing import Timing
from vidseg.pipeline.case_run import CaseRun

SHEET = "contact-sheet.jpg"


@dataclass(frozen=True, slots=True)
class _Sheet:
    """All that shows on a contact sheet."""

    stills: tuple[Still, ...]
    timing: Timing


def make(run: CaseRun) -> None:
    """Choose and write the stills, and lay them out."""
    result = run.result
    plans = plan_stills(result.annotation, result.recording, run.steps)
    if not any(plan.ranges for plan in plans):
        run.notes.append("no step has footage of its own, so there are no stills")
        return
    stills = keep_stills(plans, result.recording, run.folder, "stills", run.progress)
    if stills:
        run.folder.make(_Sheet(stills, result.timing), [SHEET], _write_sheet)
    shown = tuple(
        PageStill(s.step.code, s.frame, s.at_ns, f"stills/{s.path.name}", s.poor) for s in stills
    )
    run.beside = replace(run.beside, stills=shown)
    run.add_problems(still_problems(result.annotation, stills, run.steps))


def _write_sheet(sheet: _Sheet, work: Path, _: Progress) -> None:
    write_contact_sheet(sheet.stills, sheet.timing, work / SHEET)
