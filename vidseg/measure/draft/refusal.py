"""When captions hold nothing to draft from, and what to beware of where they do."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, pairwise

from vidseg.measure.draft.evidence import Clue
from vidseg.measure.draft.utterances import Utterance
from vidseg.model.plain_words import LITTLE, ORDINARY
from vidseg.model.procedure import Procedure

HEARD = 1.2
"""Nats from which a step counts as spoken of."""
IN_ORDER = 0.7
"""Share of pairs of clues in the course's order below which a warning is given (half: chance)."""
ENGLISH = 0.15
"""Share of plain English words below which long captions are taken for another language."""
LONG = 15
"""Words from which the language is judged."""
FEW = 0.5
"""Share of the usual steps below which their number is a warning."""
SURELY = 3
"""Steps heard from which no other language is suspected: terse captions have few plain words."""


def spoken_of(clues: Sequence[Clue]) -> frozenset[str]:
    """Give the codes of the steps that were spoken of by their terms."""
    return frozenset(clue.step for clue in clues if clue.heard and clue.weight >= HEARD)


def refuse(clues: Sequence[Clue], spoken: Sequence[Utterance], code: str) -> str:
    """Say why these captions hold nothing to work with; "" where they hold something."""
    told = spoken_of(clues)
    if not told:
        return f"nothing recognised: no step of {code} is named in {len(spoken)} sentences"
    words = [word.strip(".,;:!?").lower() for said in spoken for word in said.text.split()]
    plain = sum(word in LITTLE or word in ORDINARY for word in words)
    if len(words) >= LONG and plain < ENGLISH * len(words) and len(told) < SURELY:
        return "nothing recognised: the captions do not seem to be English"
    return ""


def warnings(
    clues: Sequence[Clue],
    spoken: Sequence[Utterance],
    procedure: Procedure,
    course: Sequence[str],
    drafted: Sequence[tuple[str, bool]],
) -> tuple[str, ...]:
    """Say what to beware of, once for the whole draft.

    ``drafted`` are the rows' codes in order of time, with whether the step was spoken of.
    """
    steps = set(course)
    told = {code for code, spoken_of in drafted if spoken_of and code in steps}
    found = []
    if len(told) < FEW * len(steps):
        found.append(f"only {len(told)} of {len(steps)} usual steps are spoken of")
    share = in_order(clues, course, spoken)
    back = [
        f"{procedure.step(b).name} after {procedure.step(a).name}"
        for a, b in pairwise([code for code, _ in drafted])
        if course.count(a) == course.count(b) == 1 and course.index(b) < course.index(a)
    ]
    if back or (share is not None and share < IN_ORDER):
        where = ": " + ", ".join(dict.fromkeys(back)) if back else ""
        found.append(f"out of the usual order in places{where}")
    return tuple(found)


def in_order(
    clues: Sequence[Clue], course: Sequence[str], spoken: Sequence[Utterance]
) -> float | None:
    """Give the share, by weight, of pairs of strong clues that stand in the course's order.

    Only the heaviest clue of each sentence counts, and steps that the course holds once. None
    where there are fewer than twenty pairs.
    """
    place = {code: course.index(code) for code in course if course.count(code) == 1}
    best: dict[int, Clue] = {}
    for clue in clues:
        if clue.heard and clue.weight >= HEARD and clue.step in place:
            held = best.get(clue.cue)
            if held is None or clue.weight > held.weight:
                best[clue.cue] = clue
    told = [best[cue] for cue in sorted(best, key=lambda cue: spoken[cue].start_s)]
    pairs = [(a, b) for a, b in combinations(told, 2) if a.step != b.step]
    if len(pairs) < 20:
        return None
    total = sum(min(a.weight, b.weight) for a, b in pairs)
    right = sum(min(a.weight, b.weight) for a, b in pairs if place[a.step] < place[b.step])
    return right / total
