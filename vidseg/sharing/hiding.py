"""What is hidden from a copy, and what was found and nobody has decided on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path

from vidseg.export.folder import OutputFolder
from vidseg.formats.mask_list import write_masks
from vidseg.measure.privacy.unmasked import mask_of, overlays_left, views_left
from vidseg.media.picture.screening_pictures import write_crops, write_view_thumbnails
from vidseg.media.redact.redact_plan import Redaction
from vidseg.model.case import CaseResult
from vidseg.model.clock import format_time
from vidseg.model.progress import Progress, StageProgress
from vidseg.model.recording import Recording
from vidseg.model.screening import Screening
from vidseg.model.span import Span, Spans
from vidseg.sharing.hearing import SpokenIdentifier, spoken_identifiers
from vidseg.sharing.options import ShareOptions

LOOK = "record/look"


@dataclass(frozen=True, slots=True)
class Hiding:
    """What a look found, what is to be done to the recording, and what is still undecided."""

    look: Screening
    redaction: Redaction
    undecided: tuple[str, ...]
    overlays_gone: int
    views_gone: int
    spoken: tuple[SpokenIdentifier, ...] = ()


def decide(result: CaseResult, options: ShareOptions, look: Screening) -> Hiding:
    """Turn what is asked for and what was found into what is done."""
    marks, recorded = result.annotation, result.recording.recorded
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
        cut |= recorded - Spans(s.span for s in marks.segments if s.step.timed)
    found = tuple(mask_of(overlay) for overlay in look.overlays)
    masks = (*options.masks, *(found if options.mask_overlays else ()))
    spoken: tuple[SpokenIdentifier, ...] = ()
    silenced = options.silenced
    if options.heard is not None:
        end = result.recording.length
        spoken = spoken_identifiers(options.heard, result.procedure, options.allowed, end)
        if options.silence_heard:
            silenced |= Spans(one.span for one in spoken if not one.allowed)
    redaction = Redaction(
        removed=cut,
        blanked=black - cut,
        masks=masks,
        keep_sound=bool(options.keep_sound),
        silenced=silenced,
        reencode=options.reencode,
    )
    overlays = overlays_left(look.overlays, masks, cut | black)
    unlike = views_left(look.views, cut | black)
    undecided = (
        *(
            f"burnt-in text, perhaps, at {o.x},{o.y},{o.width},{o.height} px, "
            f"{_span(o.span)} (score {o.score:.2f}{f', reads “{o.words}”' if o.words else ''})"
            for o in overlays
        ),
        *(f"{_span(v.span)} looks unlike the rest: {v.why}" for v in unlike),
    )
    gone = silenced | cut | black
    aloud = tuple(
        f"{_span(one.span)}: “{one.text}” is said, perhaps ({one.kind}): --silence-heard, "
        f"--silence {_span(one.span, '-')} or --allow {one.text!r}"
        for one in spoken
        if not one.allowed and Spans([one.span]) - gone
    )
    return Hiding(
        look,
        redaction,
        (*(() if options.looked else undecided), *aloud),
        len(look.overlays) - len(overlays),
        len(look.views) - len(unlike),
        spoken,
    )


def show_look(
    result: CaseResult, look: Screening, folder: OutputFolder, progress: StageProgress
) -> None:
    """Write crops of overlays, thumbnails of views, and the masks that would hide them."""
    names = [
        f"{LOOK}/overlay-{number:02}-{place}.jpg"
        for number, overlay in enumerate(look.overlays, 1)
        for place in range(1, len(overlay.frames) + 1)
    ]
    names += [f"{LOOK}/view-{number:02}.jpg" for number in range(1, len(look.views) + 1)]
    names.append(f"{LOOK}/masks.csv")
    report = partial(progress, "pictures of what was found")
    folder.make(_Looked(result.recording, look), names, _write_look, report)


@dataclass(frozen=True, slots=True)
class _Looked:
    """All that shows of a look."""

    recording: Recording
    look: Screening


def _write_look(looked: _Looked, work: Path, progress: Progress) -> None:
    look, target = looked.look, work / LOOK
    write_masks([mask_of(overlay) for overlay in look.overlays], target / "masks.csv")
    write_crops(looked.recording, look.overlays, target, lambda done: progress(done / 2))
    write_view_thumbnails(
        looked.recording, look.views, target, lambda done: progress((1 + done) / 2)
    )


def _span(span: Span, between: str = " to ") -> str:
    return f"{format_time(span.start, 1)}{between}{format_time(span.end, 1)}"
