"""From words to evidence over time: which step each second speaks for, and how strongly.

Evidence is in nats: it is added up along a step and weighed against lengths and order.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from vidseg.measure.draft.assertion import (
    DENIED,
    WORTH,
    ClauseSense,
    Sense,
    denied,
    read_clause,
    read_in_turn,
)
from vidseg.measure.draft.hearing import Word, words
from vidseg.measure.draft.sayings import Sayings
from vidseg.measure.draft.settings import DraftWeights
from vidseg.measure.draft.terms import Mention, find_mentions, terms_of
from vidseg.measure.draft.utterances import Utterance
from vidseg.model.annotation import Cue
from vidseg.model.procedure import Step

_SENTENCE = re.compile(r"(?<=[.!?;])\s+|,\s+(?=(?:and then|because|otherwise|if|but|so that)\b)")

_RESUMED = re.compile(r"\b(?:again|back (?:to|in|with)|more|rest of|remaining|once more|resume)\b")


class Telling(StrEnum):
    """How a whole narration stands to the operation."""

    LIVE = "as it happens"
    LAGGING = "after it happened"
    LEADING = "before it happens"


@dataclass(frozen=True, slots=True)
class Clue:
    """What a sentence says for one step: ``weight`` nats, told in ``sense``; ``why`` in words.

    ``cue`` is the number of the utterance; in a finished draft, of the caption it begins in.
    ``heard``: by a term; ``own``: by the vocabulary's own terms or sayings.
    """

    cue: int
    step: str
    weight: float
    sense: Sense
    why: str
    heard: bool
    own: bool = True


@dataclass(frozen=True, slots=True)
class Sentence:
    """A sentence of a cue, as text, as words, and read for its sense."""

    cue: int
    text: str
    words: tuple[Word, ...]
    reading: ClauseSense


def sentences(cues: Sequence[Cue]) -> tuple[Sentence, ...]:
    """Split cues into sentences, each read for its sense."""
    found: list[Sentence] = []
    for number, cue in enumerate(cues):
        plain = " ".join(re.sub(r"<[^>]*>", " ", cue.text).split())
        for text in _SENTENCE.split(plain):
            spoken = words(text)
            if spoken:
                asked = text.rstrip().endswith("?")
                found.append(Sentence(number, text, spoken, read_clause(text, asked)))
    return tuple(found)


def as_sentences(spoken: Sequence[Utterance]) -> tuple[Sentence, ...]:
    """Read utterances, one sentence each; a story of another case goes on over several."""
    asked = [utterance.text.rstrip().endswith("?") for utterance in spoken]
    texts = [utterance.text for utterance in spoken]
    readings = read_in_turn(texts, asked)
    return tuple(
        Sentence(number, text, words(text), reading)
        for number, (text, reading) in enumerate(zip(texts, readings, strict=True))
    )


Heard = Mapping[str, tuple[float, list[str]]]
"""By code of a step: the weight of its terms in a sentence, and what was taken for them."""


def hear(spoken: Sequence[Sentence], steps: Sequence[Step]) -> list[Heard]:
    """Find the terms of steps in each sentence."""
    by_sentence: dict[int, list[Mention]] = {}
    for mention in find_mentions([sentence.words for sentence in spoken], terms_of(steps)):
        by_sentence.setdefault(mention.cue, []).append(mention)
    return [_heard(one, by_sentence.get(number, ())) for number, one in enumerate(spoken)]


def gather(
    spoken: Sequence[Sentence],
    heard: Sequence[Heard],
    steps: Sequence[Step],
    settings: DraftWeights,
    sayings: Sayings,
) -> tuple[tuple[Clue, ...], Telling]:
    """Collect the clues of a narration for the steps, and how the narration is told."""
    likely = sayings.likelihood([sentence.text for sentence in spoken])
    clues: list[Clue] = []
    for number, (sentence, found) in enumerate(zip(spoken, heard, strict=True)):
        worth = WORTH[sentence.reading.sense]
        if _RESUMED.search(sentence.text.lower()):
            worth *= settings.resumed
        crowd = settings.crowd if len(found) > 3 else 1.0
        total: dict[str, float] = {}
        reasons: dict[str, list[str]] = {}
        for code, (weight, whys) in found.items():
            total[code] = min(settings.cap, weight) * crowd
            reasons[code] = list(whys)
        for place, step in enumerate(steps):
            extra = settings.saying * max(0.0, float(likely[number, place]) - settings.saying_floor)
            if extra > 0:
                weight = total.get(step.code, 0.0)
                total[step.code] = weight + extra * max(0.25, 1 - weight / settings.cap)
                reasons.setdefault(step.code, []).append(f"like sayings of {step.name}")
        for code, weight in total.items():
            if weight * worth >= 0.08:
                clues.append(
                    Clue(
                        sentence.cue,
                        code,
                        weight * worth,
                        sentence.reading.sense,
                        "; ".join(reasons[code]),
                        code in found,
                    )
                )
    return tuple(clues), telling_of(spoken, clues)


def _heard(sentence: Sentence, mentions: Sequence[Mention]) -> Heard:
    found: dict[str, tuple[float, list[str]]] = {}
    for mention in mentions:
        before = tuple(word.text for word in sentence.words[: mention.first])
        factor = DENIED if denied(before) else 1.0
        for code, weight in mention.term.steps:
            sure = 0.35 + 0.65 * max(0.0, (mention.likeness - 0.72) / 0.28)
            old, whys = found.get(code, (0.0, []))
            why = f"“{mention.heard}” ≈ {mention.term.shown} ({100 * mention.likeness:.0f} %)"
            found[code] = (old + weight * sure * factor, [*whys, why])
    return found


def telling_of(spoken: Sequence[Sentence], clues: Sequence[Clue]) -> Telling:
    """Tell how the narration runs, from the tenses of the sentences that speak of steps."""
    weight: dict[int, float] = {}
    for clue in clues:
        if clue.heard:
            weight[clue.cue] = max(weight.get(clue.cue, 0.0), min(2.0, clue.weight))
    past = {sentence.cue for sentence in spoken if sentence.reading.past}
    future = {sentence.cue for sentence in spoken if sentence.reading.future}
    total = sum(weight.values())
    if total <= 0:
        return Telling.LIVE
    in_past = sum(value for cue, value in weight.items() if cue in past) / total
    in_future = sum(value for cue, value in weight.items() if cue in future) / total
    if in_past >= 0.5:
        return Telling.LAGGING
    return Telling.LEADING if in_future >= 0.4 else Telling.LIVE


def reach(
    sense: Sense, telling: Telling, usual_s: float, settings: DraftWeights
) -> tuple[str, float, str, float]:
    """Say where a clue points: from (cue edge, seconds) to (cue edge, seconds).

    A report comes when the step is over, so it points back over the step's usual length.
    """
    if telling is Telling.LAGGING and sense is not Sense.AHEAD:
        back = settings.lag_to + max(settings.lag_from, settings.lag_length * usual_s)
        return ("start", -back, "start", -settings.lag_to)
    if telling is Telling.LEADING and sense in (Sense.AHEAD, Sense.SUPPOSED):
        return ("end", settings.lead_from, "end", settings.lead_to)
    if sense is Sense.AHEAD:
        return ("start", settings.ahead_from, "end", settings.ahead_to)
    if sense is Sense.BEFORE:
        return ("start", -settings.before_from, "end", settings.before_to)
    return ("start", -settings.now_from, "end", settings.now_to)


def spread(
    clues: Sequence[Clue],
    telling: Telling,
    spoken: Sequence[Utterance],
    usual_s: Mapping[str, float],
    cells: int,
    cell_s: float,
    settings: DraftWeights,
) -> NDArray[np.float64]:
    """Lay the clues out over time: evidence (steps, cells), nats a cell.

    Where few sentences speak of steps, each counts for more.
    """
    out = np.zeros((len(usual_s), cells))
    place = {code: row for row, code in enumerate(usual_s)}
    bearing = len({clue.cue for clue in clues if clue.heard})
    gain = float(np.clip(settings.gain_cues / max(1, bearing), 1.0, settings.gain_most))
    for clue in clues:
        left, right = clue_reach(clue, telling, spoken, usual_s[clue.step], settings)
        first = int(np.clip(np.floor(left / cell_s), 0, cells - 1))
        last = int(np.clip(np.ceil(right / cell_s), first + 1, cells))
        out[place[clue.step], first:last] += clue.weight * gain / (last - first)
    return out


def clue_reach(
    clue: Clue,
    telling: Telling,
    spoken: Sequence[Utterance],
    usual_s: float,
    settings: DraftWeights,
) -> tuple[float, float]:
    """Give the seconds from and to which a clue points."""
    said = spoken[clue.cue]
    edges = {"start": said.start_s, "end": said.end_s}
    a, plus, b, minus = reach(clue.sense, telling, usual_s, settings)
    return edges[a] + plus, max(edges[a] + plus + 1, edges[b] + minus)
