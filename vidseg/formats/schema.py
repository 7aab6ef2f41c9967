"""The shape of our own files, checked strictly: a misspelt key is an error, never ignored.

The only module that knows pydantic. ``check_toml`` reports everything wrong in one error,
with line, key and the nearest right word.
"""

from __future__ import annotations

import datetime
import difflib
import math
import re
from collections.abc import Iterable
from fractions import Fraction
from functools import lru_cache
from typing import Annotated, Any, Literal, TypeVar, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    PlainValidator,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from vidseg.formats.own_toml import MOST_FAULTS, Fault, Place, find_line, join_faults, place_text
from vidseg.model.annotation import Edge, Frame, InPart, Moment, Timecode
from vidseg.model.bounds import (
    LONGEST_NAME,
    MOST_CASES,
    MOST_EDITS,
    MOST_PARTS,
    MOST_STEPS,
    bounded_frame,
    parse_factor,
    usable_path,
)
from vidseg.model.clock import TIME_FORMS, TIMECODE_FORMS, parse_time
from vidseg.model.procedure import UNITS

Shape = TypeVar("Shape", bound="Strict")


class Strict(BaseModel):
    """A table that allows the keys it names and no others, of the types it names."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def nearest(word: str, choices: Iterable[str]) -> str:
    """Give ``"; did you mean 'x'?"`` for the choice most like ``word``, or nothing."""
    return _nearest(word, tuple(choices))


@lru_cache(maxsize=1024)
def _nearest(word: str, choices: tuple[str, ...]) -> str:
    by_folded = {choice.casefold(): choice for choice in choices}
    close = difflib.get_close_matches(word.casefold(), by_folded, n=1, cutoff=0.6)
    return f"; did you mean {by_folded[close[0]]!r}?" if close else ""


def check_toml(shape: type[Shape], document: dict[str, Any], text: str, source: str) -> Shape:
    """Check a parsed TOML document against its shape.

    ``text`` is the file's text (for line numbers), ``source`` its name. Raises FormatError
    that lists every fault.
    """
    checked, faults = shape_faults(shape, document, text)
    if checked is None:
        raise join_faults(source, faults)
    return checked


def shape_faults(
    shape: type[Shape], document: dict[str, Any], text: str
) -> tuple[Shape | None, list[Fault]]:
    """Check as ``check_toml`` does, and give the faults back instead of raising them."""
    try:
        return shape.model_validate(document), []
    except ValidationError as error:
        faults: list[Fault] = []
        for number, item in enumerate(error.errors(include_url=False, include_context=True)):
            place = _document_place(item["loc"], document)
            what = f"{_named(place, document)}: {_explain(shape, dict(item), place)}"
            # a line is looked for in the whole text each time
            faults.append((find_line(text, place) if number < MOST_FAULTS else None, what))
        return None, faults


def _document_place(location: Place, document: dict[str, Any]) -> Place:
    """Drop the parts that pydantic adds for alternatives of a type and that the file lacks."""
    place: list[str | int] = []
    node: Any = document
    for number, part in enumerate(location):
        last = number == len(location) - 1
        known = (isinstance(node, dict) and (part in node or last)) or (
            isinstance(node, list) and isinstance(part, int)
        )
        if not known:
            break
        place.append(part)
        node = node.get(part) if isinstance(node, dict) else node[int(part)]
    return tuple(place)


def _named(place: Place, document: dict[str, Any]) -> str:
    """Write the place, with the code of the step it lies in where there is one."""
    text = place_text(place)
    if len(place) > 1 and place[0] == "steps" and isinstance(place[1], int):
        step = document["steps"][place[1]]
        if isinstance(step, dict) and isinstance(step.get("code"), str):
            return f"{text} (step {step['code']!r})"
    return text or "the file"


def _explain(shape: type[Strict], item: dict[str, Any], place: Place) -> str:
    """Say in plain words what is wrong and what is expected."""
    kind, value, context = item["type"], item["input"], item.get("ctx", {})
    if kind == "extra_forbidden":
        keys = _keys_at(shape, place[:-1])
        return f"no such key{nearest(str(place[-1]), keys) or '; known: ' + ', '.join(keys)}"
    if kind == "missing":
        return "this key is missing"
    if kind == "literal_error":
        choices = [str(choice) for choice in get_args(context.get("expected"))] or re.findall(
            r"'([^']*)'", str(context.get("expected"))
        )
        hint = nearest(str(value), choices)
        return f"must be one of {', '.join(choices)}, not {value!r}{hint}"
    if kind == "value_error":
        return str(context["error"])
    plain = {
        "string_type": 'must be text in quotes, such as "0:05"'
        if place and place[-1] in ("shortest", "longest", "usual")
        else "must be text in quotes",
        "bool_type": "must be true or false, without quotes",
        "int_type": "must be a whole number, without quotes",
        "list_type": 'must be a list: ["one", "two"]',
        "model_type": "must be a table",
        "dict_type": "must be a table",
        "greater_than_equal": f"must be at least {context.get('ge')}",
        "less_than_equal": f"must be at most {context.get('le')}",
        "too_short": "must not be empty",
        "too_long": f"must hold at most {context.get('max_length')} entries",
    }
    return plain.get(kind, str(item["msg"]))


def _keys_at(shape: type[Strict], place: Place) -> list[str]:
    """Give the keys allowed in the table at ``place``."""
    for part in place:
        if isinstance(part, str):
            inner = shape.model_fields[part].annotation
            models = [a for a in (inner, *get_args(inner)) if isinstance(a, type)]
            shape = next(a for a in models if issubclass(a, Strict))
    return list(shape.model_fields)


def _filled(text: str) -> str:
    if not text.strip():
        raise ValueError("must not be empty")
    return text


def _step_code(text: str) -> str:
    if not re.fullmatch(r"[a-z][a-z0-9_]*", text):
        raise ValueError(
            f"{text!r} is not a code: small letters a to z, digits and _, a letter first, "
            "such as 'main_incision'"
        )
    return _short(text)


def _short(text: str) -> str:
    if len(text) > LONGEST_NAME:
        raise ValueError(
            f"{text[:20]!r} and so on is {len(text)} characters long; a name that becomes part of "
            f"a file's name has {LONGEST_NAME} at most"
        )
    return text


def _length(text: str) -> str:
    parse_time(text)
    return text


Filled = Annotated[str, AfterValidator(_filled)]
"""Text with something in it."""

StepCode = Annotated[str, AfterValidator(_step_code)]
"""A code as it stands in tables and file names."""

Length = Annotated[str, AfterValidator(_length)]
"""A written time such as ``"0:05"`` (any form of ``model.clock.parse_time``)."""


# -------------------------------------------------------------------------------------------
# Vocabulary TOML
# -------------------------------------------------------------------------------------------


class StepTable(Strict):
    """One ``[[steps]]`` table of a vocabulary."""

    code: StepCode
    name: Filled
    kind: Literal["phase", "step", "task", "event", "excluded"] = "step"
    aliases: list[Filled] = []
    parent: str | None = None
    required: bool = False
    repeats: bool = False
    overlaps: list[str] = []
    after: list[str] = []
    shortest: Length | None = None
    longest: Length | None = None
    usual: Length | None = None
    spoken: list[Filled] = []
    category: Literal["complication", "finding", "medication", "instrument"] | None = None
    definition: str = ""
    source: str = ""


def _unit(text: str) -> str:
    if text not in UNITS:
        raise ValueError(f"{text!r} is no unit known here; known are {', '.join(UNITS)}")
    return text


Unit = Annotated[str, AfterValidator(_unit)]


class QuantityTable(Strict):
    """One ``[[quantity]]`` table of a vocabulary."""

    name: StepCode
    units: Annotated[list[Unit], Field(min_length=1)]
    spoken: Annotated[list[Filled], Field(min_length=1)]
    lowest: float
    highest: float
    bare: bool = False
    steps: list[str] = []

    @field_validator("highest")
    @classmethod
    def _above(cls, value: float, info: ValidationInfo) -> float:
        if "lowest" in info.data and not info.data["lowest"] < value < math.inf:
            raise ValueError("must be above lowest")
        return value


class VocabularyFile(Strict):
    """A vocabulary file as a whole."""

    code: StepCode
    name: Filled
    version: Filled
    source: Filled
    idle: list[Filled] | None = None
    course: list[str] = []
    quantity: Annotated[list[QuantityTable], Field(max_length=MOST_STEPS)] = []
    steps: Annotated[list[StepTable], Field(min_length=1, max_length=MOST_STEPS)]


# -------------------------------------------------------------------------------------------
# Case TOML
# -------------------------------------------------------------------------------------------


def _identity(text: str) -> str:
    if not text.strip() or re.search(r'[\x00-\x1f<>:"/\\|?*]', text):
        raise ValueError('must be a short pseudonym without < > : " / \\ | ? *')
    return _short(text)


def _file_name(text: str) -> str:
    if not text.strip():
        raise ValueError("must name a file")
    if re.search(r"[\x00-\x1f]", text):
        raise ValueError(
            "holds a control character where a file name is expected; write a Windows path "
            "with / or in single quotes: 'C:\\videos\\case.mp4'"
        )
    return usable_path(text)


def _covariate(value: Any) -> Any:
    if isinstance(value, (datetime.date, datetime.datetime)):
        raise ValueError("dates can point to a patient; give a year, an age or a number of days")
    if not isinstance(value, (str, bool, int, float)):
        raise ValueError("must be text, a number or true/false")
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("must be a finite number; leave out what is not known")
    return value


def _clock(value: object) -> int:
    """Read a time as it stands in the file, in quotes or as seconds, into ns."""
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError(f"must be a time: {TIME_FORMS}, in quotes")
    return parse_time(str(value))


def _gap_length(value: object) -> int | None:
    """Read the length of missing time: a time, or "unknown" (None)."""
    if value == "unknown":
        return None
    length = _clock(value)
    if not length:
        raise ValueError('must be more than 0, or "unknown"')
    return length


def _factor(value: object) -> Fraction:
    """Read a speed factor: 4, 0.5 or "4/3"."""
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError(f'must be a number above 0 (4, 0.5 or "4/3"), not {value!r:.60}')
    return parse_factor(str(value))


FileName = Annotated[str, AfterValidator(_file_name)]
"""A path as written in the file."""
WrittenTime = Annotated[int, PlainValidator(_clock)]
"""A written time, in ns."""


class EditTable(Strict):
    """One thing done to the recording after the operation; ``kind`` says which keys belong."""

    kind: Literal["removed", "pause", "speed", "inserted"]
    at: WrittenTime | None = None
    length: Annotated[int | None, PlainValidator(_gap_length)] = None
    start: WrittenTime | None = None
    end: WrittenTime | None = None
    factor: Annotated[Fraction, PlainValidator(_factor)] | None = None
    note: str = ""

    @model_validator(mode="after")
    def _has_its_keys(self) -> EditTable:
        needed = {
            "removed": {"at", "length"},
            "pause": {"at", "length"},
            "speed": {"start", "end", "factor"},
            "inserted": {"start", "end"},
        }[self.kind]
        given = self.model_fields_set - {"kind", "note"}
        if given != needed:
            raise ValueError(
                f"{self.kind} takes {', '.join(sorted(needed))}, not {', '.join(sorted(given))}"
            )
        if self.start is not None and self.end is not None and self.end <= self.start:
            raise ValueError("end is not after start")
        return self


def _day(value: object) -> str:
    """Read a date as text or as TOML's own; keep it as text."""
    if isinstance(value, datetime.date):
        return value.isoformat()
    if not isinstance(value, str):
        raise ValueError('must be a date: 2031-05-13 or "May 2031"')
    return value.strip()


class ConsentTable(Strict):
    """What the patient agreed to; a purpose that is not told is unknown."""

    teaching: Literal["yes", "no", "unknown"] = "unknown"
    research: Literal["yes", "no", "unknown"] = "unknown"
    publication: Literal["yes", "no", "unknown"] = "unknown"
    date: Annotated[str, PlainValidator(_day)] = ""
    document: str = ""


class CaseFile(Strict):
    """A ``case.toml`` as a whole."""

    id: Annotated[str, AfterValidator(_identity)]
    recording: FileName | None = None
    recordings: Annotated[list[FileName], Field(min_length=1, max_length=MOST_PARTS)] | None = None
    starts: Annotated[list[WrittenTime], Field(max_length=MOST_PARTS)] = []
    annotation: FileName | None = None
    procedure: FileName | None = None
    captions: FileName | None = None
    surgeon: str = ""
    role: str = ""
    case_number: Annotated[int, Field(ge=1, le=MOST_CASES)] | None = None
    covariates: dict[str, Annotated[Any, AfterValidator(_covariate)]] = {}
    edits: Annotated[list[EditTable], Field(max_length=MOST_EDITS)] = []
    consent: ConsentTable | None = None


# -------------------------------------------------------------------------------------------
# Annotation JSON
# -------------------------------------------------------------------------------------------

ANNOTATION_FORMAT = "vidseg annotation"
ANNOTATION_VERSION = 1

_LONGEST_TIME = 24

_MOMENT_FORMS = (
    f'a time in quotes ({TIME_FORMS}), {{"frame": 120}}, {{"timecode": "00:00:04:20"}}, '
    '{"part": 2, "time": "0:03:10"} or "open"'
)


def _moment(value: object) -> Moment | Edge:
    """Read a moment as it stands in the JSON; ValueError for anything else."""
    if isinstance(value, str):
        if value == Edge.OPEN:
            return Edge.OPEN
        if len(value) > _LONGEST_TIME:
            raise ValueError(f"not a time: {value[:_LONGEST_TIME]!r} and more digits")
        return parse_time(value)
    if isinstance(value, dict) and set(value) == {"frame"}:
        if type(value["frame"]) is not int or value["frame"] < 0:
            raise ValueError(f"a frame number is whole and from 0 up, not {value['frame']!r:.60}")
        return Frame(bounded_frame(value["frame"], str(value["frame"])))
    if isinstance(value, dict) and set(value) == {"timecode"}:
        text = value["timecode"]
        if not isinstance(text, str) or not re.fullmatch(
            r"[0-9]{1,2}:[0-9]{2}:[0-9]{2}[:;][0-9]{2,3}", text
        ):
            raise ValueError(f"not a timecode: {text!r}; expected {TIMECODE_FORMS}")
        return Timecode(text)
    if isinstance(value, dict) and set(value) == {"part", "time"}:
        if type(value["part"]) is not int or value["part"] < 1:
            raise ValueError(f"parts are counted from 1, not {value['part']!r}")
        time = _moment(value["time"])
        if not isinstance(time, int):
            raise ValueError(f"a time in a part is written {TIME_FORMS}, not {value['time']!r}")
        return InPart(value["part"], time)
    raise ValueError(f"not a moment: {value!r}; expected {_MOMENT_FORMS}")


def _end(value: object) -> Moment | Edge | None:
    return None if value is None else _moment(value)


def _attributes(value: object) -> tuple[tuple[str, str], ...]:
    """Read extra columns: a table of texts, or pairs where a name stands twice."""
    if isinstance(value, list) and all(isinstance(p, list) and len(p) == 2 for p in value):
        pairs = tuple((name, text) for name, text in value)
    elif isinstance(value, dict):
        pairs = tuple(value.items())
    else:
        raise ValueError(f"must be a table of texts, not {value!r}")
    for part in (part for pair in pairs for part in pair):
        if not isinstance(part, str):
            raise ValueError(f"every name and value must be text in quotes, not {part!r}")
        _whole(part)
    return pairs


def _whole(text: str) -> str:
    """Refuse text that no file can hold: JSON can spell half of a character (RFC 8259, 8.2)."""
    if any("\ud800" <= letter <= "\udfff" for letter in text):
        raise ValueError(f"holds half a character: {text!r}")
    return text


Text = Annotated[str, AfterValidator(_whole)]


class MarkEntry(Strict):
    """One row of the annotation JSON."""

    label: Annotated[Filled, AfterValidator(_whole)]
    start: Annotated[Moment | Edge, PlainValidator(_moment)]
    end: Annotated[Moment | Edge | None, PlainValidator(_end)] = None
    note: Text = ""
    attributes: Annotated[tuple[tuple[str, str], ...], PlainValidator(_attributes)] = ()


class AnnotationFile(Strict):
    """An annotation JSON as a whole; its rows are checked one by one."""

    format: Literal["vidseg annotation"]
    version: Literal[1]
    procedure: Text | None = None
    case: Text | None = None
    annotator: Text | None = None
    starts_only: bool = False
    marks: list[Any]


def check_json(shape: type[Shape], value: object) -> Shape | tuple[tuple[Place, str], ...]:
    """Check parsed JSON against its shape; where it fails, give every fault as (place, what)."""
    try:
        return shape.model_validate(value)
    except ValidationError as error:
        faults: list[tuple[Place, str]] = []
        for item in error.errors(include_url=False, include_context=True):
            what = _explain(shape, dict(item), item["loc"])
            if item["type"].endswith("_type"):
                what += f", not {item['input']!r:.60}"
            faults.append((item["loc"], what))
        return tuple(faults)
