"""What a user names (output folders, case files, annotations with a table) as library records."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

from vidseg.export.case_json import CASE_JSON, read_record
from vidseg.formats import FORMATS, read_sheet, tabular
from vidseg.formats.case_file import read_case
from vidseg.formats.case_table import CaseRow
from vidseg.model.annotation import Sheet
from vidseg.model.case import Reading
from vidseg.model.problem import FormatError, MediaError, Problem, Severity, UsageError
from vidseg.model.progress import StageProgress, silent
from vidseg.model.record import CaseFacts, Record, facts_from
from vidseg.reading import read_case_files, understand

MANY_CASES = (".csv", ".tsv", ".txt")
"""Tables that may hold the rows of many cases."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """One case met: its record, or the reason why there is none. Problems are of its annotation.

    ``listed``: the table of cases has a row on it; ``in_frames``: rows are written in frames.
    """

    source: str
    record: Record | None
    problems: tuple[Problem, ...] = ()
    refused: str = ""
    doubt: str = ""
    listed: bool = False
    in_frames: bool = False


@dataclass(frozen=True, slots=True)
class GatherOptions:
    """How annotations are read: what a table of cases or the user says about them."""

    table: tuple[CaseRow, ...] = ()
    case_column: str | None = None
    procedure: str | None = None
    rate: Fraction | None = None
    length_ns: int | None = None
    annotator: str = ""
    case: str = ""
    despite_errors: bool = False
    by_case: Mapping[str, CaseRow] = field(default_factory=dict)
    by_file: Mapping[str, CaseRow] = field(default_factory=dict)

    @classmethod
    def of(cls, table: Sequence[CaseRow], **others: object) -> GatherOptions:
        """Index the table's rows by case and by file name."""
        by_case: dict[str, CaseRow] = {}
        by_file: dict[str, CaseRow] = {}
        for row in table:
            if row.case and not row.annotation:
                by_case.setdefault(row.case, row)
            if row.annotation:
                by_file.setdefault(Path(row.annotation).name.casefold(), row)
                by_file.setdefault(Path(row.annotation).stem.casefold(), row)
        return cls(tuple(table), by_case=by_case, by_file=by_file, **others)  # type: ignore[arg-type]


def gather(
    sources: Sequence[Path], wanted: GatherOptions, progress: StageProgress = silent
) -> Iterator[Gathered]:
    """Yield every case that the sources hold.

    A source is an output folder (with ``case.json``), a folder of such, a ``case.toml``, or an
    annotation file; with ``wanted.case_column`` a table may hold many cases. A case that cannot be
    read or has errors is yielded with the reason, and the others go on. Raises UsageError for a
    source that does not exist or is none of these, and for what is said of annotations where a
    source is none.
    """
    missing = [str(path) for path in sources if not path.exists()]
    if missing:
        raise UsageError(f"no such file: {', '.join(missing)}")
    for path in sources:
        _refuse_idle(path, wanted)
    for place, path in enumerate(sources):
        progress("reading cases", place / len(sources))
        try:
            yield from _of_source(path, wanted, progress)
        except (FormatError, MediaError) as error:
            yield Gathered(path.name, None, refused=str(error))
    progress("reading cases", 1.0)


def _refuse_idle(path: Path, wanted: GatherOptions) -> None:
    """Refuse what the user says of annotations and cannot hold for this source."""
    several = path.is_dir() and not (path / CASE_JSON).is_file()
    made, of_case = path.is_dir() or path.name == CASE_JSON, path.suffix.lower() == ".toml"
    by_recording = "its recording tells it"
    for option, given, idle, why in (
        ("--rate", wanted.rate, made or of_case, by_recording),
        ("--length", wanted.length_ns, made or of_case, by_recording),
        ("--procedure", wanted.procedure, made, "its rows are understood already; run it again"),
        ("--case", wanted.case, several, "it is a folder of several"),
        (
            "--case-column",
            wanted.case_column,
            path.suffix.lower() not in MANY_CASES,
            f"only {', '.join(MANY_CASES)} hold many cases",
        ),
    ):
        if given and idle:
            raise UsageError(f"{option} cannot hold for {path}: {why}")


def _of_source(path: Path, wanted: GatherOptions, progress: StageProgress) -> Iterator[Gathered]:
    if path.is_dir():
        yield from _of_folder(path, wanted)
    elif path.name == CASE_JSON:
        yield _of_case_record(path, wanted)
    elif path.suffix.lower() == ".toml":
        yield _of_case_file(path, wanted, progress)
    elif path.suffix.lower() not in FORMATS:
        raise UsageError(
            f"{path.name} is no output folder, no case.toml and no annotation "
            f"({', '.join(FORMATS)})"
        )
    elif wanted.case_column is not None and path.suffix.lower() in MANY_CASES:
        sheets = tabular.read_many(path, wanted.case_column)
        homeless = sheets.pop("", None)
        if homeless is not None and homeless.problems:
            yield Gathered(path.name, None, homeless.problems, "rows that belong to no case")
        for case, sheet in sheets.items():
            yield _of_sheet(sheet, wanted, case)
    else:
        yield _of_sheet(read_sheet(path), wanted, "")


def _of_folder(path: Path, wanted: GatherOptions) -> Iterator[Gathered]:
    if (path / CASE_JSON).is_file():
        yield _of_case_record(path / CASE_JSON, wanted)
        return
    found = sorted(path.glob(f"*/{CASE_JSON}"))
    if not found:
        raise UsageError(
            f"{path} holds no {CASE_JSON}; name the folders that `vidseg run` wrote, a folder "
            "that holds such folders, case.toml files or annotations"
        )
    for record in found:
        try:
            yield _of_case_record(record, wanted)
        except FormatError as error:
            yield Gathered(record.parent.name, None, refused=str(error))


def _of_case_record(path: Path, wanted: GatherOptions) -> Gathered:
    record, errors = read_record(path)
    name = wanted.case or record.annotation.case
    record = replace(record, annotation=replace(record.annotation, case=name))
    row = _row_of(name, "", wanted)
    record = _with_told(record, wanted, row)
    if errors and not wanted.despite_errors:
        return Gathered(
            path.parent.name, None, refused=f"its annotation has {errors} errors; see its page"
        )
    return Gathered(path.parent.name, record, listed=row is not None)


def _of_case_file(path: Path, wanted: GatherOptions, progress: StageProgress) -> Gathered:
    case = read_case(path)
    case = replace(case, id=wanted.case or case.id)
    row = _row_of(case.id, "", wanted)
    case = replace(case, procedure=(row.procedure if row else "") or case.procedure)
    result = read_case_files(case, procedure=wanted.procedure, progress=progress)
    facts = facts_from(case.surgeon, case.role, case.case_number, dict(case.covariates))
    record = _with_told(record_of(result, facts), wanted, row)
    found = _checked(path.name, record, result.problems, wanted)
    return replace(found, listed=row is not None)


def _of_sheet(sheet: Sheet, wanted: GatherOptions, case: str) -> Gathered:
    stem = Path(sheet.source).stem
    row = _row_of(case or wanted.case or sheet.case or stem, "" if case else sheet.source, wanted)
    name = case or wanted.case or (row.case if row else "") or sheet.case or stem
    length = wanted.length_ns or (row.length_ns if row else None)
    try:
        reading = understand(
            sheet,
            procedure=wanted.procedure,
            case_procedure=row.procedure if row else None,
            rate=wanted.rate or (row.rate if row else None),
            length_ns=length,
            case=name,
        )
    except FormatError as error:
        return Gathered(f"{sheet.source} ({name})", None, refused=str(error))
    record = record_of(reading)
    doubt = "" if length else "its length is not known: observed time ends with the last mark"
    found = _checked(
        sheet.source if name == stem else f"{sheet.source} ({name})",
        _with_told(record, wanted, row),
        reading.problems,
        wanted,
    )
    return replace(found, doubt=doubt, listed=row is not None, in_frames=sheet.in_frames)


def record_of(reading: Reading, facts: CaseFacts | None = None) -> Record:
    """Give what a library keeps of an annotation understood."""
    return Record(
        annotation=reading.annotation,
        procedure_name=reading.procedure.name,
        order=tuple(step.code for step in reading.procedure.steps),
        recorded=reading.recorded,
        observed_ns=reading.timing.observed_ns,
        excluded_ns=reading.timing.excluded_ns,
        steps=reading.timing.steps,
        facts=facts or CaseFacts(),
    )


def _row_of(case: str, source: str, wanted: GatherOptions) -> CaseRow | None:
    """Find the table's row: by file name first, then by case."""
    if source:
        for key in (Path(source).name.casefold(), Path(source).stem.casefold()):
            if key in wanted.by_file:
                return wanted.by_file[key]
    return wanted.by_case.get(case)


def _with_told(record: Record, wanted: GatherOptions, row: CaseRow | None) -> Record:
    """Put what the table and the user say over what the source says."""
    annotator = wanted.annotator or (row.annotator if row else "") or record.annotation.annotator
    record = replace(record, annotation=replace(record.annotation, annotator=annotator))
    if row is None:
        return record
    own, told = record.facts, row.facts
    facts = CaseFacts(
        surgeon=told.surgeon or own.surgeon,
        role=told.role or own.role,
        experience=told.experience or own.experience,
        case_number=own.case_number if told.case_number is None else told.case_number,
        date=told.date or own.date,
        complete=own.complete if told.complete is None else told.complete,
        covariates=tuple((dict(own.covariates) | dict(told.covariates)).items()),
    )
    return replace(record, facts=facts)


def _checked(
    source: str, record: Record, problems: Sequence[Problem], wanted: GatherOptions
) -> Gathered:
    errors = sum(problem.severity is Severity.ERROR for problem in problems)
    if errors and not wanted.despite_errors:
        rows = "1 error" if errors == 1 else f"{errors} errors"
        return Gathered(source, None, tuple(problems), f"{rows}; mend them, or --despite-errors")
    return Gathered(source, record, tuple(problems))
