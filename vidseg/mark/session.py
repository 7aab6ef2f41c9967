"""One session of marking: everything the page is told, and everything it may ask for."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from vidseg import __version__
from vidseg.export.page import display_size
from vidseg.formats import write_sheet
from vidseg.formats.mask_list import read_masks, write_masks
from vidseg.mark.keeper import Keeper
from vidseg.mark.rows import LARGEST_NS, Batch, in_order
from vidseg.mark.sheet_rows import origins_of
from vidseg.measure.agree import agree
from vidseg.model.annotation import Annotation, Sheet
from vidseg.model.clock import NS
from vidseg.model.mask import Mask
from vidseg.model.problem import Problem
from vidseg.model.procedure import LEVELS, Kind, Procedure
from vidseg.model.recording import Captions, Recording
from vidseg.model.span import Span, Spans
from vidseg.reading import Reading, understand

SAVED_AS = ("csv", "tsv", "json", "vtt")
"""Formats in which the page may ask for a copy."""


@dataclass(frozen=True, slots=True)
class Usual:
    """How long one visit to a step usually is (ns), from how many visits, and who says so."""

    length_ns: int
    visits: int | None
    source: str


@dataclass(frozen=True, slots=True)
class Second:
    """Another annotator's rows: those of ``sheet``."""

    name: str
    sheet: Sheet


@dataclass(frozen=True, slots=True)
class Checked:
    """What is doubtful in the rows of one revision, as JSON data."""

    revision: int
    problems: list[dict[str, Any]]
    missing: list[str]


class Session:
    """A keeper, and what stands around it. With ``blind`` nothing of ``second`` is ever told."""

    def __init__(
        self,
        keeper: Keeper,
        *,
        usual: Mapping[str, Usual] | None = None,
        captions: Captions | None = None,
        second: Second | None = None,
        blind: bool = False,
    ) -> None:
        self.keeper, self.desk = keeper, keeper.desk
        self.usual, self.captions = dict(usual or {}), captions
        self.second, self.blind = None if blind else second, blind
        self.masks_path = keeper.file.path.with_name(f"{keeper.file.path.stem}.masks.csv")
        self.masks = read_masks(self.masks_path) if self.masks_path.exists() else ()
        self._checked: Checked | None = None
        keeper.beside = lambda: asdict(self.checked())

    @property
    def recording(self) -> Recording:
        """What is marked."""
        return self.desk.recording

    @property
    def procedure(self) -> Procedure:
        """The vocabulary."""
        return self.desk.procedure

    # ---------------------------------------------------------------------------- changes

    def make(self, batch: Batch) -> Checked:
        """Make a batch, tell every page, and give what is doubtful now; raises as the keeper."""
        with self.keeper.lock:
            before = self.keeper.revision
            revision = self.keeper.make(batch)
            checked = self.checked()
            if revision != before:
                self.keeper.tell(
                    "changed",
                    {
                        **asdict(checked),
                        "client": batch.client,
                        "batch": {
                            "id": batch.id,
                            "changes": self.keeper.changes_json(batch.changes),
                        },
                    },
                )
            return checked

    def read(self) -> Reading:
        """Understand the rows as they are."""
        return understand(
            self.keeper.sheet(),
            procedure=self.procedure,
            recording=self.recording,
            clock=self.desk.clock,
        )

    def checked(self) -> Checked:
        """Find what is doubtful in the rows as they are, each with the row it concerns."""
        with self.keeper.lock:
            revision = self.keeper.revision
            if self._checked is None or self._checked.revision != revision:
                ids = [row.id for row in in_order(self.keeper.rows)]
                present = {row.label for row in self.keeper.rows.values()}
                self._checked = Checked(
                    revision,
                    [_problem_json(problem, ids) for problem in self.read().problems],
                    [
                        step.code
                        for step in self.procedure.steps
                        if step.required and step.code not in present
                    ],
                )
            return self._checked

    # ---------------------------------------------------------------------------- telling

    def state(self, media: dict[str, Any]) -> dict[str, Any]:
        """Give everything the page needs to begin with, as JSON data."""
        keeper = self.keeper
        with keeper.lock:
            return {
                "version": __version__,
                **asdict(self.checked()),
                **keeper.outside_json(),
                "procedure": self._procedure_json(),
                "recording": _recording_json(self.recording),
                "media": media,
                "captions": [
                    {"start_ns": cue.span.start, "end_ns": cue.span.end, "text": cue.text}
                    for cue in (self.captions.cues if self.captions else ())
                ],
                "second": self.second_json(),
                "blind": self.blind,
                "file": {
                    "name": keeper.file.path.name,
                    "saved_revision": keeper.saved_revision,
                    "trouble": keeper.trouble,
                },
                "notices": list(keeper.notices),
                "annotator": keeper.facts.annotator or "",
                "masks": [_mask_json(mask) for mask in self.masks],
                "history": [
                    {
                        "id": batch.id,
                        "client": batch.client,
                        "changes": keeper.changes_json(batch.changes),
                    }
                    for batch in keeper.batches
                    if batch.changes
                ],
            }

    def _procedure_json(self) -> dict[str, Any]:
        steps = []
        for step in self.procedure.steps:
            usual = self.usual.get(step.code)
            if usual is None and step.usual_ns is not None:
                usual = Usual(step.usual_ns, None, "vocabulary")
            steps.append(
                {
                    "code": step.code,
                    "name": step.name,
                    "kind": step.kind.value,
                    "aliases": list(step.aliases),
                    "parent": step.parent,
                    "required": step.required,
                    "repeats": step.repeats,
                    "overlaps": list(step.overlaps),
                    "usual_ns": usual.length_ns if usual else None,
                    "usual_n": usual.visits if usual else None,
                    "usual_from": usual.source if usual else None,
                }
            )
        return {"code": self.procedure.code, "name": self.procedure.name, "steps": steps}

    def second_json(self) -> dict[str, Any] | None:
        """Give the other annotator's rows and how far both agree, as JSON data."""
        if self.second is None:
            return None
        origins = origins_of(self.second.sheet, self.desk)
        rows = in_order({name: origin.row for name, origin in origins.items()})
        theirs = understand(
            self.second.sheet,
            procedure=self.procedure,
            recording=self.recording,
            clock=self.desk.clock,
        )
        return {
            "name": self.second.name,
            "rows": [self.keeper.row_json(row) for row in rows],
            "agreement": _agreement_json(
                self.read().annotation, theirs.annotation, self.recording.recorded
            ),
        }

    # ---------------------------------------------------------------------------- beside

    def save_as(self, suffix: str, *, replace: bool) -> tuple[str, tuple[str, ...]]:
        """Write a copy beside the annotation; gives its name and what it does not hold.

        Raises FileExistsError where the name is taken and not to be replaced, ValueError for an
        unknown format, OSError, and UsageError for rows that the format cannot hold.
        """
        if suffix not in SAVED_AS:
            raise ValueError(f"format must be one of {', '.join(SAVED_AS)}")
        path = self.keeper.file.path
        target = path.with_suffix(f".{suffix}")
        if target == path:
            self.keeper.bring_up_to_date()
            return path.name, self.keeper.file.sentences
        if target.exists() and not replace:
            raise FileExistsError(target.name)
        return target.name, write_sheet(self.keeper.sheet(), target)

    def keep_masks(self, data: object) -> int:
        """Write masks to their file; gives how many. Raises ValueError, OSError."""
        if not isinstance(data, list):
            raise ValueError("masks must be a list")
        masks = tuple(_mask(item) for item in data)
        write_masks(masks, self.masks_path)
        self.masks = masks
        return len(masks)


def _problem_json(problem: Problem, ids: list[str]) -> dict[str, Any]:
    line = problem.line
    return {
        "code": problem.code,
        "severity": problem.severity.value,
        "message": problem.message,
        "row": ids[line - 1] if line is not None and 0 < line <= len(ids) else None,
        "start_ns": problem.span.start if problem.span else None,
        "end_ns": problem.span.end if problem.span else None,
    }


def _recording_json(recording: Recording) -> dict[str, Any]:
    first = recording.parts[0]
    width, height = display_size(first)
    whole = Spans([Span(0, recording.length)])
    return {
        "name": first.path.name,
        "length_ns": recording.length,
        "n_frames": recording.n_frames,
        "width": width,
        "height": height,
        "rotation": first.rotation,
        "parts": [
            {
                "name": part.path.name,
                "start_ns": part.span.start,
                "end_ns": part.span.end,
                "first_frame": recording.first_frame(number),
                "n_frames": len(part.frame_ns),
            }
            for number, part in enumerate(recording.parts)
        ],
        "holes": [[hole.start, hole.end] for hole in whole - recording.recorded],
        "audio": any(part.audio for part in recording.parts),
        "rate": f"{first.rate.numerator}/{first.rate.denominator}",
        "constant_rate": all(part.constant_rate for part in recording.parts),
    }


def _agreement_json(mine: Annotation, theirs: Annotation, recorded: Spans) -> list[dict[str, Any]]:
    """Compare at every level that either has rows of; figures that do not exist are None."""
    used = {row.step.kind for row in (*mine.segments, *theirs.segments)}
    return [_level_json(mine, theirs, recorded, kind) for kind in LEVELS if kind in used]


def _level_json(
    mine: Annotation, theirs: Annotation, recorded: Spans, kind: Kind
) -> dict[str, Any]:
    found = agree(mine, theirs, recorded, kind)
    return {
        "level": kind.value,
        "accuracy": _figure(found.accuracy),
        "kappa": _figure(found.kappa),
        "kappa_labelled": _figure(found.kappa_labelled),
        "edit": _figure(found.edit),
        "f1": {str(percent): _figure(hit.f1) for percent, hit in found.hits},
        "edges": [
            {
                "tolerance_s": one.tolerance_ns / NS,
                "matched": one.matched,
                "agreement": _figure(one.agreement),
            }
            for one in found.boundaries
        ],
        "steps": [
            {
                "step": step.step,
                "dice": _figure(step.dice),
                "start_ns": step.start_ns,
                "end_ns": step.end_ns,
                "active_ns": step.active_ns,
            }
            for step in found.steps
        ],
    }


def _figure(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _mask_json(mask: Mask) -> dict[str, Any]:
    return {
        "x": mask.x,
        "y": mask.y,
        "width": mask.width,
        "height": mask.height,
        "start_ns": mask.span.start if mask.span else None,
        "end_ns": mask.span.end if mask.span else None,
    }


def _mask(data: object) -> Mask:
    if not isinstance(data, dict):
        raise ValueError("a mask must be a JSON object")
    x, y, width, height = (_whole(data.get(name)) for name in ("x", "y", "width", "height"))
    if data.get("start_ns") is None and data.get("end_ns") is None:
        return Mask(x, y, width, height)
    start, end = _whole(data.get("start_ns")), _whole(data.get("end_ns"))
    return Mask(x, y, width, height, Span(start, end))


def _whole(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= LARGEST_NS:
        raise ValueError("a mask has whole numbers from 0: px, and ns or null for its times")
    return value
