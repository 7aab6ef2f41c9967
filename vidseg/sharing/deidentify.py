"""A copy of a case that is fit to share in ``copy``, and its record in ``record``.

What is found and nobody has decided on stops the work before anything that could be shared is
made; the record then holds the pictures to decide by.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from vidseg.export.deidentify import (
    Pair,
    SharingRecord,
    record_json,
    statement,
    write_json,
    write_record_page,
)
from vidseg.export.folder import OutputFolder, output_folder
from vidseg.export.leaving import Gate
from vidseg.measure.case.retime import carry
from vidseg.measure.privacy.disclosure import Sharing, Status, dicom_options, safe_harbor
from vidseg.measure.privacy.identifiers import plain_words_of
from vidseg.measure.privacy.identifying_text import sifted
from vidseg.measure.privacy.sifting import folded
from vidseg.media.picture.screening import find_look
from vidseg.media.picture.still import write_pictures
from vidseg.media.redact.redact_plan import plan
from vidseg.media.redact.residue import residue
from vidseg.model.case import Case, CaseResult
from vidseg.model.clock import format_time
from vidseg.model.consent import Consent
from vidseg.model.problem import UsageError, VidsegError
from vidseg.model.progress import Progress, StageProgress, silent
from vidseg.model.recording import Recording
from vidseg.model.span import Kept, Spans
from vidseg.sharing.hiding import Hiding, decide, show_look
from vidseg.sharing.making import COPY, make_case, make_recording, make_stills, read_again
from vidseg.sharing.options import Shared, ShareOptions, refuse_idle, require_consent
from vidseg.sharing.words import INTERVAL, SharedWords, sift

RECORD = "record"
SIDES = ("before", "after")
PAIRS = 3
"""Frames shown before and after."""


def deidentify(
    result: CaseResult, out: Path, options: ShareOptions, progress: StageProgress = silent
) -> Shared:
    """Make the copy and its record in the folder ``out``, which holds ``copy`` and ``record``.

    Raises UsageError without consent and for requests that cannot be met, MediaError where the
    recording cannot be read or the copy fails one of its checks, SharingError where the copy
    carries what was found to identify someone; no copy is left then.
    """
    consent = require_consent(result.case, options.purpose)
    refuse_idle(result, options)
    known = plain_words_of([label for label, _ in result.procedure.labels()])
    findings = sifted(result, everything=True, allowed=options.allowed)
    with output_folder(out, Gate(findings, known, options.allowed, COPY)) as folder:
        return _shared(result, folder, options, consent, progress)


def _shared(
    result: CaseResult,
    folder: OutputFolder,
    options: ShareOptions,
    consent: Consent,
    progress: StageProgress,
) -> Shared:
    out = folder.out
    try:
        _refuse_strangers(folder)
        look = find_look(
            result.recording,
            lambda done: progress("looking it over", done),
            read=options.read_pictures,
        )
        hiding = decide(result, options, look)
        if hiding.undecided:
            show_look(result, look, folder, progress)
            folder.finish()
            return Shared(out, hiding.undecided, (), (), (*look.remarks, *folder.notes))
        kept = plan(result.recording, hiding.redaction).kept
        words = sift(result, options, hiding.redaction, kept)
        _refuse_idle_allowances(options, hiding, words)
        carried = carry(words.annotation, result.edits, result.recording.recorded, kept)
        show_look(result, look, folder, progress)
        name, ways = make_recording(result, hiding.redaction, options, folder, progress)
        case = make_case(result, options, folder, name, carried, words)
        copy = read_again(result, folder, progress)
        make_stills(copy, folder, progress)
        notes = (*ways, *carried.notes, *look.remarks)
        record = _record(result, options, consent, hiding, words, case, notes, folder)
        shown = _Shown(record, result.recording, copy.recording, kept)
        folder.make(shown, RECORD_FILES, _write)
    except VidsegError:
        shutil.rmtree(folder.work, ignore_errors=True)
        raise
    folder.finish()
    open_lines = [line for line in (*record.safe_harbor, *record.dicom) if _is_open(line.status)]
    return Shared(out, (), words.found, words.groups, (*notes, *folder.notes), len(open_lines))


def _refuse_strangers(folder: OutputFolder) -> None:
    """Refuse where files that were put beside an earlier copy would go along with the new one."""
    if strange := folder.strangers(COPY):
        named = ", ".join(strange[:3]) + (f" and {len(strange) - 3} more" if strange[3:] else "")
        raise UsageError(
            f"{folder.out / COPY} holds files that are no part of the copy ({named}) and may show "
            "what a new copy hides; move them away, or choose another --out"
        )


def _refuse_idle_allowances(options: ShareOptions, hiding: Hiding, words: SharedWords) -> None:
    """Refuse to allow what was not found, or what is left out with all that stands around it."""
    spoken = {folded(one.text) for one in hiding.spoken if one.allowed}
    idle = [text for text in options.allowed if folded(text) not in words.let_stay | spoken]
    if idle:
        raise UsageError(
            f"--allow {idle[0]!r}: nothing that goes into the copy was found to read so; notes and "
            "captions go along with --keep-notes and --keep-captions"
        )


def _is_open(status: Status) -> bool:
    return status in (Status.PERSON, Status.UNCHECKED)


def _record(
    result: CaseResult,
    options: ShareOptions,
    consent: Consent,
    hiding: Hiding,
    words: SharedWords,
    case: Case,
    notes: tuple[str, ...],
    folder: OutputFolder,
) -> SharingRecord:
    sharing = _sharing(result, options, hiding, words)
    before = result.case
    return SharingRecord(
        purpose=options.purpose,
        case=before.id,
        new_id=case.id,
        consent=consent,
        safe_harbor=safe_harbor(sharing),
        dicom=dicom_options(sharing),
        done=(*_done(result, options, hiding, sharing), *words.done),
        notes=notes,
        masks=hiding.redaction.masks,
        look=hiding.look,
        words=words.found,
        groups=words.groups,
        before={path.name: folder.input_hash(path) for path in before.files},
        after={
            name.removeprefix(f"{COPY}/"): entry.sha256
            for name, entry in folder.entries.items()
            if name.startswith(f"{COPY}/")
        },
    )


def _sharing(
    result: CaseResult, options: ShareOptions, hiding: Hiding, words: SharedWords
) -> Sharing:
    look = hiding.look
    sound: Literal["none", "kept", "removed"] = "none"
    if any(part.audio for part in result.recording.parts):
        sound = "kept" if options.keep_sound else "removed"
    told = dict(result.case.covariates)
    return Sharing(
        found=words.gone,
        allowed=words.allowed,
        sound=sound,
        silenced=bool(hiding.redaction.silenced),
        listened=options.heard is not None,
        captions=bool(words.captions and words.captions.cues),
        notes=options.keep_notes,
        masks=len(hiding.redaction.masks),
        overlays=len(look.overlays),
        overlays_gone=hiding.overlays_gone,
        views=len(look.views),
        views_gone=hiding.views_gone,
        covariates=len(words.covariates),
        coarsened=sum(told.get(name) != value for name, value in words.covariates),
        group=words.groups[-1].size if words.groups else None,
        interval=INTERVAL in dict(words.covariates),
    )


def _done(result: CaseResult, options: ShareOptions, hiding: Hiding, sharing: Sharing) -> list[str]:
    """Say in sentences what was done to the recording."""
    redaction, recorded = hiding.redaction, result.recording.recorded
    told = ["All metadata left out; case and files have new names."]
    gone = dict.fromkeys(thing for part in result.recording.parts for thing in residue(part.path))
    if gone:
        told.append(f"In the recording and not in the copy: {'; '.join(gone)}.")
    if cut := (redaction.removed & recorded).length:
        told.append(f"{format_time(cut)} cut out, declared as edits of the copy.")
    if black := (redaction.blanked & recorded).length:
        told.append(f"{format_time(black)} made black and silent.")
    if redaction.masks:
        told.append(f"{len(redaction.masks)} rectangle(s) covered.")
    if sharing.sound == "removed":
        told.append("Sound removed.")
    if sharing.sound == "kept":
        told.append(f"Sound kept; the reason given: {options.keep_sound}")
    if redaction.silenced:
        told.append(f"{len(redaction.silenced)} span(s) made silent.")
    if (heard := options.heard) is not None:
        stays = sum(one.allowed for one in hiding.spoken)
        told.append(
            f"Speech heard by the model {heard.model}, {len(heard.words)} words, and searched for "
            f"names, dates, numbers and contacts: {len(hiding.spoken)} found, {stays} left as "
            "allowed. A recogniser mishears: listen to all of it."
        )
    if options.looked:
        told.append("Who ran this said that a person has looked at what was found.")
    told.append("The copy was read again: its steps take as long as in the recording.")
    return told


@dataclass(frozen=True, slots=True)
class _Shown:
    """All that shows in a record."""

    record: SharingRecord
    recording: Recording
    copy: Recording
    kept: Kept


def _write(shown: _Shown, work: Path, _: Progress) -> None:
    frames = work / RECORD / "frames"
    full = replace(shown.record, pairs=_pairs(shown, frames))
    write_json(statement(full), work / COPY / "deidentification.json")
    write_json(record_json(full), work / RECORD / "deidentification.json")
    write_record_page(full, work / RECORD / "deidentification.html")


RECORD_FILES = (
    f"{COPY}/deidentification.json",
    *(f"{RECORD}/deidentification.{kind}" for kind in ("json", "html")),
    *(f"{RECORD}/frames/{n}-{side}.jpg" for n in range(1, PAIRS + 1) for side in SIDES),
)


def _pairs(shown: _Shown, folder: Path) -> tuple[Pair, ...]:
    """Write frames before and after: where masks are, and the middle of what is kept."""
    recording, copy, kept = shown.recording, shown.copy, shown.kept
    whole = Spans(span for span, _ in kept)
    longest = max(whole, key=lambda span: span.length)
    masked = [mask.span for mask in shown.record.masks if mask.span]
    covered = [
        max(pieces, key=lambda piece: piece.length)
        for span in dict.fromkeys(masked)
        if (pieces := Spans([span]) & whole)
    ]
    pairs: list[Pair] = []
    wanted: list[tuple[int, Path]] = []
    copied: list[tuple[int, Path]] = []
    for piece in [*covered[: PAIRS - 1], longest]:
        at = (piece.start + piece.end) // 2
        span, offset = next(own for own in kept if own[0].holds(at))
        frame = min(recording.frame_at(at), recording.n_frames - 1)
        start = max(recording.frame_start(frame), span.start)
        twin = min(copy.frame_at(offset + start - span.start), copy.n_frames - 1)
        before, after = (folder / f"{len(pairs) + 1}-{side}.jpg" for side in SIDES)
        pairs.append(Pair(start, before, after))
        wanted.append((frame, before))
        copied.append((twin, after))
    write_pictures(recording, wanted)
    write_pictures(copy, copied)
    return tuple(pairs)
