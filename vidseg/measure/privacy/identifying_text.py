"""What of a case would stand on its page and in its tables, and may identify someone."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Literal

from vidseg.measure.privacy.identifiers import plain_words_of
from vidseg.measure.privacy.sifting import Sieve, Sifted
from vidseg.model.annotation import Annotation, Cue, Event, Segment, Sheet
from vidseg.model.case import Case, CaseResult
from vidseg.model.clock import format_time
from vidseg.model.problem import Problem
from vidseg.model.procedure import Procedure, Step
from vidseg.model.recording import AudioTrack, Captions, CaptionTrack, Part

Manner = Literal["prose", "name", "label"]
"""How a text is read: a capital counts inside a sentence, everywhere, or only on listed names."""

_UNSHOWN: Mapping[type, frozenset[str]] = {
    Case: frozenset({"consent", "procedure"}),
    Procedure: frozenset({"source", "idle", "course", "quantities"}),
    Step: frozenset(
        {"aliases", "parent", "overlaps", "after", "spoken", "category", "definition", "source"}
    ),
}
"""Fields that are written into no output; ``everything`` gives them all the same."""
_TECHNICAL: Mapping[type, frozenset[str]] = {
    Part: frozenset({"container", "codec", "profile", "pixel_format", "timecode", "tags"}),
    AudioTrack: frozenset({"codec"}),
    CaptionTrack: frozenset({"codec"}),
}
"""Facts of a recording in a fixed form; what identifies among them has a check of its own."""
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
    manner: Manner


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


def telling(result: CaseResult) -> tuple[Problem, ...]:
    """Give all that may identify someone and would be shown: metadata and names of the recording,
    and every text that came in, but for fields that no output shows."""
    own = (p for p in result.problems if p.code == "identifying-metadata")
    return (*own, *found_in_words(sifted(result, everything=False)))


def sifted(
    result: CaseResult, *, everything: bool, allowed: Sequence[str] = ()
) -> tuple[Sifted, ...]:
    """Search the texts of a case, each finding of a text once; ``everything`` with those that no
    output is known to show."""
    sieve = Sieve(plain_words_of([label for label, _ in result.procedure.labels()]), allowed)
    seen: set[tuple[str, Manner]] = set()
    for leaf in leaves(result, everything=everything):
        if leaf.text and (leaf.text, leaf.manner) not in seen:
            seen.add((leaf.text, leaf.manner))
            sieve.passes(_in_manner(leaf), leaf.where, listed_only=leaf.manner == "label")
    kept: dict[tuple[str, str], Sifted] = {}
    for one in sieve.found:
        kept.setdefault((one.identifier.text, one.where), one)
    return tuple(kept.values())


def leaves(result: CaseResult, *, everything: bool) -> Iterator[Leaf]:
    """Give every text in a case, whatever field it stands in, also one added tomorrow."""
    yield from _leaves(result, "", everything)
    for problem in result.problems:
        if problem.code not in TOLD:
            for match in _QUOTED.finditer(problem.message):
                yield Leaf(match[1] or match[2], f"problem {problem.code}", "prose")


def _leaves(value: object, where: str, everything: bool, manner: Manner = "label") -> Iterator[Leaf]:
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
            own: Manner = "name" if field.name in _NAMES.get(kind, ()) else "label"
            own = "prose" if field.name in _PROSE.get(kind, ()) else own
            inner = getattr(value, field.name)
            if field.name in ("covariates", "attributes"):
                for name, text in inner:
                    yield Leaf(name, f"name of a {field.name.removesuffix('s')}", "name")
                    yield Leaf(f"{name}: {text}", f"{name}, {place or 'covariate'}", "prose")
                    yield Leaf(text, f"{name}, {place or 'covariate'}", "label")
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


def _in_manner(leaf: Leaf) -> str:
    """Put a name into a sentence, so that a capital at its start counts as one of a name."""
    text = re.sub(r"[_.]+", " ", leaf.text) if leaf.manner != "prose" else leaf.text
    return f"by {text}" if leaf.manner == "name" else text
