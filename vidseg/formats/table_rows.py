"""Rows of a table become marks; what cannot be read becomes a problem, all in one go."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from vidseg.formats.moment import parse_frame, parse_moment
from vidseg.formats.table_columns import ColumnPlaces
from vidseg.model.annotation import Edge, Mark, Moment, Sheet
from vidseg.model.bounds import shown
from vidseg.model.clock import format_time
from vidseg.model.problem import Problem

LENGTH_TOLERANCE_NS = 1_000_000
"""Start, end and length of a row may disagree by this much (1 ms, the rounding of a time)."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell. ``ns`` where a spreadsheet holds it as a number of seconds or as a time.

    ``doubt`` says why a spreadsheet's time cannot be trusted, ``fault`` why it is no time.
    """

    text: str = ""
    ns: int | None = None
    doubt: str = ""
    fault: str = ""


SheetRow = tuple[int, Sequence[Cell]]
"""A line number (from 1) and the cells that stand there."""


def sheets_by_case(
    source: str, columns: ColumnPlaces, rows: Iterable[SheetRow], problems: Iterable[Problem] = ()
) -> dict[str, Sheet]:
    """Read rows into one sheet for each case, in file order; ``""`` for rows that name none.

    ``problems`` met before are put with those of ``""``. Blank rows are passed over.
    """
    marks: dict[str, list[Mark]] = {}
    found: dict[str, list[Problem]] = {}
    place = columns.places.get("case")
    for line, cells in rows:
        if not any(cell.text for cell in cells):
            continue
        case = cells[place].text if place is not None and place < len(cells) else ""
        reader = _RowReader(source, columns, line, cells)
        mark = reader.mark()
        found.setdefault(case, []).extend(reader.problems)
        marks.setdefault(case, []).extend([mark] if mark is not None else [])
    if problems := tuple(problems):
        found.setdefault("", []).extend(problems)
    if place is None:
        found.setdefault("", [])
    return {
        case: Sheet(
            source,
            tuple(marks.get(case, ())),
            tuple(sorted(theirs, key=_by_line)),
            columns.starts_only,
            case=case or None,
        )
        for case, theirs in found.items()
    }


def one_sheet(source: str, columns: ColumnPlaces, sheets: dict[str, Sheet]) -> Sheet:
    """Join what ``sheets_by_case`` gave where one case is expected.

    Rows that name no case belong to the one case. Where there are several, no row is kept, for
    none can be told from another, and a ``several-cases`` problem names them.
    """
    cases = [case for case in sheets if case]
    problems = [problem for sheet in sheets.values() for problem in sheet.problems]
    marks = [mark for sheet in sheets.values() for mark in sheet.marks]
    if len(cases) > 1:
        name = columns.names[columns.places["case"]]
        some = ", ".join(shown(case, 30) for case in cases[:5])
        more = f" and {len(cases) - 5} more" if cases[5:] else ""
        problems.append(
            Problem.of(
                "several-cases",
                f"the column {name!r} names {len(cases)} cases ({some}{more}) where one is "
                "expected; save the rows of each case in a file of its own",
                source,
            )
        )
        marks = []
    return Sheet(
        source,
        tuple(sorted(marks, key=lambda mark: mark.line or 0)),
        tuple(sorted(problems, key=_by_line)),
        columns.starts_only,
        case=cases[0] if len(cases) == 1 else None,
    )


def _by_line(problem: Problem) -> int:
    return problem.line or 0


class _RowReader:
    """Reads one row and collects its problems."""

    def __init__(
        self, source: str, columns: ColumnPlaces, line: int, cells: Sequence[Cell]
    ) -> None:
        self.source, self.columns, self.line, self.cells = source, columns, line, cells
        self.problems: list[Problem] = []

    def say(self, code: str, message: str) -> None:
        self.problems.append(Problem.of(code, message, self.source, self.line))

    def cell(self, role: str) -> tuple[str, Cell] | None:
        """Give the name of a role's column and its cell; None without column or where blank."""
        place = self.columns.places.get(role)
        if place is None or place >= len(self.cells) or not self.cells[place].text:
            return None
        return self.columns.names[place], self.cells[place]

    def mark(self) -> Mark | None:
        """Read the row; None where that fails."""
        label, note = self.cell("step"), self.cell("note")
        if label is None:
            name = self.columns.names[self.columns.places["step"]]
            self.say(
                "no-label",
                f"the row has no step: column {name!r} is blank; name the step, or delete the row",
            )
        start = self.start()
        attributes: list[tuple[str, str]] = []
        end = self.end(start, attributes)
        if self.problems or label is None or start is None:
            return None
        attributes += [
            (self.columns.names[place], self.cells[place].text)
            for place in self.columns.extras
            if place < len(self.cells) and self.cells[place].text
        ]
        return Mark(
            label[1].text,
            start,
            end,
            note[1].text if note is not None else "",
            self.source,
            self.line,
            tuple(attributes),
        )

    def start(self) -> Moment | Edge | None:
        frames = "start" not in self.columns.places
        role = "start_frame" if frames else "start"
        found = self.cell(role)
        if found is None:
            name = self.columns.names[self.columns.places[role]]
            self.say(
                "no-start",
                f"the row has no start: column {name!r} is blank; write the time, or `open` "
                "where the step had begun before the recording",
            )
            return None
        return self.moment(*found, frames=frames)

    def end(
        self, start: Moment | Edge | None, attributes: list[tuple[str, str]]
    ) -> Moment | Edge | None:
        """Read the end, or start and length. A length that cannot be compared is an attribute."""
        frames = "end" not in self.columns.places
        written, length = self.cell("end_frame" if frames else "end"), self.cell("length")
        end = self.moment(*written, frames=frames) if written is not None else None
        if length is None:
            return end
        name, cell = length
        lasting = self.moment(name, cell)
        if lasting is None:
            return end
        if not isinstance(lasting, int):
            self.say(
                "bad-time",
                f"{name}: {shown(cell.text)} is not a length; expected seconds, m:ss or h:mm:ss",
            )
        elif written is None:
            if isinstance(start, int):
                return start + lasting
            if start is not None:
                self.say(
                    "bad-time",
                    f"{name}: a length can be added to a start written as a time only; "
                    "write the end instead",
                )
        elif isinstance(start, int) and isinstance(end, int):
            if abs(start + lasting - end) > LENGTH_TOLERANCE_NS:
                self.say(
                    "length-disagrees",
                    f"from {format_time(start)} to {format_time(end)} is {format_time(end - start)}"
                    f", but the column {name!r} says {shown(cell.text)}; correct one of the three",
                )
        else:
            attributes.append((name, cell.text))
        return end

    def moment(self, name: str, cell: Cell, *, frames: bool = False) -> Moment | Edge | None:
        """Read one cell as a moment, and report it where that fails."""
        if cell.doubt:
            self.say("ambiguous-time", f"{name}: {cell.doubt}")
            return None
        try:
            if frames:
                return parse_frame(cell.text)
            if cell.fault:
                raise ValueError(cell.fault)
            return cell.ns if cell.ns is not None else parse_moment(cell.text)
        except ValueError as error:
            self.say("bad-time", f"{name}: {error}")
            return None
