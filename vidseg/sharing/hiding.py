"""What is hidden from a copy, and what was found and nobody has decided on."""

from __future__ import annotations

from dataclasses import dataclass

from vidseg import __version__
from vidseg.disk.digests import file_sha256
from vidseg.export.folder import OutputFolder, digest
from vidseg.formats.mask_list import write_masks
from vidseg.measure.privacy.unmasked import mask_of, overlays_left, views_left
from vidseg.media.picture.screening_pictures import write_crops, write_view_thumbnails
from vidseg.media.redact.redact_plan import Redaction
from vidseg.model.case import CaseResult
from vidseg.model.clock import format_time
from vidseg.model.progress import StageProgress
from vidseg.model.screening import Screening
from vidseg.model.span import Span, Spans
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
    redaction = Redaction(
        removed=cut,
        blanked=black - cut,
        masks=masks,
        keep_sound=bool(options.keep_sound),
        silenced=options.silenced,
        reencode=options.reencode,
    )
    overlays = overlays_left(look.overlays, masks, cut | black)
    unlike = views_left(look.views, cut | black)
    undecided = (
        *(
            f"burnt-in text, perhaps, at {o.x},{o.y},{o.width},{o.height} px, "
            f"{_span(o.span)} (score {o.score:.2f})"
            for o in overlays
        ),
        *(f"{_span(v.span)} looks unlike the rest: {v.why}" for v in unlike),
    )
    return Hiding(
        look,
        redaction,
        () if options.looked else undecided,
        len(look.overlays) - len(overlays),
        len(look.views) - len(unlike),
    )


def show_look(
    result: CaseResult, look: Screening, folder: OutputFolder, progress: StageProgress
) -> None:
    """Write crops of overlays, thumbnails of views, and the masks that would hide them."""
    recording = result.recording
    names = [
        f"{LOOK}/overlay-{number:02}-{place}.jpg"
        for number, overlay in enumerate(look.overlays, 1)
        for place in range(1, len(overlay.frames) + 1)
    ]
    names += [f"{LOOK}/view-{number:02}.jpg" for number in range(1, len(look.views) + 1)]
    target = folder.work / LOOK

    key = digest(__version__, look, [file_sha256(path) for path in result.case.recordings])
    if folder.take_over(key, [f"{LOOK}/masks.csv"], names):
        return
    target.mkdir(parents=True, exist_ok=True)
    write_masks([mask_of(overlay) for overlay in look.overlays], target / "masks.csv")
    write_crops(recording, look.overlays, target, lambda done: progress("crops", done))
    write_view_thumbnails(recording, look.views, target, lambda done: progress("thumbnails", done))
    written = [name for name in names if (folder.work / name).exists()]
    folder.record(key, [f"{LOOK}/masks.csv", *written])


def _span(span: Span) -> str:
    return f"{format_time(span.start, 1)} to {format_time(span.end, 1)}"
