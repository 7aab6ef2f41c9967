"""What outputs are made with and in: the case as read, its folder, and what earlier ones leave."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from vidseg.export.folder import OutputFolder
from vidseg.export.page import Beside
from vidseg.model.case import CaseResult
from vidseg.model.problem import Problem
from vidseg.model.progress import StageProgress
from vidseg.pipeline.outputs import RunOptions


@dataclass
class CaseRun:
    """One case's folder in the making; ``steps`` are codes of the steps asked for.

    Outputs add to ``notes`` for the user, to ``beside`` for the page, and to the problems.
    """

    result: CaseResult
    folder: OutputFolder
    options: RunOptions
    steps: tuple[str, ...]
    told: StageProgress
    stage: str = ""
    notes: list[str] = field(default_factory=list)
    beside: Beside = field(default_factory=Beside)

    def progress(self, fraction: float) -> None:
        """Tell how far the output at work is."""
        self.told(self.stage, fraction)

    def add_problems(self, problems: Iterable[Problem]) -> None:
        """Tell problems met on the way, to the user and on the page."""
        found = tuple(problems)
        self.notes.extend(problem.message for problem in found)
        self.result = replace(self.result, problems=(*self.result.problems, *found))
