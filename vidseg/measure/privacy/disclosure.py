"""What was done about each kind of identifier, by two published lists. No value stands in it.

- The 18 identifiers of the US Safe Harbor rule, 45 CFR 164.514(b)(2)(i)(A)-(R).
- The options of DICOM PS3.15 Annex E, with their codes and meanings from PS3.16 CID 7050.

Both are lists to go by wherever one works, not a judgement: local law decides.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

SAFE_HARBOR = {
    "A": "Names",
    "B": "Places smaller than a state: street, city, county, precinct, ZIP code",
    "C": "Dates but for the year; ages over 89",
    "D": "Telephone numbers",
    "E": "Fax numbers",
    "F": "E-mail addresses",
    "G": "Social security numbers",
    "H": "Medical record numbers",
    "I": "Health plan beneficiary numbers",
    "J": "Account numbers",
    "K": "Certificate and licence numbers",
    "L": "Vehicle identifiers and serial numbers, licence plates",
    "M": "Device identifiers and serial numbers",
    "N": "Web addresses (URLs)",
    "O": "IP addresses",
    "P": "Biometric identifiers, finger and voice prints among them",
    "Q": "Full-face photographs and comparable images",
    "R": "Any other unique number, characteristic or code",
}
DICOM_OPTIONS = {
    "113100": "Basic Application Confidentiality Profile",
    "113101": "Clean Pixel Data Option",
    "113102": "Clean Recognizable Visual Features Option",
    "113103": "Clean Graphics Option",
    "113104": "Clean Structured Content Option",
    "113105": "Clean Descriptors Option",
    "113106": "Retain Longitudinal Temporal Information Full Dates Option",
    "113107": "Retain Longitudinal Temporal Information Modified Dates Option",
    "113108": "Retain Patient Characteristics Option",
    "113109": "Retain Device Identity Option",
    "113110": "Retain UIDs Option",
    "113111": "Retain Safe Private Option",
    "113112": "Retain Institution Identity Option",
}


class Status(StrEnum):
    """What can be said of one kind of identifier, or of one option."""

    DONE = "done"
    ABSENT = "not present"
    UNCHECKED = "not checked"
    PERSON = "for a person to check"


@dataclass(frozen=True, slots=True)
class DisclosureItem:
    """One line of the record: ``key`` is the letter or code, ``how`` says it in a few words."""

    key: str
    name: str
    status: Status
    how: str


@dataclass(frozen=True, slots=True)
class Sharing:
    """What was done to make a copy, in numbers.

    ``found`` counts findings that did not come along by letter, ``allowed`` those that a person
    let stay. ``sound`` says what became of it, ``listened`` whether speech
    that is kept was heard by a recogniser and searched. ``overlays`` and ``views`` were found; of
    them ``overlays_gone`` are masked, ``views_gone`` cut or blanked. ``group`` is the smallest
    group that the covariates leave, None where there was no library to count in.
    """

    found: Mapping[str, int] = field(default_factory=dict)
    allowed: Mapping[str, int] = field(default_factory=dict)
    sound: Literal["none", "removed", "kept"] = "removed"
    silenced: bool = False
    listened: bool = False
    captions: bool = False
    notes: bool = False
    masks: int = 0
    overlays: int = 0
    overlays_gone: int = 0
    views: int = 0
    views_gone: int = 0
    covariates: int = 0
    coarsened: int = 0
    group: int | None = None
    interval: bool = False


def safe_harbor(sharing: Sharing) -> tuple[DisclosureItem, ...]:
    """Give a line for each of the 18 identifiers."""
    return tuple(
        DisclosureItem(letter, name, *_of_letter(letter, sharing))
        for letter, name in SAFE_HARBOR.items()
    )


def _of_letter(letter: str, sharing: Sharing) -> tuple[Status, str]:
    if letter == "P":
        voice = {
            "none": "no sound in the recording",
            "removed": "sound removed: a voice identifies",
            "kept": "sound kept" + (", silent over spans" if sharing.silenced else ""),
        }[sharing.sound]
        return Status.PERSON, f"{voice}; iris and vessels in the picture cannot be judged here"
    if letter == "Q":
        return Status.PERSON, (
            f"{sharing.views} span(s) unlike the rest found, {sharing.views_gone} cut or blanked; "
            "faces are not recognised: look at all of it"
        )
    status, how = _of_text(letter, sharing)
    if letter == "C" and sharing.interval:
        how += "; the date is an interval"
    if letter == "R" and sharing.covariates:
        return Status.PERSON, f"{how}; {_group(sharing)}"
    return status, how


def _of_text(letter: str, sharing: Sharing) -> tuple[Status, str]:
    gone, stays = sharing.found.get(letter, 0), sharing.allowed.get(letter, 0)
    told = f"{gone} taken out" if gone else "none found in what is written"
    if letter == "R" and not gone:
        told = "case id new"
    if stays:
        return Status.PERSON, f"{gone} taken out, {stays} left on purpose"
    if sharing.sound == "kept":
        speech = (
            "a recogniser heard the speech, and mishears"
            if sharing.listened
            else "speech is not listened to"
        )
        return Status.PERSON, f"{told}; sound kept: {speech}"
    if sharing.captions or sharing.notes:
        return Status.PERSON, f"{told}; words kept are checked by pattern only"
    if gone or letter == "R":
        return Status.DONE, told
    if letter == "M":
        return Status.DONE, "all metadata left out"
    return Status.ABSENT, told


def _group(sharing: Sharing) -> str:
    kept = f"{sharing.covariates} covariate(s) kept, {sharing.coarsened} coarsened"
    if sharing.group is None:
        return f"{kept}; how many cases share them was not counted (--library)"
    return f"{kept}; smallest group {sharing.group} case(s)"


def dicom_options(sharing: Sharing) -> tuple[DisclosureItem, ...]:
    """Give a line for each option of DICOM PS3.15 that a copy may be said to follow."""
    words = sharing.captions or sharing.notes
    found = {
        "113100": (Status.DONE, "metadata left out, id and file names new; no DICOM object"),
        "113101": _of_pixels(sharing),
        "113102": (
            Status.PERSON,
            f"{sharing.views_gone} of {sharing.views} unlike span(s) cut or blanked",
        ),
        "113103": (Status.DONE, "attachments, cover pictures and data tracks left out"),
        "113104": (Status.PERSON, "notes kept, checked by pattern")
        if sharing.notes
        else (Status.DONE, "notes and extra columns left out"),
        "113105": (Status.PERSON, "captions or notes kept, checked by pattern")
        if words
        else (Status.DONE, "titles, descriptions and captions left out"),
        "113107": (Status.DONE, "days since a date that stays with the record")
        if sharing.interval
        else (Status.ABSENT, "no date is kept"),
        "113108": (
            Status.UNCHECKED if sharing.group is None else Status.PERSON,
            _group(sharing),
        )
        if sharing.covariates
        else (Status.ABSENT, "no covariate is kept"),
    }
    nothing = (Status.ABSENT, "not used: none is kept")
    return tuple(
        DisclosureItem(code, name, *found.get(code, nothing))
        for code, name in DICOM_OPTIONS.items()
    )


def _of_pixels(sharing: Sharing) -> tuple[Status, str]:
    left = sharing.overlays - sharing.overlays_gone
    how = (
        f"{sharing.masks} rectangle(s) masked; {sharing.overlays} place(s) with burnt-in text "
        f"found, {left} left to see"
    )
    return Status.PERSON, how + "; small or brief text can be missed"
