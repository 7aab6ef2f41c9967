"""Our own JSON: an annotation as written, with nothing lost, easy to edit by hand.

::

    {
      "format": "vidseg annotation",
      "version": 1,
      "procedure": "phaco",
      "starts_only": false,
      "marks": [
        {"label": "paracentesis", "start": "0:00:04.250", "end": "0:00:10.000"},
        {"label": "capsulorhexis", "start": {"frame": 900}, "end": {"timecode": "00:01:02;10"}},
        {"label": "wound_closure", "start": "0:09:10.000", "end": "open", "note": "cut off"}
      ]
    }

Times are text and exact to the nanosecond. A mark without ``end`` is a point (or any row of a
list of starts only). JSON is RFC 8259; paths in messages are RFC 9535.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

from vidseg.disk.atomic_write import write_text_aside
from vidseg.formats.own_toml import Place
from vidseg.formats.schema import (
    ANNOTATION_FORMAT,
    ANNOTATION_VERSION,
    AnnotationFile,
    MarkEntry,
    check_json,
)
from vidseg.formats.text_file import read_text
from vidseg.model.annotation import Edge, Frame, InPart, Mark, Moment, Sheet, Timecode
from vidseg.model.bounds import MOST_ROWS, too_many_rows
from vidseg.model.clock import format_time
from vidseg.model.problem import FormatError, Problem, UsageError

_TOKEN = re.compile(r'"(?:[^"\\]|\\.)*"|[\[\]{}:,]|[^\s\[\]{}:,"]+')


def read(path: Path) -> Sheet:
    """Read an annotation JSON strictly: unknown keys, wrong types and bad times are problems.

    Rows with a problem are left out. A mark's ``line`` is where its row stands. Raises
    FormatError where the file is not JSON, not an annotation, or of a newer version.
    """
    text = read_text(path)
    document = _known_kind(_parse(text, path.name), path.name)
    lines, repeated = _places(text)
    problems = [
        _problem(path.name, place, "this key stands twice in its table", lines, line)
        for place, line in repeated
    ]
    header = check_json(AnnotationFile, document)
    if not isinstance(header, AnnotationFile):
        problems += [_problem(path.name, place, what, lines) for place, what in header]
        faulty = {place[0] for place, _ in header}
        sound = {key: value for key, value in document.items() if key not in faulty}
        header = check_json(AnnotationFile, sound)
        assert isinstance(header, AnnotationFile)
    marks: list[Mark] = []
    for index, row in enumerate(header.marks):
        place: Place = ("marks", index)
        found = check_json(MarkEntry, row)
        if isinstance(found, MarkEntry):
            marks.append(
                Mark(
                    found.label,
                    found.start,
                    found.end,
                    found.note,
                    path.name,
                    lines.get(place),
                    found.attributes,
                )
            )
        else:
            problems += [
                _problem(path.name, (*place, *inner), what, lines) for inner, what in found
            ]
    return Sheet(
        path.name,
        tuple(marks),
        tuple(sorted(problems, key=lambda problem: problem.line or 0)),
        header.starts_only,
        header.procedure,
        header.case,
        header.annotator,
    )


def _parse(text: str, source: str) -> object:
    def refuse(constant: str) -> object:
        raise ValueError(f"{constant} is not JSON")

    try:
        return json.loads(text, parse_constant=refuse)
    except json.JSONDecodeError as error:
        reason = f"not valid JSON at column {error.colno}: {error.msg}"
        raise FormatError(source, error.lineno, reason) from None
    except RecursionError:
        raise FormatError(source, None, "not an annotation: nested too deeply") from None
    except ValueError as error:
        digits = "a number has too many digits" if "digits" in str(error) else str(error)
        raise FormatError(source, None, f"not valid JSON: {digits}") from None


def _known_kind(document: object, source: str) -> dict[str, object]:
    """Give the table of an annotation of a known version. Raises FormatError for other JSON."""
    if not isinstance(document, dict) or document.get("format") != ANNOTATION_FORMAT:
        raise FormatError(
            source, None, f'no annotation: expected a table with "format": "{ANNOTATION_FORMAT}"'
        )
    version = document.get("version")
    if type(version) is int and version > ANNOTATION_VERSION:
        raise FormatError(
            source,
            None,
            f"written by a newer vidseg: version {version} of the format, this one reads up to "
            f"{ANNOTATION_VERSION}; update vidseg",
        )
    if type(version) is not int or version != ANNOTATION_VERSION:
        raise FormatError(source, None, f'"version" must be {ANNOTATION_VERSION}, not {version!r}')
    if not isinstance(document.get("marks"), list):
        raise FormatError(source, None, 'a list "marks" is expected, with a table for every row')
    if len(document["marks"]) > MOST_ROWS:
        raise too_many_rows(source, f"{len(document['marks']):,} rows")
    return document


def _problem(
    source: str, place: Place, what: str, lines: dict[Place, int], line: int | None = None
) -> Problem:
    known = next((place[:n] for n in range(len(place), -1, -1) if place[:n] in lines), ())
    return Problem.of("bad-row", f"{_path(place)}: {what}", source, line or lines.get(known))


def _path(place: Place) -> str:
    parts = [
        f"[{part}]"
        if isinstance(part, int)
        else f".{part}"
        if re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", part)
        else f"[{json.dumps(part)}]"
        for part in place
    ]
    return "$" + "".join(parts)


def _places(text: str) -> tuple[dict[Place, int], list[tuple[Place, int]]]:
    """Give the line of every value of a valid JSON text, and the keys that stand twice."""
    lines: dict[Place, int] = {}
    repeated: list[tuple[Place, int]] = []
    place: list[str | int] = []
    keys: list[set[str] | None] = []
    key_next = False
    line, at = 1, 0
    for match in _TOKEN.finditer(text):
        token = match[0]
        line += text.count("\n", at, match.start())
        at = match.start()
        if token in ("]", "}"):
            keys.pop()
            place.pop()
            key_next = False
        elif token == ",":
            last = place[-1]
            if isinstance(last, int):
                place[-1] = last + 1
            else:
                key_next = True
        elif token in ("[", "{"):
            lines[tuple(place)] = line
            key_next = token == "{"
            place.append("" if key_next else 0)
            keys.append(set() if key_next else None)
        elif key_next:
            key, known = json.loads(token) if "\\" in token else token[1:-1], keys[-1]
            place[-1] = key
            key_next = False
            if known is not None and key in known:
                repeated.append((tuple(place), line))
            elif known is not None:
                known.add(key)
            lines[tuple(place)] = line
        elif token != ":":
            lines[tuple(place)] = line
    return lines, repeated


def write(sheet: Sheet, path: Path) -> tuple[str, ...]:
    """Write a sheet as annotation JSON, one row a line. Nothing is lost, so nothing is returned.

    Raises UsageError where a row has no label or a time before zero, which the format refuses.
    """
    rows = [
        json.dumps(_row(mark, number), ensure_ascii=False)
        for number, mark in enumerate(sheet.marks, 1)
    ]
    facts: dict[str, object] = {"format": ANNOTATION_FORMAT, "version": ANNOTATION_VERSION}
    for name in ("procedure", "case", "annotator"):
        if getattr(sheet, name) is not None:
            facts[name] = getattr(sheet, name)
    facts["starts_only"] = sheet.starts_only
    head = [
        f'  "{key}": {json.dumps(value, ensure_ascii=False)},\n' for key, value in facts.items()
    ]
    body = ",\n".join(f"    {row}" for row in rows)
    marks = f"[\n{body}\n  ]" if rows else "[]"
    write_text_aside(path, "{\n" + "".join(head) + f'  "marks": {marks}\n}}\n')
    return ()


def _row(mark: Mark, number: int) -> dict[str, object]:
    if not mark.label.strip():
        raise UsageError(f"row {number} has no label")
    row: dict[str, object] = {"label": mark.label, "start": _moment(mark.start, number)}
    if mark.end is not None:
        row["end"] = _moment(mark.end, number)
    if mark.note:
        row["note"] = mark.note
    if mark.attributes:
        unique = len({name for name, _ in mark.attributes}) == len(mark.attributes)
        row["attributes"] = dict(mark.attributes) if unique else [list(p) for p in mark.attributes]
    return row


def _moment(moment: Moment | Edge, number: int) -> object:
    if isinstance(moment, Edge):
        return moment.value
    if isinstance(moment, Frame):
        return {"frame": moment.number}
    if isinstance(moment, Timecode):
        return {"timecode": moment.text}
    if isinstance(moment, InPart):
        return {"part": moment.part, "time": _time(moment.at)}
    if moment < 0:
        raise UsageError(f"row {number} has a time before zero")
    return _time(moment)


def _time(at: int) -> str:
    text = format_time(at, 9)
    return text[:-6] + text[-6:].rstrip("0")
