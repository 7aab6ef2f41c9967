"""What a batch is to do: the rows of a list, or the ``case.toml`` files of a folder tree.

A row that cannot be used is refused with the reason, and the others go on. Both rows that bear the
same case id are refused: which of them is meant is not known.
"""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from vidseg.formats import FORMATS
from vidseg.formats.case_file import nearest_file, read_case
from vidseg.formats.case_table import CaseRow, read_case_rows
from vidseg.formats.vocabulary import builtin_codes
from vidseg.model.bounds import usable_path
from vidseg.model.case import Case
from vidseg.model.problem import FormatError, UsageError
from vidseg.model.procedure import fold

CASE_FILE = "case.toml"
PARTS = "|"
"""Stands between the recordings of one case: no file name holds it on Windows."""
LONGEST_ID = 100
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Work:
    """One case to be done. ``place`` says where it is listed, ``row`` what a list tells of it."""

    case: Case
    place: str
    row: CaseRow | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """A row or case file that cannot be used, and why."""

    name: str
    place: str
    reason: str


@dataclass(frozen=True, slots=True)
class WorkList:
    """All that was listed, in its order."""

    works: tuple[Work, ...]
    refused: tuple[Refused, ...]


def read_work(source: Path, out: Path) -> WorkList:
    """Read a list (.csv, .tsv, .xlsx) or search a folder tree.

    Folders that ``vidseg`` wrote, ``out`` and hidden ones are passed over. Raises UsageError where
    the source is neither or holds no case at all, FormatError for a list that cannot be read.
    """
    if not source.exists():
        raise UsageError(f"no such file or folder: {source}")
    source = source.absolute()  # a worker's present folder is another
    found = list(_of_tree(source, out) if source.is_dir() else _of_list(source))
    if not found:
        what = f"no {CASE_FILE} in it" if source.is_dir() else "no row in it"
        raise UsageError(f"{source}: there is {what}, so there is nothing to do")
    found = list(_unique(found))
    return WorkList(
        tuple(met for met in found if isinstance(met, Work)),
        tuple(met for met in found if isinstance(met, Refused)),
    )


def _of_tree(folder: Path, out: Path) -> Iterator[Work | Refused]:
    own = out.resolve()
    for top, folders, files in os.walk(folder):
        here = Path(top)
        folders[:] = sorted(
            name
            for name in folders
            if not name.startswith(".")
            and not (here / name / "manifest.json").exists()
            and (here / name).resolve() != own
        )
        if CASE_FILE in files:
            path = here / CASE_FILE
            try:
                yield Work(read_case(path), str(path))
            except FormatError as error:
                yield Refused(here.name, str(path), error.reason)


def _of_list(path: Path) -> Iterator[Work | Refused]:
    rows, faults = read_case_rows(path, ("recording",))
    wrong: dict[int | None, list[str]] = defaultdict(list)
    for line, what in faults:
        wrong[line].append(what)
    for row in rows:
        place = f"{path.name}:{row.line}"
        name = row.case or Path(row.recording.split(PARTS)[0].strip()).stem or f"line {row.line}"
        reasons = wrong.get(row.line, [])
        if not reasons:
            try:
                yield Work(_case_of(row, name, path.parent), place, row)
                continue
            except (FormatError, UsageError) as error:
                reasons = [error.reason]
        yield Refused(name, place, "; ".join(reasons))


def _case_of(row: CaseRow, name: str, folder: Path) -> Case:
    """Make a case of a row, paths joined to the list's folder. Raises UsageError, FormatError."""
    recordings = [part.strip() for part in row.recording.split(PARTS)]
    files = [*recordings, *(file for file in (row.annotation, row.captions) if file)]
    for file in files:
        try:
            usable_path(file)
        except ValueError as error:
            raise UsageError(str(error)) from None
        if not (folder / file).is_file():
            raise UsageError(f"there is no file {file!r}{nearest_file(folder, file)}")
    if len(set(recordings)) < len(recordings):
        raise UsageError("a recording is named twice")
    if row.annotation and Path(row.annotation).suffix.lower() not in FORMATS:
        raise UsageError(f"{row.annotation!r} is no annotation ({', '.join(FORMATS)})")
    procedure = row.procedure or None
    if procedure is not None and procedure.lower().endswith(".toml"):
        if not (folder / procedure).is_file():
            raise UsageError(f"there is no file {procedure!r}{nearest_file(folder, procedure)}")
        procedure = str(folder / procedure)
    elif procedure is not None and fold(procedure) not in map(fold, builtin_codes()):
        raise UsageError(f"{procedure!r} is no built-in vocabulary ({', '.join(builtin_codes())})")
    told, facts = dict(row.facts.covariates), row.facts
    if facts.experience:
        told["experience"] = facts.experience
    if facts.date:
        told["date"] = facts.date
    if facts.complete is not None:
        told["complete"] = str(facts.complete).lower()
    if Path(recordings[0]).suffix.lower() == ".toml":
        return _of_case_file(row, folder / recordings[0], len(files), procedure, told)
    return Case(
        id=name,
        recordings=tuple(folder / file for file in recordings),
        annotation=folder / row.annotation if row.annotation else None,
        procedure=procedure,
        captions=folder / row.captions if row.captions else None,
        surgeon=facts.surgeon,
        role=facts.role,
        case_number=facts.case_number,
        covariates=tuple(told.items()),
    )


def _of_case_file(
    row: CaseRow, path: Path, files: int, procedure: str | None, told: dict[str, str]
) -> Case:
    if files > 1:
        raise UsageError(f"{path.name} names its files itself; leave the row's other files out")
    case, facts = read_case(path), row.facts
    return replace(
        case,
        id=row.case or case.id,
        procedure=procedure or case.procedure,
        surgeon=facts.surgeon or case.surgeon,
        role=facts.role or case.role,
        case_number=case.case_number if facts.case_number is None else facts.case_number,
        covariates=tuple((dict(case.covariates) | told).items()),
    )


def _unique(found: Iterable[Work | Refused]) -> Iterator[Work | Refused]:
    """Refuse ids that no folder can be named after, and those that occur twice."""
    met = list(found)
    places: dict[str, list[str]] = defaultdict(list)
    for one in met:
        if isinstance(one, Work):
            places[_folded(one.case.id)].append(one.place)
    for one in met:
        if isinstance(one, Work):
            fault = id_fault(one.case.id) or _twice(one, places[_folded(one.case.id)])
            if fault:
                yield Refused(one.case.id, one.place, fault)
                continue
        yield one


def _folded(name: str) -> str:
    return name.casefold()


def _twice(one: Work, places: Sequence[str]) -> str:
    others = [place for place in places if place != one.place]
    if not others:
        return ""
    return (
        f"the case id {one.case.id!r} stands at {', '.join(others)} as well; each case has its own "
        "(capital letters do not tell ids apart)"
    )


def id_fault(name: str) -> str:
    """Say why a folder cannot be named after a case id on every system; empty where it can."""
    if not name.strip() or len(name) > LONGEST_ID:
        return f"the case id is empty or longer than {LONGEST_ID} characters"
    bad = sorted({letter for letter in name if letter in '<>:"/\\|?*' or ord(letter) < 32})
    if bad:
        return f"the case id holds {' '.join(map(repr, bad))}, which no folder's name can hold"
    if name[0] in ". " or name[-1] in ". " or _DEVICES.fullmatch(name):
        return "no folder can be named like this case id on every system; use another"
    return ""
