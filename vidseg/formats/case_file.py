"""``case.toml``: what belongs to one case, as paths and facts; nothing is opened.

::

    id = "case-017"                     # a pseudonym of your choosing, never a patient's number
    recordings = ["part1.mp4", "part2.mp4"]      # or: recording = "case.mp4"
    annotation = "steps.csv"
    procedure = "phaco"                 # built-in code, or the path of a vocabulary .toml
    captions = "narration.vtt"
    surgeon = "S3"                      # a pseudonym
    role = "trainee"
    case_number = 17                    # in this surgeon's series, from 1

    starts = ["9:14:03", "9:27:10.5"]   # when each recording began, where that is known

    [[edits]]                           # what was done to the recording after the operation
    kind = "removed"                    # or "pause", "speed" (start, end, factor), "inserted"
    at = "3:10"                         # on the recording's clock
    length = "0:42"                     # or "unknown"

    [covariates]                        # text, numbers, true/false; for tables
    pupil_mm = 6.5

    [consent]                           # by purpose: "yes", "no" or "unknown"
    teaching = "yes"
    research = "no"
    publication = "unknown"
    date = 2031-05-13                   # date and document stay here, out of every copy
    document = "consent form 7, department's file"

Paths are relative to the file. Only ``id`` and a recording must be there.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

from vidseg.formats.own_toml import (
    Fault,
    Place,
    find_line,
    join_faults,
    parse_toml,
    place_text,
    read_text,
)
from vidseg.formats.schema import CaseFile, ConsentTable, EditTable, nearest, shape_faults
from vidseg.formats.vocabulary import builtin_codes
from vidseg.model.case import Case
from vidseg.model.clock import format_time
from vidseg.model.consent import Answer, Consent
from vidseg.model.edits import Edit, Inserted, Pause, Removed, Speed
from vidseg.model.procedure import fold, vocabulary_file
from vidseg.model.span import Span

_IDENTIFYING = re.compile(
    "mrn|dob|nhs|chi|ssn|name|patient|initials|address|street|city|zip|phone|mobile|fax|mail|"
    "passport|insurance|"
    ".*(?:patient(?:en)?(?:name|id|number|nummer|no)|medicalrecord|hospital(?:number|no|id)|"
    "healthnumber|nhs(?:number|no)|chinumber|socialsecurity|dateofbirth|birthdate|birthday|"
    "geburtsdatum|geburtstag|datedenaissance|fechadenacimiento|"
    "firstname|lastname|surname|forename|givenname|familyname|fullname|"
    "telephone|(?:phone|mobile)number|email|(?:home|postal)address|postcode|postalcode|zipcode|"
    "insurancenumber).*"
)


def read_case(path: Path) -> Case:
    """Read a ``case.toml``. Paths come out joined to the file's folder; all of them exist.

    Raises FormatError that lists everything wrong: unknown keys, wrong types, keys that would
    hold a patient identifier (their values are not repeated), files that are missing.
    """
    source = str(path)
    text = read_text(path)
    document = parse_toml(text, source)
    faults: list[Fault] = [
        (
            find_line(text, place),
            f"{place_text(place)}: no patient identifier belongs in this file; take this key "
            "out, and use a pseudonym for id",
        )
        for place in _identifying_keys(document)
    ]
    checked, more = shape_faults(CaseFile, _without_identifying(document), text)
    faults += more
    if checked is not None:
        faults += (
            (find_line(text, place), f"{place_text(place)}: {what}")
            for place, what in _file_faults(checked, path.parent)
        )
    if checked is None or faults:
        raise join_faults(source, faults)
    folder = path.parent
    return Case(
        id=checked.id,
        recordings=tuple(folder / name for name in _recordings(checked)),
        annotation=None if checked.annotation is None else folder / checked.annotation,
        procedure=_procedure(checked, folder),
        captions=None if checked.captions is None else folder / checked.captions,
        surgeon=checked.surgeon,
        role=checked.role,
        case_number=checked.case_number,
        starts=tuple(checked.starts),
        edits=tuple(_edit(edit) for edit in checked.edits),
        covariates=tuple((key, _as_text(value)) for key, value in checked.covariates.items()),
        consent=None if checked.consent is None else _consent(checked.consent),
    )


def _consent(table: ConsentTable) -> Consent:
    return Consent(
        Answer(table.teaching),
        Answer(table.research),
        Answer(table.publication),
        table.date,
        table.document,
    )


def _edit(table: EditTable) -> Edit:
    if table.kind == "removed":
        return Removed(table.at or 0, table.length, table.note)
    if table.kind == "pause":
        return Pause(table.at or 0, table.length, table.note)
    span = Span(table.start or 0, table.end or 0)
    if table.kind == "speed":
        return Speed(span, table.factor or Fraction(1), table.note)
    return Inserted(span, table.note)


def is_identifying(key: str) -> bool:
    """Say whether a key or column is named like something that identifies a patient."""
    return _IDENTIFYING.fullmatch(fold(key)) is not None


def _identifying_keys(table: Mapping[str, Any], above: Place = ()) -> Iterator[Place]:
    """Find keys, at any depth, that are named like a patient identifier."""
    for key, value in table.items():
        if is_identifying(key):
            yield (*above, key)
        elif isinstance(value, dict):
            yield from _identifying_keys(value, (*above, key))


def _without_identifying(table: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: _without_identifying(value) if isinstance(value, dict) else value
        for key, value in table.items()
        if not is_identifying(key)
    }


def _recordings(checked: CaseFile) -> list[str]:
    if checked.recordings is not None:
        return checked.recordings
    return [] if checked.recording is None else [checked.recording]


def _file_faults(checked: CaseFile, folder: Path) -> Iterator[tuple[Place, str]]:
    """Find files that are missing or named twice, and a procedure that is neither."""
    if (checked.recording is None) == (checked.recordings is None):
        key = "recording" if checked.recordings is None else "recordings"
        yield (key,), 'give either recording = "…" or recordings = ["…", "…"], one of the two'
    key = "recordings" if checked.recordings is not None else "recording"
    named = [((key,), name) for name in _recordings(checked)]
    for number, (place, name) in enumerate(named):
        if name in [other for _, other in named[:number]]:
            yield place, f"{name!r} is named twice"
    if checked.starts and len(checked.starts) != len(_recordings(checked)):
        yield (
            ("starts",),
            f"{len(checked.starts)} start(s) for {len(_recordings(checked))} recording(s); give "
            "one for each, or none",
        )
    for before, after in pairwise(checked.starts):
        if after <= before:
            yield (
                ("starts",),
                f"{format_time(after)} does not come after {format_time(before)}; starts run "
                "forward, one for each recording",
            )
    if checked.annotation is not None:
        named.append((("annotation",), checked.annotation))
    if checked.captions is not None:
        named.append((("captions",), checked.captions))
    if checked.procedure is not None and vocabulary_file(checked.procedure):
        named.append((("procedure",), checked.procedure))
    elif checked.procedure is not None:
        codes = builtin_codes()
        if fold(checked.procedure) not in {fold(code) for code in codes}:
            yield (
                ("procedure",),
                f"{checked.procedure!r} is no built-in vocabulary"
                f"{nearest(checked.procedure, codes)} (built in: {', '.join(codes)}; or the path "
                "of a .toml file)",
            )
    for place, name in dict.fromkeys(named):
        if not (folder / name).is_file():
            yield place, f"there is no file {name!r} beside this one{nearest_file(folder, name)}"


def nearest_file(folder: Path, name: str) -> str:
    """Suggest a file of nearly that name in the folder where it should be."""
    wanted = folder / name
    try:
        present = [entry.name for entry in wanted.parent.iterdir() if entry.is_file()]
    except OSError:
        present = []
    hint = nearest(wanted.name, present)
    return hint or ("; write / between folder names" if "\\" in name else "")


def _procedure(checked: CaseFile, folder: Path) -> str | None:
    if checked.procedure is None or vocabulary_file(checked.procedure) is None:
        return checked.procedure
    return str(folder / checked.procedure)


def _as_text(value: str | bool | int | float) -> str:
    """Write a covariate as text: true, false, 7, 6.5."""
    return str(value).lower() if isinstance(value, bool) else str(value)
