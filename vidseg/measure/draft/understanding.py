"""A narration understood: what each sentence speaks of, by terms and by what many speakers say."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from vidseg.measure.draft.evidence import (
    Clue,
    Sentence,
    Telling,
    as_sentences,
    gather,
    hear,
    spread,
)
from vidseg.measure.draft.reader import (
    TERM,
    Array,
    Learned,
    log_running,
    log_share,
    read,
    shares,
    voice,
    when,
)
from vidseg.measure.draft.sayings import sayings_of
from vidseg.measure.draft.settings import DraftWeights
from vidseg.measure.draft.utterances import Utterance
from vidseg.model.procedure import Step

PLAINLY = 0.3
"""Likelihood from which a sentence counts as speaking of a step, though no term was heard."""


@dataclass(frozen=True)
class Understood:
    """``likely`` (utterances, steps + 1): what each speaks of, talk last; ``running`` (cells,
    steps + 1): log probability of what is done, no step last; ``share`` of each step; clues."""

    likely: Array
    running: Array
    share: Array
    clues: tuple[Clue, ...]
    telling: Telling

    def spread_out(
        self,
        spoken: Sequence[Utterance],
        lengths: Mapping[str, float],
        cell_s: float,
        settings: DraftWeights,
    ) -> Array:
        """Lay the clues from terms and sayings out over time: (steps, cells), nats a cell."""
        own = [clue for clue in self.clues if clue.own]
        cells = len(self.running)
        return spread(own, self.telling, spoken, lengths, cells, cell_s, settings)


def understand(
    spoken: Sequence[Utterance],
    steps: Sequence[Step],
    course: Sequence[str],
    usual_s: Mapping[str, float],
    end_s: float,
    cell_s: float,
    settings: DraftWeights,
    weights: Learned,
) -> Understood:
    """Understand a narration of ``end_s`` seconds; ``usual_s`` are lengths of visits by code."""
    sentences = as_sentences(spoken)
    heard = hear(sentences, steps)
    sayings = sayings_of(tuple(steps))
    clues, telling = gather(sentences, heard, steps, settings, sayings)
    texts = [one.text for one in spoken]
    if weights.knows(steps):
        scores = read(texts, steps, weights)
    else:
        scores = np.log(np.maximum(sayings.likelihood(texts), 1e-6))
    likely = np.exp(log_share(scores + TERM * terms_heard(heard, steps, settings)))
    voices = [voice(sentence.reading) for sentence in sentences]
    cells = max(1, math.ceil(end_s / cell_s))
    share = shares(usual_s, course)
    laid = when(spoken, voices, likely[:, :-1], cells, cell_s)
    told = (*clues, *_told(likely, clues, sentences, steps))
    return Understood(likely, log_running(laid, share, weights), share, told, telling)


def terms_heard(
    heard: Sequence[Mapping[str, tuple[float, list[str]]]],
    steps: Sequence[Step],
    settings: DraftWeights,
) -> Array:
    """Give the capped weight of the terms of each step in each sentence; talk, last, has none."""
    out = np.zeros((len(heard), len(steps) + 1))
    for number, found in enumerate(heard):
        for place, step in enumerate(steps):
            if step.code in found:
                out[number, place] = min(settings.cap, found[step.code][0])
    return out


def _told(
    likely: Array, clues: Sequence[Clue], sentences: Sequence[Sentence], steps: Sequence[Step]
) -> list[Clue]:
    """Make clues of what the learned reader alone understood."""
    known = {(clue.cue, clue.step) for clue in clues}
    return [
        Clue(
            int(number),
            steps[place].code,
            float(likely[number, place]),
            sentences[number].reading.sense,
            f"as others speak of {steps[place].name} ({100 * likely[number, place]:.0f} %)",
            heard=False,
            own=False,
        )
        for number, place in np.argwhere(likely[:, :-1] >= PLAINLY)
        if (int(number), steps[place].code) not in known
    ]
