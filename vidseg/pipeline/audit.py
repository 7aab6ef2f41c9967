"""The audit: what makes the recording's clock doubtful, with pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from vidseg.disk.atomic_write import write_text_aside
from vidseg.export.audit_files import (
    audit_csv,
    audit_json,
    audit_text,
    pictures_wanted,
    read_findings,
    write_thumbnails,
)
from vidseg.measure.audit.audit import audit
from vidseg.measure.audit.explain import unexplained
from vidseg.media.picture.survey import survey
from vidseg.model.finding import Finding
from vidseg.model.progress import Progress
from vidseg.model.recording import Recording
from vidseg.pipeline.case_run import CaseRun

FINDINGS = ("audit.csv", "audit.json")


def make(run: CaseRun) -> None:
    """Audit the recording, write what was found, and tell what nothing explains."""
    folder, recording = run.folder, run.result.recording
    folder.make(recording, FINDINGS, _write_findings, run.progress)
    findings = read_findings(folder.work / "audit.json")
    pictured = _Pictured(recording, findings)
    names = [
        f"audit/{name}" for own in pictures_wanted(recording, findings).values() for name in own
    ]
    if names:
        folder.make(pictured, names, _write_pictures, run.progress)
    pictures = tuple(name for name in names if name in folder.entries)
    run.beside = replace(run.beside, findings=findings, pictures=pictures)
    run.add_problems(unexplained(findings, run.result.edits.edits, run.result.annotation))


@dataclass(frozen=True, slots=True)
class _Pictured:
    """Findings to be shown."""

    recording: Recording
    findings: tuple[Finding, ...]


def _write_findings(recording: Recording, work: Path, progress: Progress) -> None:
    findings = audit_recording(recording, progress)
    write_text_aside(work / "audit.csv", audit_csv(findings, recording))
    write_text_aside(work / "audit.json", audit_json(findings, recording))


def _write_pictures(pictured: _Pictured, work: Path, progress: Progress) -> None:
    write_thumbnails(pictured.recording, pictured.findings, work / "audit", progress)


def audit_recording(recording: Recording, progress: Progress) -> tuple[Finding, ...]:
    """Decode the recording once and give the reasons to doubt its clock."""
    return audit(survey(recording, progress), recording)


def write_audit(
    findings: Sequence[Finding], recording: Recording, folder: Path, progress: Progress
) -> None:
    """Write an audit's table, JSON, text and pictures into ``folder`` (made where missing)."""
    (folder / "audit").mkdir(parents=True, exist_ok=True)
    write_text_aside(folder / "audit.csv", audit_csv(findings, recording))
    write_text_aside(folder / "audit.json", audit_json(findings, recording))
    write_text_aside(folder / "audit.txt", audit_text(findings))
    write_thumbnails(recording, findings, folder / "audit", progress)
