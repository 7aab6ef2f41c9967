"""Complications, findings, medication and instruments spoken of as happening in this case."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from vidseg.measure.draft.assertion import Sense, denied
from vidseg.measure.draft.evidence import Telling, sentences
from vidseg.measure.draft.terms import find_mentions, terms_of
from vidseg.model.annotation import Cue
from vidseg.model.procedure import Kind, Procedure, Step

SURE = 0.88
"""Likeness from which a term counts here: an event is rare, so a false one weighs more."""
LAG_NS = 12_000_000_000
"""How long before the words an event lies, where a narration lags (common practice)."""
TOLD = frozenset({Sense.NOW, Sense.BEFORE, Sense.AHEAD})


@dataclass(frozen=True, slots=True)
class DraftEvent:
    """An event as drafted, at ``at`` (ns), from caption ``cue``; ``heard`` are the words."""

    step: Step
    at: int
    confidence: float
    cue: int
    heard: str


def find_events(
    cues: Sequence[Cue], procedure: Procedure, telling: Telling
) -> tuple[DraftEvent, ...]:
    """Find events; ones supposed, asked, denied or of another case are left out.

    An event spoken of again within two minutes is one event, at its first telling.
    """
    spoken = sentences(cues)
    kinds = [step for step in procedure.steps if step.kind is Kind.EVENT]
    # Steps are searched along, so that "no leak test" or "blue dye" is not taken for an event.
    timed = [step for step in procedure.steps if step.timed]
    by_code = {step.code: step for step in kinds}
    found: list[DraftEvent] = []
    for mention in find_mentions([s.words for s in spoken], terms_of([*kinds, *timed])):
        sentence = spoken[mention.cue]
        if mention.likeness < SURE or sentence.reading.sense not in TOLD:
            continue
        if denied(tuple(word.text for word in sentence.words[: mention.first])):
            continue
        late = telling is Telling.LAGGING or sentence.reading.sense is Sense.BEFORE
        at = cues[sentence.cue].span.start - (LAG_NS if late else 0)
        for code, _ in mention.term.steps:
            if code not in by_code:
                continue
            at = max(0, at)
            if any(e.step.code == code and at - e.at < 120_000_000_000 for e in found):
                continue
            found.append(
                DraftEvent(
                    by_code[code], at, round(mention.likeness * 0.9, 2), sentence.cue, mention.heard
                )
            )
    return tuple(found)
