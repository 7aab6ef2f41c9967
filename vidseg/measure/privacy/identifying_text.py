"""What of a case would stand on its page and in its tables, and may identify someone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import PurePath

from vidseg.measure.privacy.identifiers import words_of
from vidseg.measure.privacy.sifting import Sieve, Sifted
from vidseg.model.case import CaseResult
from vidseg.model.clock import format_time
from vidseg.model.problem import Problem


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
    """Give all that may identify someone: metadata and file names of the recording, names given
    to the case and its people, notes, captions, covariates, extra columns."""
    known = words_of([label for label, _ in result.procedure.labels()])
    sieve = Sieve(known)
    for text, where in _texts(result):
        sieve.passes(text, where)
    own = (p for p in result.problems if p.code == "identifying-metadata")
    return (*own, *found_in_words(sieve.found))


def _texts(result: CaseResult) -> Iterator[tuple[str, str]]:
    case, marks = result.case, result.annotation
    for where, name in (
        ("id of the case", case.id),
        ("surgeon", case.surgeon),
        ("role", case.role),
        ("annotator", marks.annotator),
        ("name of the vocabulary", result.procedure.name),
    ):
        yield _named(name), where
    for path in (*case.recordings, case.annotation, case.captions):
        if path is not None:
            yield _named(PurePath(path).stem), f"name of the file {path.name}"
    for name, value in case.covariates:
        yield f"{_named(name)}: {value}", f"covariate {name}"
    for row in (*marks.segments, *marks.excluded):
        yield row.note, f"note at {format_time(row.span.start)}"
        for name, value in row.attributes:
            yield f"{name}: {value}", f"column {name} at {format_time(row.span.start)}"
    for event in marks.events:
        yield event.note, f"note at {format_time(event.at)}"
        for name, value in event.attributes:
            yield f"{name}: {value}", f"column {name} at {format_time(event.at)}"
    for cue in result.captions.cues if result.captions else ():
        yield cue.text, f"caption at {format_time(cue.span.start)}"


def _named(name: str) -> str:
    """Put a name into a sentence, so that a capital at its start counts as one of a name."""
    return f"by {re.sub(r'[_.]+', ' ', name)}" if name else ""
