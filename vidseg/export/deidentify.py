"""The record of a shared copy: what was removed, what was checked, what a person must look at.

It shows the recording before and names what was found, so it stays with whoever keeps the
consent and never goes along with the copy.
"""

from __future__ import annotations

import base64
import io
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup
from PIL import Image

from vidseg import __version__
from vidseg.disk.atomic_write import write_text_aside
from vidseg.export.plain_page import fill_page
from vidseg.measure.privacy.disclosure import DisclosureItem, Status
from vidseg.measure.privacy.k_anonymity import Group
from vidseg.measure.privacy.sifting import Sifted
from vidseg.model.clock import format_seconds, format_time
from vidseg.model.consent import Consent, Purpose
from vidseg.model.mask import Mask
from vidseg.model.screening import Screening

STYLES = ("base.css", "deidentification.css")
PAIR_PX = 300
"""Longest side of a picture on the page (px)."""


@dataclass(frozen=True, slots=True)
class Pair:
    """One frame before and after, as JPEG files, at ``at`` (ns, case time)."""

    at: int
    before: Path
    after: Path


@dataclass(frozen=True, slots=True)
class SharingRecord:
    """All that the record tells.

    ``done`` are sentences on what was done, ``notes`` on what could not be. ``before`` and
    ``after`` are SHA-256 by file name. ``lines`` are those of both lists of ``disclosure``.
    """

    purpose: Purpose
    case: str
    new_id: str
    consent: Consent
    safe_harbor: tuple[DisclosureItem, ...]
    dicom: tuple[DisclosureItem, ...]
    done: tuple[str, ...]
    notes: tuple[str, ...]
    masks: tuple[Mask, ...]
    look: Screening
    words: tuple[Sifted, ...]
    groups: tuple[Group, ...]
    before: Mapping[str, str]
    after: Mapping[str, str]
    pairs: tuple[Pair, ...] = ()


def statement(record: SharingRecord) -> dict[str, Any]:
    """Give what may go along with the copy: the two lists without any value found."""
    return {
        "vidseg": __version__,
        "case": record.new_id,
        "purpose": record.purpose.value,
        "safe_harbor_45_cfr_164_514_b_2_i": [_line_json(line) for line in record.safe_harbor],
        "dicom_cid_7050": [_line_json(line) for line in record.dicom],
        "caution": CAUTION,
    }


def record_json(record: SharingRecord) -> dict[str, Any]:
    """Give the whole record as JSON data; times in seconds as text, exact."""
    return statement(record) | {
        "original": {
            "case": record.case,
            "consent": {
                "answer": record.consent.to(record.purpose).value,
                "date": record.consent.date,
                "document": record.consent.document,
            },
        },
        "done": list(record.done),
        "notes": list(record.notes),
        "masks": [
            {
                "x": mask.x,
                "y": mask.y,
                "width": mask.width,
                "height": mask.height,
                "span_s": mask.span
                and [format_seconds(t) for t in (mask.span.start, mask.span.end)],
            }
            for mask in record.masks
        ],
        "burnt_in": [_found_json(asdict(overlay)) for overlay in record.look.overlays],
        "unlike": [_found_json(asdict(view)) for view in record.look.views],
        "look_remarks": list(record.look.remarks),
        "words": [
            {
                "where": one.where,
                "text": one.identifier.text,
                "category": one.identifier.letter,
                "kind": one.identifier.kind,
                "left": one.allowed,
            }
            for one in record.words
        ],
        "groups": [{"covariates": list(g.names), "cases": g.size} for g in record.groups],
        "sha256_before": dict(record.before),
        "sha256_after": dict(record.after),
    }


CAUTION = (
    "A help for the person who decides, not a decision: what identifies someone is for local law "
    "and the data protection officer to say. Pictures and sound are judged by people."
)


def _line_json(line: DisclosureItem) -> dict[str, str]:
    return {"key": line.key, "name": line.name, "status": line.status.value, "how": line.how}


def _found_json(found: dict[str, Any]) -> dict[str, Any]:
    span = found.pop("span")
    return found | {"span_s": [format_seconds(span["start"]), format_seconds(span["end"])]}


def write_json(document: Mapping[str, Any], path: Path) -> None:
    """Write JSON aside and renamed."""
    write_text_aside(path, json.dumps(document, indent=1, ensure_ascii=False) + "\n")


def write_record_page(record: SharingRecord, path: Path) -> None:
    """Write the record as one HTML file that prints on one A4 page, its pictures within it.

    Raises OSError where a picture of ``record.pairs`` cannot be read.
    """
    context = {
        "record": record,
        "answer": record.consent.to(record.purpose).value,
        "lists": [
            ("harbor", "45 CFR 164.514(b)(2)(i)", record.safe_harbor),
            ("dicom", "DICOM PS3.15, CID 7050", record.dicom),
        ],
        "to_check": sum(
            line.status in (Status.PERSON, Status.UNCHECKED)
            for line in (*record.safe_harbor, *record.dicom)
        ),
        "marks": {status.value: mark for status, mark in MARKS.items()},
        "left": [one for one in record.words if one.allowed],
        "pairs": [
            (format_time(pair.at, 1), _embedded(pair.before), _embedded(pair.after))
            for pair in record.pairs
        ],
        "caution": CAUTION,
    }
    text = fill_page("deidentification.html.j2", STYLES, context, pictures=True)
    write_text_aside(path, text)


MARKS = {Status.DONE: "✓", Status.ABSENT: "–", Status.UNCHECKED: "?", Status.PERSON: "☐"}
"""How each status is drawn; the words stand beside it."""


def _embedded(picture: Path) -> Markup:
    """Give a picture, made small, as a data URL."""
    with Image.open(picture) as image:
        image.thumbnail((PAIR_PX, PAIR_PX))
        target = io.BytesIO()
        image.save(target, "JPEG", quality=80)
    return Markup(f"data:image/jpeg;base64,{base64.b64encode(target.getvalue()).decode('ascii')}")
