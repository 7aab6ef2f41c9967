"""The words of a case on their way into the copy: notes, captions, covariates, vocabulary."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from vidseg.formats.vocabulary import builtin_codes, load_procedure
from vidseg.measure.case.captions import cut_captions
from vidseg.measure.privacy.identifiers import plain_words_of
from vidseg.measure.privacy.k_anonymity import Group, coarse, group_sizes
from vidseg.measure.privacy.sifting import Sieve, Sifted, folded, without_words
from vidseg.media.redact.redact_plan import Redaction
from vidseg.model.annotation import Annotation
from vidseg.model.case import CaseResult
from vidseg.model.problem import UsageError
from vidseg.model.procedure import Procedure
from vidseg.model.recording import Captions
from vidseg.model.span import Kept, Spans
from vidseg.sharing.options import ShareOptions

INTERVAL = "days_since_start"
"""Covariate that tells the date of the operation as days since a date that is kept back."""


@dataclass
class SharedWords:
    """What of the words goes into the copy. ``captions`` are on the copy's clock.

    ``gone`` and ``allowed`` count findings by letter, those in the recording's metadata among
    ``gone``; ``let_stay`` are the texts allowed, folded; ``done`` are sentences.
    """

    annotation: Annotation
    captions: Captions | None = None
    surgeon: str = ""
    role: str = ""
    covariates: tuple[tuple[str, str], ...] = ()
    groups: tuple[Group, ...] = ()
    found: tuple[Sifted, ...] = ()
    gone: Counter[str] = field(default_factory=Counter)
    allowed: Counter[str] = field(default_factory=Counter)
    let_stay: set[str] = field(default_factory=set)
    done: list[str] = field(default_factory=list)


def sift(
    result: CaseResult, options: ShareOptions, redaction: Redaction, kept: Kept
) -> SharedWords:
    """Decide on every word. Raises UsageError for a covariate that is not there, for a date that
    gives no interval, and for a vocabulary with names that may identify someone."""
    named = _sifted_vocabulary(result.procedure, options)
    sieve = Sieve(
        plain_words_of([label for label, _ in result.procedure.labels()]), options.allowed
    )
    words = SharedWords(without_words(result.annotation))
    sifted = sieve.notes(result.annotation)
    if options.keep_notes:
        words.annotation = replace(sifted, annotator="", source="")
        words.done.append("Notes kept where nothing in them was found; extra columns left out.")
    else:
        words.done.append("Notes, extra columns and the annotator's name left out.")
    if result.captions is not None:
        _captions(result.captions, sieve, options, redaction, kept, words)
    _people(result, sieve, options, words)
    _covariates(result, sieve, options, words)
    words.found = _marked_as_kept(sieve.found, options)
    for one in words.found:
        (words.allowed if one.allowed else words.gone)[one.identifier.letter] += 1
    words.let_stay |= {folded(o.identifier.text) for o in (*words.found, *named) if o.allowed}
    for problem in result.problems:
        if problem.code == "identifying-metadata":
            letter = re.search(r"\(([A-R])[,)]", problem.message)
            words.gone[letter[1] if letter else "H"] += 1
    return words


def _marked_as_kept(found: list[Sifted], options: ShareOptions) -> tuple[Sifted, ...]:
    """Give the findings; what is not kept at all is gone, allowed or not."""
    kept = {"note": options.keep_notes, "caption": options.keep_captions}
    return tuple(
        replace(one, allowed=one.allowed and kept.get(one.where.split()[0], True)) for one in found
    )


def _captions(
    spoken: Captions,
    sieve: Sieve,
    options: ShareOptions,
    redaction: Redaction,
    kept: Kept,
    words: SharedWords,
) -> None:
    sifted = sieve.captions(spoken)
    if not options.keep_captions:
        words.done.append("Captions left out.")
        return
    hidden = redaction.silent | redaction.removed
    heard = tuple(cue for cue in sifted.cues if not Spans([cue.span]) & hidden)
    words.done.append(f"Captions kept: {len(heard)} of {len(spoken.cues)}.")
    words.captions = cut_captions(replace(sifted, cues=heard), [span for span, _ in kept])


def _people(result: CaseResult, sieve: Sieve, options: ShareOptions, words: SharedWords) -> None:
    """Keep the role, and the surgeon's pseudonym where asked, unless they sound like a name."""
    case = result.case
    if case.role and sieve.passes(f"by {case.role}", "role"):
        words.role = case.role
    if case.surgeon and options.keep_surgeon and sieve.passes(f"by {case.surgeon}", "surgeon"):
        words.surgeon = case.surgeon
    if case.surgeon and not words.surgeon:
        words.done.append("The surgeon's pseudonym left out.")


def _covariates(
    result: CaseResult, sieve: Sieve, options: ShareOptions, words: SharedWords
) -> None:
    told = dict(result.case.covariates)
    unknown = [name for name in (*options.coarsen, *options.left_out) if name not in told]
    if unknown:
        has = ", ".join(told) or "none"
        raise UsageError(f"no covariate {', '.join(map(repr, unknown))}; this case has: {has}")
    if options.since is not None and "date" not in told:
        raise UsageError("--since needs the day of the operation, as a covariate `date`")
    kept: dict[str, str] = {}
    for name, value in told.items():
        if name in options.left_out:
            words.done.append(f"Covariate {name} left out.")
        elif name == "date":
            words.gone["C"] += 1
            if options.since is None:
                words.done.append("The date of the operation left out.")
            else:
                kept[INTERVAL] = str(_days(value, options.since))
                words.done.append("The date told as days since a date that is kept back.")
        elif _passes(sieve, name, value):
            kept[name] = coarse(name, value, options.coarsen.get(name))
            if kept[name] != value:
                words.done.append(f"Covariate {name} told as a range.")
    words.covariates = tuple(kept.items())
    if options.others is not None:

        def alike(row: Mapping[str, str]) -> dict[str, str]:
            return {name: coarse(name, v, options.coarsen.get(name)) for name, v in row.items()}

        role = {"role": words.role} if words.role else {}
        own = role | {name: value for name, value in kept.items() if name != INTERVAL}
        if not own:
            raise UsageError("--library counts cases that share what is told, and nothing is told")
        words.groups = group_sizes(own, [alike(row) for row in options.others])


def _passes(sieve: Sieve, name: str, value: str) -> bool:
    in_value = sieve.passes(value, f"covariate {name}")
    return sieve.passes(name.replace("_", " "), "name of a covariate") and in_value


def _days(value: str, since: date) -> int:
    try:
        return (date.fromisoformat(value) - since).days
    except ValueError:
        raise UsageError(
            f"--since needs the day of the operation; the case has {value!r}"
        ) from None


def own_vocabulary(procedure: Procedure) -> bool:
    """Say whether a vocabulary is none of the built-in ones, so that it has to go along."""
    return procedure.code not in builtin_codes() or load_procedure(procedure.code) != procedure


def _sifted_vocabulary(procedure: Procedure, options: ShareOptions) -> list[Sifted]:
    """Give what is found in the names of a vocabulary that goes along, all of it allowed.

    Names are written with capitals, so that only listed names and titles tell.
    """
    if not own_vocabulary(procedure):
        return []
    sieve = Sieve((), options.allowed)
    told = [procedure.code, procedure.name, procedure.version]
    told += [text for s in procedure.steps for text in (s.code, s.name, s.category or "")]
    for text in dict.fromkeys(told):
        spaced = text.replace("_", " ")
        for written in dict.fromkeys((text, spaced.title() if text.islower() else spaced)):
            sieve.passes(written, "vocabulary", "label")
    telling = [one.identifier.text for one in sieve.found if not one.allowed]
    if telling:
        found = ", ".join(f'"{text}"' for text in dict.fromkeys(telling))
        raise UsageError(
            f"names in the vocabulary may identify someone: {found}; rename them, or let each "
            "stay with --allow TEXT"
        )
    return sieve.found
