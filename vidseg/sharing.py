"""One case, made fit to share: the copy in ``copy``, the record of it in ``record``.

Calls, never computes. What is found and nobody has decided on stops the work before anything
that could be shared is made; the record then holds the pictures to decide by.
"""

from __future__ import annotations

import re
import secrets
import shutil
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Literal

from vidseg import __version__
from vidseg.export.chapters import case_chapters
from vidseg.export.deidentify import (
    Pair,
    SharingRecord,
    record_json,
    statement,
    write_json,
    write_record_page,
)
from vidseg.export.folder import OutputFolder, digest, file_sha256
from vidseg.export.stills import write_stills
from vidseg.formats import write_sheet
from vidseg.formats.case_file import read_case
from vidseg.formats.case_writing import write_case
from vidseg.formats.mask_list import write_masks
from vidseg.formats.vocabulary import builtin_codes, load_procedure
from vidseg.formats.vocabulary_writing import write_procedure
from vidseg.formats.webvtt import write_captions
from vidseg.measure.captions import cut_captions
from vidseg.measure.carry import Carried, carry, differing
from vidseg.measure.disclosure import Sharing, dicom_options, safe_harbor
from vidseg.measure.group_size import Group, coarse, group_sizes
from vidseg.measure.identifiers import words_of
from vidseg.measure.left_to_see import mask_of, overlays_left, views_left
from vidseg.measure.sifting import Sieve, Sifted, without_words
from vidseg.media.look import find_look
from vidseg.media.look_pictures import write_crops, write_view_thumbnails
from vidseg.media.redact import redact
from vidseg.media.redact_plan import Kept, Redaction, plan
from vidseg.media.still import write_pictures
from vidseg.model.annotation import Annotation, Edge, Mark, Sheet
from vidseg.model.case import Case, CaseResult
from vidseg.model.clock import format_time
from vidseg.model.consent import Answer, Consent, Purpose
from vidseg.model.look import Look
from vidseg.model.mask import Mask
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.recording import Captions
from vidseg.model.span import Span, Spans
from vidseg.reading import Progress, read_case_files, silent

COPY, RECORD = "copy", "record"
EDGE_TOLERANCE_NS = 1_000_000
"""Matroska rounds frame times to the millisecond; so may each edge of a visit."""
PAIRS = 3
"""Frames shown before and after."""


@dataclass(frozen=True, slots=True)
class ShareOptions:
    """What is to become of the parts of a case; spans in ns of case time.

    ``excluded`` and ``unlike`` say what happens to excluded spans and to spans that look unlike
    the rest ("" for the latter: nothing). ``looked``: a person has looked at what was found, and
    the rest may stay. ``keep_sound`` is the reason, or empty. ``others`` are the covariates of
    the cases to count groups in, None where there are none to count in.
    """

    purpose: Purpose
    masks: tuple[Mask, ...] = ()
    mask_overlays: bool = False
    excluded: Literal["blank", "cut", "keep"] = "blank"
    unlike: Literal["", "blank", "cut"] = ""
    looked: bool = False
    cut: Spans = field(default_factory=Spans)
    blanked: Spans = field(default_factory=Spans)
    keep_only_steps: bool = False
    keep_sound: str = ""
    silenced: Spans = field(default_factory=Spans)
    keep_captions: bool = False
    keep_notes: bool = False
    allowed: tuple[str, ...] = ()
    coarsen: Mapping[str, Decimal] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    keep_surgeon: bool = False
    new_id: str = ""
    since: date | None = None
    quality: int = 18
    reencode: bool = False
    others: tuple[Mapping[str, str], ...] | None = None


@dataclass(frozen=True, slots=True)
class Shared:
    """What came of it. ``undecided`` are sentences on what a person must decide on first; where
    there are any, no copy was made. ``words`` are the findings in text, ``to_check`` how many
    lines of the record are left to a person."""

    folder: Path
    undecided: tuple[str, ...]
    words: tuple[Sifted, ...]
    groups: tuple[Group, ...]
    notes: tuple[str, ...]
    to_check: int = 0


def require_consent(case: Case, purpose: Purpose) -> Consent:
    """Give the consent for ``purpose``. Raises UsageError, with the way to record it, for none."""
    consent = case.consent or Consent()
    answer = consent.to(purpose)
    if answer is Answer.YES:
        return consent
    told = {
        Answer.NO: f"the patient did not agree to {purpose.value}",
        Answer.UNKNOWN: f"it is not written down whether the patient agreed to {purpose.value}",
    }[answer]
    raise UsageError(
        f"{told}, so no copy is made. Consent is recorded in case.toml, once it is given:\n"
        f'  [consent]\n  {purpose.value} = "yes"\n  date = 2031-05-13\n'
        '  document = "where the signed form is kept"'
    )


def deidentify(
    result: CaseResult, out: Path, options: ShareOptions, progress: Progress = silent
) -> Shared:
    """Make the copy and its record in the folder ``out``, which holds ``copy`` and ``record``.

    Raises UsageError without consent and for requests that cannot be met, MediaError where the
    recording cannot be read or the copy fails one of its checks; no copy is left then.
    """
    consent = require_consent(result.case, options.purpose)
    if options.silenced and not options.keep_sound:
        raise UsageError("--silence goes with --keep-sound: without it no sound is kept at all")
    look = find_look(result.recording, lambda done: progress("looking for burnt-in text", done))
    maker = _Maker(result, out, options, consent, look, progress)
    undecided = maker.undecided()
    if undecided:
        folder = OutputFolder(out)
        maker.show_look(folder)
        folder.finish()
        return Shared(out, undecided, (), (), look.remarks)
    return maker.make()


class _Maker:
    def __init__(
        self,
        result: CaseResult,
        out: Path,
        options: ShareOptions,
        consent: Consent,
        look: Look,
        progress: Progress,
    ) -> None:
        self.result, self.out, self.options = result, out, options
        self.consent, self.look, self.progress = consent, look, progress
        recording, marks = result.recording, result.annotation
        cut, black = options.cut, options.blanked
        views = Spans(view.span for view in look.views)
        if options.unlike == "cut":
            cut |= views
        elif options.unlike == "blank":
            black |= views
        if options.excluded == "cut":
            cut |= marks.excluded_spans
        elif options.excluded == "blank":
            black |= marks.excluded_spans
        if options.keep_only_steps:
            cut |= recording.recorded - Spans(s.span for s in marks.segments if s.step.timed)
        found = tuple(mask_of(overlay) for overlay in look.overlays)
        self.masks = (*options.masks, *(found if options.mask_overlays else ()))
        self.redaction = Redaction(
            removed=cut,
            blanked=black - cut,
            masks=self.masks,
            keep_sound=bool(options.keep_sound),
            silenced=options.silenced,
            reencode=options.reencode,
        )
        self.hidden = cut | black
        known = words_of([label for label, _ in result.procedure.labels()])
        self.sieve = Sieve(known, options.allowed)
        self.metadata: dict[str, int] = {}
        for problem in result.problems:
            if problem.code == "identifying-metadata":
                letter = re.search(r"\(([A-R])[,)]", problem.message)
                key = letter[1] if letter else "H"
                self.metadata[key] = self.metadata.get(key, 0) + 1
        self.done: list[str] = []
        self.notes: list[str] = list(look.remarks)

    def undecided(self) -> tuple[str, ...]:
        """Say what was found, is not hidden, and nobody said may stay."""
        if self.options.looked:
            return ()
        overlays = overlays_left(self.look.overlays, self.masks, self.hidden)
        views = views_left(self.look.views, self.hidden)
        return (
            *(
                f"burnt-in text, perhaps, at {o.x},{o.y},{o.width},{o.height} px, "
                f"{_span(o.span)} (score {o.score:.2f})"
                for o in overlays
            ),
            *(f"{_span(v.span)} looks unlike the rest: {v.why}" for v in views),
        )

    def show_look(self, folder: OutputFolder) -> None:
        """Write crops of overlays, thumbnails of views, and the masks that would hide them."""
        recording, look = self.result.recording, self.look
        names = [
            f"{RECORD}/look/overlay-{number:02}-{place}.jpg"
            for number, overlay in enumerate(look.overlays, 1)
            for place in range(1, len(overlay.frames) + 1)
        ]
        names += [f"{RECORD}/look/view-{number:02}.jpg" for number in range(1, len(look.views) + 1)]

        def make(work: Path) -> None:
            target = work / RECORD / "look"
            target.mkdir(parents=True, exist_ok=True)
            write_masks([mask_of(overlay) for overlay in look.overlays], target / "masks.csv")
            report = self.progress
            write_crops(recording, look.overlays, target, lambda done: report("crops", done))
            write_view_thumbnails(
                recording, look.views, target, lambda done: report("thumbnails", done)
            )

        key = digest(__version__, look, [file_sha256(p) for p in self.result.case.recordings])
        folder.make(key, [f"{RECORD}/look/masks.csv"], make, optional=names)

    def make(self) -> Shared:
        """Make copy and record."""
        result = self.result
        kept = plan(result.recording, self.redaction).kept
        marks = self._words(result.annotation)
        captions = self._captions(kept)
        carried = carry(marks, result.edits, result.recording.recorded, kept)
        covariates, groups = self._covariates()
        self._own_vocabulary_passes()
        folder = OutputFolder(self.out)
        try:
            name = self._recording(folder)
            case = self._case(folder, name, carried, covariates, captions)
            copy = self._checked(folder.work / COPY / "case.toml")
            self._stills(folder, copy)
            sharing = self._sharing(case, captions, groups)
            to_check = self._record(folder, case, copy, sharing, kept, groups, carried)
        except UsageError:
            shutil.rmtree(folder.work, ignore_errors=True)
            raise
        folder.finish()
        notes = (*self.notes, *carried.notes)
        return Shared(self.out, (), tuple(self.sieve.found), groups, notes, to_check)

    def _words(self, marks: Annotation) -> Annotation:
        sifted = self.sieve.notes(marks)
        if self.options.keep_notes:
            self.done.append("Notes kept where nothing in them was found; extra columns left out.")
            return replace(sifted, annotator="", source="")
        self.done.append("Notes, extra columns and the annotator's name left out.")
        return without_words(marks)

    def _captions(self, kept: Kept) -> Captions | None:
        spoken = self.result.captions
        if spoken is None:
            return None
        sifted = self.sieve.captions(spoken)
        if not self.options.keep_captions:
            self.done.append("Captions left out.")
            return None
        hidden = self.redaction.silenced | self.redaction.blanked
        heard = replace(sifted, cues=tuple(c for c in sifted.cues if not Spans([c.span]) & hidden))
        self.done.append(f"Captions kept: {len(heard.cues)} of {len(spoken.cues)}.")
        return cut_captions(heard, [span for span, _ in kept])

    def _covariates(self) -> tuple[tuple[tuple[str, str], ...], tuple[Group, ...]]:
        """Give the covariates of the copy, and the groups they leave."""
        options = self.options
        told = dict(self.result.case.covariates)
        unknown = [name for name in (*options.coarsen, *options.left_out) if name not in told]
        if unknown:
            has = ", ".join(told) or "none"
            raise UsageError(f"no covariate {', '.join(map(repr, unknown))}; this case has: {has}")
        kept: list[tuple[str, str]] = []
        for name, value in told.items():
            if name in options.left_out:
                self.done.append(f"Covariate {name} left out.")
            elif name == "date":
                kept += self._interval(value)
            elif self.sieve.passes(value, f"covariate {name}") and self.sieve.passes(
                name.replace("_", " "), "name of a covariate"
            ):
                kept.append((name, coarse(name, value, options.coarsen.get(name))))
                if kept[-1][1] != value:
                    self.done.append(f"Covariate {name} told as a range.")
        if options.others is None:
            return tuple(kept), ()

        def alike(row: Mapping[str, str]) -> dict[str, str]:
            return {n: coarse(n, v, options.coarsen.get(n)) for n, v in row.items()}

        return tuple(kept), group_sizes(dict(kept), [alike(row) for row in options.others])

    def _interval(self, value: str) -> list[tuple[str, str]]:
        self.metadata["C"] = self.metadata.get("C", 0) + 1
        if self.options.since is None:
            self.done.append("The date of the operation left out.")
            return []
        try:
            days = (date.fromisoformat(value) - self.options.since).days
        except ValueError:
            raise UsageError(
                f"--since needs the day of the operation; the case says {value!r}"
            ) from None
        self.done.append("The date of the operation told as days since a date kept here.")
        return [("days_since_start", str(days))]

    def _own_vocabulary(self) -> bool:
        procedure = self.result.procedure
        return procedure.code not in builtin_codes() or load_procedure(procedure.code) != procedure

    def _own_vocabulary_passes(self) -> None:
        """Refuse a vocabulary of the user's whose names may identify someone."""
        if not self._own_vocabulary():
            return
        procedure = self.result.procedure
        own = Sieve((), self.options.allowed)
        texts = [procedure.name, *(step.name for step in procedure.steps)]
        for text in texts:
            own.passes(f"now {text}", "vocabulary")
        if all(one.allowed for one in own.found):
            return
        found = ", ".join(
            dict.fromkeys(f'"{o.identifier.text}"' for o in own.found if not o.allowed)
        )
        raise UsageError(
            f"names in the vocabulary may identify someone: {found}; rename them, or let each "
            "stay with --allow TEXT"
        )

    def _recording(self, folder: OutputFolder) -> str:
        """Make the copy of the recording; give its name."""
        result = self.result
        suffix = result.recording.parts[0].path.suffix.lower()
        name = f"recording{suffix if suffix in ('.mp4', '.mov', '.mkv') else '.mkv'}"
        chapters = case_chapters(result.annotation, result.recording.length)

        def make(work: Path) -> None:
            made = redact(
                result.recording,
                self.redaction,
                work / COPY / name,
                chapters=chapters,
                quality=self.options.quality,
                progress=lambda done: self.progress("copy of the recording", done),
            )
            write_json({"ways": made.ways, "notes": made.notes}, work / RECORD / "ways.json")

        hashes = [file_sha256(path) for path in result.case.recordings]
        parts = [(part.start, part.skipped) for part in result.recording.parts]
        key = digest(__version__, hashes, parts, self.redaction, chapters, self.options.quality)
        (folder.work / RECORD).mkdir(parents=True, exist_ok=True)
        folder.make(key, [f"{COPY}/{name}", f"{RECORD}/ways.json"], make)
        return name

    def _case(
        self,
        folder: OutputFolder,
        name: str,
        carried: Carried,
        covariates: tuple[tuple[str, str], ...],
        captions: Captions | None,
    ) -> Case:
        """Write the annotation, the captions and ``case.toml`` of the copy."""
        before, own = self.result.case, self._own_vocabulary()
        code = self.result.procedure.code
        case = Case(
            id=self.options.new_id or _known_id(folder) or f"case-{secrets.token_hex(4)}",
            recordings=(Path(name),),
            annotation=Path("steps.csv"),
            procedure="./procedure.toml" if own else code,
            captions=Path("captions.vtt") if captions and captions.cues else None,
            edits=carried.edits,
            surgeon=before.surgeon if self.options.keep_surgeon else "",
            role=before.role,
            case_number=before.case_number,
            covariates=covariates,
        )

        def make(work: Path) -> None:
            write_sheet(_sheet(carried.annotation), work / COPY / "steps.csv")
            write_case(case, work / COPY / "case.toml")
            if case.captions and captions:
                write_captions(captions, work / COPY / "captions.vtt")
            if own:
                write_procedure(self.result.procedure, work / COPY / "procedure.toml")

        names = ["steps.csv", "case.toml", *(["captions.vtt"] if case.captions else [])]
        names += ["procedure.toml"] if own else []
        key = digest(__version__, case, carried, captions, self.result.procedure)
        folder.make(key, [f"{COPY}/{n}" for n in names], make)
        return case

    def _checked(self, case_file: Path) -> CaseResult:
        """Read the copy as any case, and require that nothing identifies and all times agree."""
        copy = read_case_files(read_case(case_file), progress=self.progress)
        told = [p.message for p in copy.problems if p.code == "identifying-metadata"]
        visits = max((len(step.segments) for step in copy.timing.steps), default=0)
        told += differing(self.result.timing, copy.timing, EDGE_TOLERANCE_NS * (2 * visits + 1))
        if told:
            shutil.rmtree(case_file.parent.parent, ignore_errors=True)
            raise MediaError(case_file.parent.name, "the copy failed its check: " + "; ".join(told))
        self.done.append(
            f"The copy was read again: {len(copy.timing.steps)} step(s) take as long as in the "
            "recording."
        )
        return copy

    def _stills(self, folder: OutputFolder, copy: CaseResult) -> None:
        timed = {s.step.code for s in copy.annotation.segments if s.step.timed}
        names = [
            f"{COPY}/stills/{n:02d}-{code}.jpg" for n in range(1, len(timed) + 1) for code in timed
        ]

        def make(work: Path) -> None:
            target = work / COPY / "stills"
            target.mkdir(parents=True, exist_ok=True)
            hidden = replace(copy.annotation, excluded=copy.annotation.excluded)
            write_stills(
                hidden, copy.recording, target, (), lambda done: self.progress("stills", done)
            )

        entry = folder.entries[f"{COPY}/steps.csv"]
        folder.make(digest("stills", entry.key, self.redaction), [], make, optional=names)

    def _sharing(self, case: Case, captions: Captions | None, groups: Sequence[Group]) -> Sharing:
        recording, look = self.result.recording, self.look
        found = dict(self.sieve.counts(allowed=False))
        for letter, count in self.metadata.items():
            found[letter] = found.get(letter, 0) + count
        allowed = self.sieve.counts(allowed=True)
        if not self.options.keep_notes and not self.options.keep_captions:
            allowed = {}
        sounding = any(part.audio for part in recording.parts)
        sound: Literal["none", "kept", "removed"] = "none"
        if sounding:
            sound = "kept" if self.options.keep_sound else "removed"
        told = dict(self.result.case.covariates)
        return Sharing(
            found=found,
            allowed=allowed,
            sound=sound,
            silenced=bool(self.redaction.silenced),
            captions=bool(captions and captions.cues),
            notes=self.options.keep_notes,
            masks=len(self.masks),
            overlays=len(look.overlays),
            overlays_gone=len(look.overlays)
            - len(overlays_left(look.overlays, self.masks, self.hidden)),
            views=len(look.views),
            views_gone=len(look.views) - len(views_left(look.views, self.hidden)),
            covariates=len(case.covariates),
            coarsened=sum(told.get(name) != value for name, value in case.covariates),
            group=groups[-1].size if groups else None,
            interval=any(name == "days_since_start" for name, _ in case.covariates),
        )

    def _record(
        self,
        folder: OutputFolder,
        case: Case,
        copy: CaseResult,
        sharing: Sharing,
        kept: Kept,
        groups: tuple[Group, ...],
        carried: Carried,
    ) -> int:
        """Write the record; give how many of its lines are left to a person."""
        self.show_look(folder)
        before = self.result.case
        inputs = [*before.recordings, *(p for p in (before.annotation, before.captions) if p)]
        after = {
            name.removeprefix(f"{COPY}/"): entry.sha256
            for name, entry in folder.entries.items()
            if name.startswith(f"{COPY}/")
        }
        record = SharingRecord(
            purpose=self.options.purpose,
            case=before.id,
            new_id=case.id,
            consent=self.consent,
            safe_harbor=safe_harbor(sharing),
            dicom=dicom_options(sharing),
            done=(*self._done(sharing), *self.done),
            notes=(*self.notes, *carried.notes),
            masks=self.masks,
            look=self.look,
            words=tuple(self.sieve.found),
            groups=groups,
            before={path.name: file_sha256(path) for path in inputs},
            after=after,
        )

        def make(work: Path) -> None:
            target = work / RECORD
            pairs = self._pairs(copy, kept, target / "frames")
            full = replace(record, pairs=pairs)
            write_json(statement(full), work / COPY / "deidentification.json")
            write_json(record_json(full), target / "deidentification.json")
            write_record_page(full, target / "deidentification.html")

        names = [f"{COPY}/deidentification.json"]
        names += [f"{RECORD}/deidentification.{kind}" for kind in ("json", "html")]
        frames = [f"{RECORD}/frames/{n}-{side}.jpg" for n in range(1, PAIRS + 1) for side in SIDES]
        folder.make(digest(__version__, record), names, make, optional=frames)
        lines = (*record.safe_harbor, *record.dicom)
        return sum(line.status.value in ("for a person to check", "not checked") for line in lines)

    def _done(self, sharing: Sharing) -> list[str]:
        removed = (self.redaction.removed & self.result.recording.recorded).length
        black = (self.redaction.blanked & self.result.recording.recorded).length
        told = ["All metadata left out, names of files and case new."]
        if removed:
            told.append(f"{format_time(removed)} cut out, declared as edits of the copy.")
        if black:
            told.append(f"{format_time(black)} made black and silent.")
        if self.masks:
            told.append(f"{len(self.masks)} rectangle(s) covered.")
        if sharing.sound == "removed":
            told.append("Sound removed.")
        if sharing.sound == "kept":
            told.append(f"Sound kept; the reason given: {self.options.keep_sound}")
        if self.redaction.silenced:
            told.append(f"{len(self.redaction.silenced)} span(s) made silent.")
        if self.result.case.surgeon and not self.options.keep_surgeon:
            told.append("The surgeon's pseudonym left out.")
        if self.options.looked:
            told.append("Who ran this said that a person looked at what was found.")
        return told

    def _pairs(self, copy: CaseResult, kept: Kept, folder: Path) -> tuple[Pair, ...]:
        """Write frames before and after: where masks are, and the middle of what is kept."""
        recording = self.result.recording
        folder.mkdir(parents=True, exist_ok=True)
        whole = Spans(span for span, _ in kept)
        spans = [mask.span for mask in self.masks if mask.span] + list(self.redaction.blanked)
        longest = max(whole, key=lambda span: span.length)
        instants: list[int] = []
        for span in [*spans, longest]:
            shown = max(Spans([span]) & whole, key=lambda piece: piece.length, default=None)
            if shown is not None:
                instants.append((shown.start + shown.end) // 2)
        pairs: list[Pair] = []
        wanted: list[tuple[int, Path]] = []
        copied: list[tuple[int, Path]] = []
        for at in dict.fromkeys(instants[: PAIRS - 1] + instants[-1:]):
            span, offset = next(own for own in kept if own[0].holds(at))
            frame = min(recording.frame_at(at), recording.n_frames - 1)
            start = recording.frame_start(frame)
            twin = copy.recording.frame_at(offset + max(start, span.start) - span.start)
            pair = Pair(start, *(folder / f"{len(pairs) + 1}-{side}.jpg" for side in SIDES))
            pairs.append(pair)
            wanted.append((frame, pair.before))
            copied.append((min(twin, copy.recording.n_frames - 1), pair.after))
        write_pictures(recording, wanted)
        write_pictures(copy.recording, copied)
        return tuple(pairs)


SIDES = ("before", "after")


def _sheet(annotation: Annotation) -> Sheet:
    """Give an annotation as the rows of a file."""
    rows = sorted((*annotation.segments, *annotation.excluded), key=lambda s: s.span)
    marks = [
        Mark(
            segment.step.code,
            Edge.OPEN if segment.open_start else segment.span.start,
            Edge.OPEN if segment.open_end else segment.span.end,
            segment.note,
        )
        for segment in rows
    ]
    marks += [Mark(event.step.code, event.at, None, event.note) for event in annotation.events]
    return Sheet("steps.csv", tuple(marks))


def _known_id(folder: OutputFolder) -> str:
    """Give the pseudonym that an earlier run chose, so that the same again changes nothing."""
    for place in (folder.work, folder.out):
        try:
            text = (place / COPY / "case.toml").read_text(encoding="utf-8")
            return str(tomllib.loads(text)["id"])
        except (OSError, ValueError, KeyError):
            continue
    return ""


def _span(span: Span) -> str:
    return f"{format_time(span.start, 1)} to {format_time(span.end, 1)}"
