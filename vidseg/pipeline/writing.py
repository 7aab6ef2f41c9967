"""One case's outputs, written into its folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from pkgutil import resolve_name

from vidseg.export.folder import output_folder
from vidseg.model.case import CaseResult
from vidseg.model.problem import UsageError
from vidseg.model.progress import StageProgress, silent
from vidseg.pipeline.case_run import CaseRun
from vidseg.pipeline.outputs import OUTPUTS, RunOptions


@dataclass(frozen=True, slots=True)
class Made:
    """What ``write_case`` wrote: ``made`` anew, ``kept`` files taken over, notes for the user."""

    folder: Path
    made: tuple[str, ...]
    kept: int
    notes: tuple[str, ...]


def write_case(
    result: CaseResult, out: Path, options: RunOptions, progress: StageProgress = silent
) -> Made:
    """Write the outputs asked for into the folder ``out``, redoing only what changed.

    Raises UsageError for a step that does not occur, for a folder that is not vidseg's, and for
    one that another process writes to; MediaError
    where the recording cannot be read or an output not written.
    """
    steps = _step_codes(options.steps, result)
    with output_folder(out) as folder:
        for number, path in enumerate(result.case.files):
            progress("hashing inputs", number / len(result.case.files))
            folder.input_hash(path)
        run = CaseRun(result, folder, options, steps, progress)
        for output in OUTPUTS.values():
            if output.name in options.outputs:
                run.stage = output.name
                resolve_name(output.make)(run)
        folder.finish()
    kept = len(folder.entries) - len(folder.made)
    return Made(folder.out, tuple(folder.made), kept, (*run.notes, *folder.notes))


def _step_codes(labels: Sequence[str], result: CaseResult) -> tuple[str, ...]:
    """Look up the steps that a user names. Raises UsageError for one that does not occur."""
    present = {segment.step.code: segment.step.name for segment in result.annotation.segments}
    codes = []
    for label in labels:
        step = result.procedure.find(label)
        if step is None or step.code not in present:
            raise UsageError(f"no row of step {label!r}; this case has {', '.join(present)}")
        codes.append(step.code)
    return tuple(codes)
