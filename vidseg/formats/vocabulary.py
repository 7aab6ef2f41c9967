"""Vocabularies: the built-in ones by code, a user's own by path, both from TOML.

``blank.toml`` among the built-in files explains every key. All that is wrong in a file is
reported in one go, with lines.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

from vidseg.formats.own_toml import (
    Fault,
    Place,
    find_line,
    join_faults,
    parse_toml,
    place_text,
    read_text,
)
from vidseg.formats.schema import QuantityTable, StepTable, VocabularyFile, check_toml, nearest
from vidseg.model.clock import parse_time
from vidseg.model.problem import FormatError
from vidseg.model.procedure import LEVELS, Kind, Procedure, Quantity, Step, fold, vocabulary_file

_SUFFIX = ".toml"
_FOLDER = files("vidseg") / "procedures"


def builtin_codes() -> tuple[str, ...]:
    """Give the codes of the built-in vocabularies, sorted."""
    names = (entry.name for entry in _FOLDER.iterdir())
    return tuple(sorted(name.removesuffix(_SUFFIX) for name in names if name.endswith(_SUFFIX)))


def procedure_text(code: str) -> str:
    """Give the TOML text of a built-in vocabulary, to start one's own from.

    ``code`` is taken without regard to case, spaces and hyphens. Raises FormatError.
    """
    return (_FOLDER / (_builtin(code) + _SUFFIX)).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def builtin_texts() -> tuple[str, ...]:
    """Give the TOML texts of all built-in vocabularies."""
    return tuple(map(procedure_text, builtin_codes()))


def load_procedure(name: str) -> Procedure:
    """Load a vocabulary: a built-in code (case, spaces and hyphens ignored), else a path.

    Raises FormatError where there is neither, or where the file is not a sound vocabulary.
    """
    own = vocabulary_file(name)
    if own is not None:
        return read_procedure(own)
    return _load_builtin(_builtin(name))


@lru_cache(maxsize=32)
def _load_builtin(code: str) -> Procedure:
    return parse_procedure(procedure_text(code), code + _SUFFIX)


def read_procedure(path: Path) -> Procedure:
    """Read a vocabulary file. Raises FormatError that lists everything wrong in it."""
    return parse_procedure(read_text(path), str(path))


def parse_procedure(text: str, source: str) -> Procedure:
    """Read a vocabulary from its TOML text; ``source`` names it in errors. Raises FormatError."""
    table = check_toml(VocabularyFile, parse_toml(text, source), text, source)
    faults: list[Fault] = []
    for place, what in (*_label_faults(table), *_reference_faults(table), *_step_faults(table)):
        faults.append((find_line(text, place), f"{_named(place, table)}: {what}"))
    if faults:
        raise join_faults(source, faults)
    idle = {} if table.idle is None else {"idle": tuple(table.idle)}
    steps = tuple(_step(step, table.steps) for step in table.steps)
    try:
        return Procedure(
            table.code,
            table.name,
            table.version,
            table.source.strip(),
            steps,
            course=tuple(table.course),
            quantities=tuple(map(_quantity, table.quantity)),
            **idle,
        )
    except ValueError as error:
        raise FormatError(source, None, str(error)) from None


@lru_cache(maxsize=32)
def _builtin(name: str) -> str:
    """Find the built-in code that ``name`` means. Raises FormatError."""
    codes = builtin_codes()
    for code in codes:
        if fold(code) == fold(name):
            return code
    raise FormatError(
        name,
        None,
        f"no built-in vocabulary of that name{nearest(name, codes)} (built in: "
        f"{', '.join(codes)}; the path of a vocabulary file of your own, ending in .toml, "
        "works too)",
    )


def _step(step: StepTable, steps: Sequence[StepTable]) -> Step:
    """Turn a checked table into a step; an overlap named by either step holds for both."""
    named_by = [other.code for other in steps if step.code in other.overlaps]
    return Step(
        code=step.code,
        name=step.name,
        kind=Kind(step.kind),
        aliases=tuple(step.aliases),
        parent=step.parent,
        required=step.required,
        repeats=step.repeats,
        overlaps=tuple(dict.fromkeys([*step.overlaps, *named_by])),
        after=tuple(step.after),
        shortest_ns=None if step.shortest is None else parse_time(step.shortest),
        longest_ns=None if step.longest is None else parse_time(step.longest),
        usual_ns=None if step.usual is None else parse_time(step.usual),
        spoken=tuple(step.spoken),
        category=step.category,
        definition=step.definition.strip(),
        source=step.source.strip(),
    )


def _quantity(table: QuantityTable) -> Quantity:
    return Quantity(
        table.name,
        tuple(table.units),
        tuple(table.spoken),
        table.lowest,
        table.highest,
        table.bare,
        tuple(table.steps),
    )


def _named(place: Place, table: VocabularyFile) -> str:
    number = place[1] if len(place) > 1 else None
    if not isinstance(number, int):
        return place_text(place)
    if place[0] == "quantity":
        return f"{place_text(place)} (quantity {table.quantity[number].name!r})"
    return f"{place_text(place)} (step {table.steps[number].code!r})"


def _label_faults(table: VocabularyFile) -> Iterator[tuple[Place, str]]:
    """Find codes and labels that stand for two steps, or for a step and for nothing."""
    owners: dict[str, str] = {}
    codes: set[str] = set()
    for number, step in enumerate(table.steps):
        if step.code in codes:
            yield ("steps", number, "code"), f"the code {step.code!r} stands twice"
            continue
        codes.add(step.code)
        labels = [("code", step.code), ("name", step.name)]
        for key, label in (*labels, *(("aliases", alias) for alias in step.aliases)):
            if not fold(label):
                yield ("steps", number, key), f"the label {label!r} has no letters"
            elif owners.setdefault(fold(label), step.code) != step.code:
                other = owners[fold(label)]
                yield (
                    ("steps", number, key),
                    f"the label {label!r} already stands for step {other!r} (case, spaces and "
                    "punctuation do not count)",
                )
    for label in table.idle or ():
        if fold(label) in owners:
            yield ("idle",), f"{label!r} is also a label of step {owners[fold(label)]!r}"


def _reference_faults(table: VocabularyFile) -> Iterator[tuple[Place, str]]:
    """Find references to no step or to one of the wrong kind, and orders that run in a circle."""
    kinds = {step.code: Kind(step.kind) for step in table.steps}
    timed = [code for code, kind in kinds.items() if kind in LEVELS]
    after = {step.code: step.after for step in table.steps}
    for number, quantity in enumerate(table.quantity):
        for code in quantity.steps:
            if code not in timed:
                yield (
                    ("quantity", number, "steps"),
                    (f"{code!r} is the code of no timed step{nearest(code, timed)}"),
                )
        if any(quantity.name == other.name for other in table.quantity[:number]):
            yield ("quantity", number, "name"), f"the name {quantity.name!r} stands twice"
    for code in table.course:
        if code not in timed:
            yield ("course",), f"{code!r} is the code of no timed step{nearest(code, timed)}"
    for number, step in enumerate(table.steps):
        kind = Kind(step.kind)
        for key, names in (
            ("parent", [step.parent] if step.parent is not None else []),
            ("after", step.after),
            ("overlaps", step.overlaps),
        ):
            for name in names:
                place: Place = ("steps", number, key)
                if name not in kinds:
                    yield place, f"{name!r} is the code of no step{nearest(name, timed)}"
                elif kind not in LEVELS or kinds[name] not in LEVELS:
                    yield place, f"only timed steps can be linked; {name!r} or this one is not"
                elif name == step.code:
                    yield place, "a step cannot name itself"
                elif key == "overlaps" and kinds[name] is not kind:
                    yield place, f"{name!r} is a {kinds[name]}, this is a {kind}; levels differ"
                elif key == "parent" and LEVELS.index(kinds[name]) >= LEVELS.index(kind):
                    yield place, f"{name!r} is a {kinds[name]}; a {kind} lies in an outer level"
        circle = _circle(step.code, after)
        if circle and min(circle) == step.code:
            yield ("steps", number, "after"), "runs in a circle: " + " after ".join(circle)


def _circle(code: str, after: Mapping[str, Sequence[str]]) -> list[str]:
    """Give a way from ``code`` along ``after`` back to itself (two steps or more), or nothing."""
    trail = {code: [code]}
    queue = [code]
    while queue:
        here = queue.pop(0)
        for name in after.get(here, ()):
            if name == code and here != code:
                return [*trail[here], code]
            if name not in trail:
                trail[name] = [*trail[here], name]
                queue.append(name)
    return []


def _step_faults(table: VocabularyFile) -> Iterator[tuple[Place, str]]:
    """Find keys that clash within one step."""
    for number, step in enumerate(table.steps):
        kind = Kind(step.kind)
        barred = () if kind in LEVELS else ("shortest", "longest", "usual", "repeats")
        for key in (*barred, "spoken", "required") if kind is Kind.EXCLUDED else barred:
            if getattr(step, key):
                yield ("steps", number, key), f"not for labels of kind {kind.value!r}; leave it out"
        if step.category is not None and kind is not Kind.EVENT:
            yield ("steps", number, "category"), "only an event has a category"
        if step.shortest is not None and step.longest is not None:
            shortest, longest = parse_time(step.shortest), parse_time(step.longest)
            if shortest > longest:
                yield (
                    ("steps", number, "shortest"),
                    f"shortest {step.shortest!r} is more than longest {step.longest!r}",
                )
