"""What of a case would stand on its page and in its tables, and may identify someone."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Literal

from vidseg.measure.privacy.identifiers import plain_words_of, words_of
from vidseg.measure.privacy.sifting import Sieve, Sifted
from vidseg.model.annotation import Annotation, Cue, Event, Segment, Sheet
from vidseg.model.case import Case, CaseResult
from vidseg.model.clock import format_time
from vidseg.model.problem import Problem
from vidseg.model.procedure import Procedure, Step
from vidseg.model.recording import AudioTrack, Captions, CaptionTrack, Part

Written = Literal["prose", "name", "label", "code"]
"""A ``Manner``, or a code, which is read as a label with capitals."""

_UNSHOWN: Mapping[type, frozenset[str]] = {
    Case: frozenset({"consent", "procedure"}),
    Procedure: frozenset({"source"}),
    Step: frozenset(
        {"aliases", "parent", "overlaps", "after", "spoken", "category", "definition", "source"}
    ),
}
"""Fields that are written into no output; ``everything`` gives them all the same."""
_TECHNICAL: Mapping[type, frozenset[str]] = {
    Procedure: frozenset({"idle", "course", "quantities"}),
    Part: frozenset({"container", "codec", "profile", "pixel_format", "timecode", "tags"}),
    AudioTrack: frozenset({"codec"}),
    CaptionTrack: frozenset({"codec"}),
}
"""Facts in a fixed form; what identifies among those of a recording has a check of its own."""
_NAMES: Mapping[type, frozenset[str]] = {
    Case: frozenset({"id", "surgeon", "role"}),
    Annotation: frozenset({"case", "annotator", "source"}),
    Sheet: frozenset({"case", "annotator", "source", "procedure"}),
    Captions: frozenset({"language", "source"}),
    AudioTrack: frozenset({"language"}),
    CaptionTrack: frozenset({"language"}),
}
_PROSE: Mapping[type, frozenset[str]] = {
    Segment: frozenset({"note"}),
    Event: frozenset({"note"}),
    Cue: frozenset({"text"}),
}
_QUOTED = re.compile(r"'((?:[^'\\]|\\.)+)'|\"((?:[^\"\\]|\\.)+)\"")
TOLD = ("identifying-metadata", "identifying-text")
"""Problems that themselves quote what may identify someone."""


@dataclass(frozen=True, slots=True)
class Leaf:
    """A text of a case, where it stands, and how it is to be read."""

    text: str
    where: str
    manner: Written


def found_in_words(words: tuple[Sifted, ...] | list[Sifted]) -> tuple[Problem, ...]:
    """Give findings in text as problems, their place as source."""
    return tuple(
        Problem.of(
            "identifying-text",
            f"may give away {one.identifier.kind} ({one.identifier.letter}): "
            f"{one.identifier.text!r}",
            one.where,
        )
        for one in words
    )


def unquoted(problems: Sequence[Problem]) -> tuple[Problem, ...]:
    """Give problems as they stand in files that are meant to be looked at: what may identify
    someone is counted for each source, and not quoted."""
    kept = [problem for problem in problems if problem.code not in TOLD]
    for code, source in dict.fromkeys((p.code, p.source) for p in problems if p.code in TOLD):
        count = sum((p.code, p.source) == (code, source) for p in problems)
        place = "in its metadata or name" if code == TOLD[0] else "in its words"
        kept.append(
            Problem.of(
                code,
                f"{count} thing(s) {place} may identify someone, told on the screen alone: look at "
                "them before it is shown or shared",
                source,
            )
        )
    return tuple(kept)


def telling(result: CaseResult) -> tuple[Problem, ...]:
    """Give all that may identify someone and would be shown: metadata and names of the recording,
    and every text that came in, but for fields that no output shows."""
    own = (p for p in result.problems if p.code == "identifying-metadata")
    return (*own, *found_in_words(sifted(result, everything=False)))


def telling_notes(annotation: Annotation, procedure: Procedure) -> tuple[Problem, ...]:
    """Warn once of an annotation's notes that name someone or hold a number that may identify.

    What is found by a capital or a list of names alone is not counted: that is looked for where
    something is shared.
    """
    sieve = Sieve(words_of([label for label, _ in procedure.labels()]))
    rows: list[Segment | Event] = [*annotation.segments, *annotation.excluded, *annotation.events]
    for row in sorted(rows, key=lambda row: row.line or 0):
        for text in (row.note, *(f"{name}: {value}" for name, value in row.attributes)):
            if text:
                sieve.passes(text, str(row.line or 0), "titles")
    sure = [one for one in sieve.found if not one.identifier.kind.endswith("perhaps")]
    if not sure:
        return ()
    first = sure[0]
    more = f", and {len(sure) - 1} more like it" if sure[1:] else ""
    return (
        Problem.of(
            "identifying-text",
            f"a note may give away {first.identifier.kind} ({first.identifier.letter}): "
            f"{first.identifier.text!r}{more}; `vidseg run --share` looks closer",
            annotation.source,
            int(first.where) or None,
        ),
    )


def sifted(
    result: CaseResult, *, everything: bool, allowed: Sequence[str] = ()
) -> tuple[Sifted, ...]:
    """Search the texts of a case, each finding of a text once; ``everything`` with those that no
    output is known to show."""
    sieve = Sieve(plain_words_of([label for label, _ in result.procedure.labels()]), allowed)
    seen: set[tuple[str, Written]] = set()
    for leaf in leaves(result, everything=everything):
        if leaf.text and (leaf.text, leaf.manner) not in seen:
            seen.add((leaf.text, leaf.manner))
            for text in dict.fromkeys((leaf.text, _spoken(leaf))):
                sieve.passes(text, leaf.where, "label" if leaf.manner == "code" else leaf.manner)
    kept: dict[tuple[str, str], Sifted] = {}
    for one in sieve.found:
        kept.setdefault((one.identifier.text, one.where), one)
    return tuple(kept.values())


def leaves(result: CaseResult, *, everything: bool) -> Iterator[Leaf]:
    """Give every text in a case, whatever field it stands in, also one added tomorrow."""
    yield from _leaves(result.case, "", everything)
    yield from _leaves(result, "", everything)
    for problem in result.problems:
        if problem.code not in TOLD:
            for match in _QUOTED.finditer(problem.message):
                yield Leaf(match[1] or match[2], f"problem {problem.code}", "prose")


def _leaves(
    value: object, where: str, everything: bool, manner: Written = "label"
) -> Iterator[Leaf]:
    if isinstance(value, str):
        yield Leaf(value, where, manner)
    elif isinstance(value, Path):
        yield Leaf(value.stem, f"name of the file {value.name}", "name")
    elif isinstance(value, Problem):
        if value.code not in TOLD:
            yield Leaf(value.message, f"problem {value.code}", "label")
    elif is_dataclass(value) and not isinstance(value, type):
        kind, place = type(value), _place(value) or where
        left_out = _TECHNICAL.get(kind, frozenset())
        if not everything:
            left_out |= _UNSHOWN.get(kind, frozenset())
        for field in fields(value):
            if field.name in left_out or field.name.startswith("_"):
                continue
            own: Written = "name" if field.name in _NAMES.get(kind, ()) else "label"
            own = "prose" if field.name in _PROSE.get(kind, ()) else own
            own = "code" if kind in (Step, Procedure) and field.name == "code" else own
            inner = getattr(value, field.name)
            if field.name in ("covariates", "attributes"):
                kind_of = "covariate" if field.name == "covariates" else "column"
                for name, text in inner:
                    said = f"{kind_of} {name} {place}".strip()
                    yield Leaf(name, f"name of a {kind_of}", "name")
                    yield Leaf(f"{name}: {text}", said, "prose")
                    yield Leaf(text, said, "label")
            else:
                said = f"{_WORDS.get(field.name, field.name)} {place}".strip()
                yield from _leaves(inner, said, everything, own)
    elif isinstance(value, Mapping):
        for key, item in value.items():
            yield from _leaves(key, where, everything, manner)
            yield from _leaves(item, where, everything, manner)
    elif isinstance(value, Sequence | set | frozenset) and not isinstance(value, bytes):
        for item in value:
            yield from _leaves(item, where, everything, manner)


_WORDS = {"id": "id of the case", "text": "caption", "case": "case"}
"""What fields are called to the user, where not by their own name."""


def _place(value: object) -> str:
    """Say when a row or a caption is, or which step it is; empty for anything else."""
    if isinstance(value, Segment | Cue):
        return f"at {format_time(value.span.start)}"
    if isinstance(value, Event):
        return f"at {format_time(value.at)}"
    if isinstance(value, Procedure):
        return "of the vocabulary"
    if isinstance(value, Step):
        return f"of step {value.code}"
    return ""


def _spoken(leaf: Leaf) -> str:
    """Write a name into a sentence, so that a capital at its start counts, and a code with capitals
    and spaces."""
    if leaf.manner == "prose":
        return leaf.text
    text = re.sub(r"[_.]+", " ", leaf.text)
    if leaf.manner == "name":
        return f"by {text}"
    return text.title() if leaf.manner == "code" else text
