"""Complications, findings, medication and instruments spoken of as happening in this case."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rapidfuzz import fuzz

from vidseg.measure.draft.assertion import Sense, plainly
from vidseg.measure.draft.evidence import Sentence, Telling, as_sentences
from vidseg.measure.draft.happened import affirmed, happened
from vidseg.measure.draft.hearing import consonants, sounding
from vidseg.measure.draft.terms import Mention, find_mentions, terms_of
from vidseg.measure.draft.utterances import Utterance
from vidseg.model.clock import NS
from vidseg.model.plain_words import LITTLE
from vidseg.model.procedure import Kind, Procedure, Step, fold

COMPLICATION = "complication"
LIMIT = 0.65
"""Confidence from which an event is a row; below, it is a suggestion (our choice)."""
WORD = 80
"""Likeness, in percent, of each telling word of a complication's term to a word heard."""
SURE = 0.86
"""Likeness from which a term of an event counts, drugs' names aside: events are rare."""
DRUG_LETTERS = 6
"""Consonants from which a drug's name resembles no ordinary words, in however many it is heard."""
DRUG_LIKE = ((82, 70), (90, 60))
"""Likeness, in percent, of consonants and of sound from which such a name counts as heard."""
DRUG_WORDS = 5
DRUG_SURE = 0.75
"""Confidence in a drug's name heard in pieces (our choice)."""
MEDICATION = "medication"
LAG_S = 12.0
"""How long before the words an event lies where they tell it afterwards (common practice)."""
AGAIN_S = 240.0
"""Time within which an event spoken of again is the same one (our choice)."""
ANNOUNCED = 0.8
"""What is left of the confidence in a deed that is only announced."""


@dataclass(frozen=True, slots=True)
class DraftEvent:
    """An event as drafted, at ``at`` (ns), from caption ``cue``; ``heard`` are the words."""

    step: Step
    at: int
    confidence: float
    cue: int
    heard: str


def find_events(
    spoken: Sequence[Utterance], procedure: Procedure, telling: Telling
) -> tuple[tuple[DraftEvent, ...], tuple[DraftEvent, ...]]:
    """Find events that the words say happened here: those to draft, and weaker ones to suggest.

    See ``happened`` for the rule. A complication that is only announced or supposed is not one;
    medicine and instruments that are asked for count as used. ``cue`` is the utterance's number.
    """
    sentences = as_sentences(spoken)
    kinds = [step for step in procedure.steps if step.kind is Kind.EVENT]
    # Steps are searched along, so that "no leak test" or "blue dye" is not taken for an event.
    timed = [step for step in procedure.steps if step.timed]
    by_code = {step.code: step for step in kinds}
    found: list[DraftEvent] = []
    for mention in find_mentions([s.words for s in sentences], terms_of([*kinds, *timed])):
        sentence = sentences[mention.cue]
        for code, _ in mention.term.steps:
            if code in by_code:
                sure = _confidence(mention, sentence, by_code[code])
                if sure > 0:
                    late = telling is Telling.LAGGING or sentence.reading.sense is Sense.BEFORE
                    at = max(0.0, spoken[mention.cue].start_s - (LAG_S if late else 0.0))
                    found.append(
                        DraftEvent(by_code[code], round(at * NS), sure, mention.cue, mention.heard)
                    )
    for number, sentence in enumerate(sentences):
        for step, first, last in _drugs(sentence, kinds):
            words = [word.text for word in sentence.words]
            if happened(words[:first], words[last:], plainly(sentence.text), sentence.reading):
                at = round(spoken[number].start_s * NS)
                heard = " ".join(words[first:last])
                found.append(DraftEvent(step, at, DRUG_SURE, number, heard))
    found.sort(key=lambda event: (event.at, -event.confidence))
    return _once([e for e in found if e.confidence >= LIMIT], ()), _once(
        [e for e in found if e.confidence < LIMIT],
        [e for e in found if e.confidence >= LIMIT],
    )


def _confidence(mention: Mention, sentence: Sentence, step: Step) -> float:
    """Give how sure the words are; 0 where they do not say that it happened."""
    words = [word.text for word in sentence.words]
    reading = sentence.reading
    inside = [w for w in words[mention.first : mention.last + 1] if w not in mention.term.text]
    if not happened(
        [*words[: mention.first], *inside],
        words[mention.last + 1 :],
        plainly(sentence.text),
        reading,
    ):
        return 0.0
    sure = max(0.0, min(0.95, 1 - 1.6 * (1 - mention.likeness)))
    heard = words[mention.first : mention.last + 1]
    if mention.likeness < SURE or not each_word_heard(heard, mention.term.shown):
        return 0.0
    bare = " " not in mention.term.shown and len(consonants(mention.term.text)) < DRUG_LETTERS
    if bare and not affirmed(words[: mention.first]):
        return 0.0
    if step.category == COMPLICATION:
        if reading.sense not in (Sense.NOW, Sense.BEFORE):
            return 0.0
    elif reading.sense in (Sense.SUPPOSED, Sense.POSTPONED):
        return 0.0
    elif reading.sense is Sense.AHEAD:
        sure *= ANNOUNCED
    return round(sure, 2)


def _drugs(sentence: Sentence, kinds: Sequence[Step]) -> Iterator[tuple[Step, int, int]]:
    """Find drugs' names that a recogniser broke into pieces: step, first word, word after."""
    names = [
        (step, fold(label))
        for step in kinds
        if step.category == MEDICATION
        for label in (*step.aliases, *step.spoken)
        if " " not in label and len(consonants(fold(label))) >= DRUG_LETTERS
    ]
    words = [word.text for word in sentence.words]
    pieces = [
        (first, last, "".join(words[first:last]))
        for first in range(len(words))
        for last in range(first + 1, min(len(words), first + DRUG_WORDS) + 1)
    ]
    for step, name in names:
        key = consonants(name)
        best = (0.0, 0, 0)
        for first, last, text in pieces:
            heard = consonants(text)
            if heard[:1] != key[:1] or abs(len(heard) - len(key)) > 2:
                continue
            alike = fuzz.ratio(heard, key), fuzz.ratio(sounding(text), sounding(name))
            if any(alike[0] >= a and alike[1] >= b for a, b in DRUG_LIKE):
                best = max(best, (sum(alike), first, last))
        if best[0]:
            yield step, best[1], best[2]


def each_word_heard(heard: Sequence[str], shown: str) -> bool:
    """Say whether each telling word of a term is a word heard, or two joined, of its own.

    Whole words only: *tear* is not heard inside *posterior*, nor in *clear*.
    """
    candidates = [*heard, *("".join(heard[i : i + n]) for n in (2, 3) for i in range(len(heard)))]
    for word in map(fold, shown.split()):
        if word in LITTLE:
            continue
        limit = 100 if len(word) <= 4 else WORD
        if not any(
            fuzz.ratio(word, other) >= limit
            or sounding(word) == sounding(other)
            or (len(word) > 4 and fuzz.ratio(sounding(word), sounding(other)) >= limit)
            for other in candidates
        ):
            return False
    return True


def _once(events: Sequence[DraftEvent], known: Sequence[DraftEvent]) -> tuple[DraftEvent, ...]:
    """Leave out events told again; what is no complication is one event in a case."""
    kept: list[DraftEvent] = []
    for event in events:
        again = AGAIN_S * NS if event.step.category == COMPLICATION else None
        if not any(
            other.step.code == event.step.code
            and (again is None or abs(event.at - other.at) < again)
            for other in (*kept, *known)
        ):
            kept.append(event)
    return tuple(kept)
