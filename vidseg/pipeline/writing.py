"""One case's outputs, written into its folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from pkgutil import resolve_name

from vidseg.export.folder import output_folder
from vidseg.export.leaving import Gate
from vidseg.measure.privacy.identifiers import plain_words_of
from vidseg.measure.privacy.identifying_text import sifted, unquoted
from vidseg.model.case import CaseResult
from vidseg.model.problem import UsageError
from vidseg.model.progress import StageProgress, silent
from vidseg.pipeline.case_run import CaseRun
from vidseg.pipeline.outputs import OUTPUTS, RunOptions


@dataclass(frozen=True, slots=True)
class Made:
    """What ``write_case`` wrote: ``made`` anew, ``kept`` files taken over, notes for the user;
    ``has_errors`` where the case, or what was made, has problems of severity error."""

    folder: Path
    made: tuple[str, ...]
    kept: int
    notes: tuple[str, ...]
    has_errors: bool


def write_case(
    result: CaseResult,
    out: Path,
    options: RunOptions,
    progress: StageProgress = silent,
    *,
    share: bool = False,
) -> Made:
    """Write the outputs asked for into the folder ``out``, redoing only what changed.

    What identifies someone in the recording is not quoted in them. With ``share`` every file is
    read before the folder is put in its place, and SharingError raised for what it carries.
    Raises UsageError for a step that does not occur, for a folder that is not vidseg's and one
    that another process writes to; MediaError where the recording cannot be read or an output
    not written.
    """
    steps = _step_codes(options.steps, result)
    with output_folder(out, _gate(result) if share else None) as folder:
        if share and (strange := folder.strangers()):
            raise UsageError(
                f"{out} holds files that vidseg did not write ({', '.join(strange[:3])}), which "
                "would go along; move them away, or choose another folder with --out"
            )
        result = replace(result, problems=unquoted(result.problems))
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
    notes = (*run.notes, *folder.notes)
    return Made(folder.out, tuple(folder.made), kept, notes, run.result.has_errors)


def _gate(result: CaseResult) -> Gate:
    known = plain_words_of([label for label, _ in result.procedure.labels()])
    return Gate(sifted(result, everything=True), known)


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
