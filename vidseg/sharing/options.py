"""What is asked for, what came of it, and consent, without which nothing is made."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Literal

from vidseg.measure.privacy.k_anonymity import Group, is_number
from vidseg.measure.privacy.sifting import Sifted
from vidseg.model.case import Case, CaseResult
from vidseg.model.clock import format_time
from vidseg.model.consent import Answer, Consent, Purpose
from vidseg.model.mask import Mask
from vidseg.model.problem import UsageError
from vidseg.model.span import Spans
from vidseg.model.transcript import Transcript


@dataclass(frozen=True, slots=True)
class ShareOptions:
    """What is to become of the parts of a case; spans in ns of case time.

    ``excluded`` and ``unlike`` say what happens to excluded spans and to spans that look unlike
    the rest ("" for the latter: nothing). ``looked``: a person has looked at what was found, and
    the rest may stay. ``keep_sound`` is the reason, or empty. ``others`` are the covariates of
    the cases to count groups in, None where there are none to count in. ``heard`` is what a
    recogniser heard in a sound that is kept; ``silence_heard`` silences what in it may identify
    someone. ``read_pictures``: the look reads pictures too. Raises UsageError for
    silence in a sound that is not kept, and for a new id that no case can have.
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
    heard: Transcript | None = None
    silence_heard: bool = False
    read_pictures: bool = False

    def __post_init__(self) -> None:
        if self.silenced and not self.keep_sound:
            raise UsageError("--silence goes with --keep-sound: without it no sound is kept at all")
        if self.new_id and re.search(r'[\x00-\x1f<>:"/\\|?*]', self.new_id):
            raise UsageError(
                f'{self.new_id!r} is no id: a short pseudonym without < > : " / \\ | ? *'
            )


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


def refuse_idle(result: CaseResult, options: ShareOptions) -> None:
    """Raise UsageError for what is asked of a case that has no such thing."""
    recording, marks = result.recording, result.annotation
    noted = any(row.note for row in (*marks.segments, *marks.excluded)) or any(
        event.note for event in marks.events
    )
    for option, asked, there, what in (
        ("--keep-sound", options.keep_sound, any(p.audio for p in recording.parts), "sound"),
        ("--keep-captions", options.keep_captions, result.captions, "captions; see --captions"),
        ("--keep-notes", options.keep_notes, noted, "notes"),
        ("--keep-surgeon", options.keep_surgeon, result.case.surgeon, "surgeon"),
    ):
        if asked and not there:
            raise UsageError(f"{option}: the case has no {what}")
    for option, spans in (
        ("--cut", options.cut),
        ("--blank", options.blanked),
        ("--silence", options.silenced),
        ("--mask", [mask.span for mask in options.masks if mask.span is not None]),
    ):
        for span in spans:
            if not Spans([span]) & recording.recorded:
                where = f"from {format_time(span.start)} to {format_time(span.end)}"
                end = format_time(recording.length)
                raise UsageError(f"{option}: no footage {where}; the recording ends at {end}")
    told = dict(result.case.covariates)
    for name in options.coarsen:
        if name in options.left_out:
            raise UsageError(f"{name} is to be told as a range and to be left out; choose one")
        if name == "date":
            raise UsageError("--coarsen date: see --since for what may be told of a date")
        if name in told and not is_number(told[name]):
            raise UsageError(f"--coarsen {name}: {told[name]!r} is no number")


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
