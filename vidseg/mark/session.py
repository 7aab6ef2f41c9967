"""One session of marking: everything the page is told, and everything it may ask for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from vidseg import __version__
from vidseg.formats import write_sheet
from vidseg.formats.mask_list import read_masks, write_masks
from vidseg.mark.keeper import AnnotationKeeper
from vidseg.mark.page_json import agreement_json, mask_from, mask_json, problem_json, recording_json
from vidseg.mark.rows import Batch, in_order
from vidseg.mark.sheet_rows import origins_of
from vidseg.model.annotation import Sheet
from vidseg.model.case import Reading
from vidseg.model.edits import Edit
from vidseg.model.procedure import Procedure
from vidseg.model.recording import Captions, Recording
from vidseg.reading import understand

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
        keeper: AnnotationKeeper,
        *,
        usual: Mapping[str, Usual] | None = None,
        captions: Captions | None = None,
        edits: Sequence[Edit] = (),
        second: Second | None = None,
        blind: bool = False,
    ) -> None:
        self.keeper, self.desk = keeper, keeper.desk
        self.usual, self.captions, self.edits = dict(usual or {}), captions, tuple(edits)
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
            edits=self.edits,
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
                    [problem_json(problem, ids) for problem in self.read().problems],
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
                "recording": recording_json(self.recording),
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
                    "unreadable": keeper.unreadable,
                    "told": list(keeper.file.sentences),
                },
                "notices": list(keeper.notices),
                "annotator": keeper.facts.annotator or "",
                "masks": [mask_json(mask) for mask in self.masks],
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
            "agreement": agreement_json(
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
        masks = tuple(mask_from(item) for item in data)
        write_masks(masks, self.masks_path)
        self.masks = masks
        return len(masks)
