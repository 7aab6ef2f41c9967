"""What a sentence says about *now*: told as it happens, before or after, supposed, asked, denied.

Rules on plain English words (common practice). They damp evidence; they never make it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum


class Sense(StrEnum):
    """How a sentence stands to the moment in which it is spoken."""

    NOW = "now"
    AHEAD = "announced"
    BEFORE = "reported"
    SUPPOSED = "supposed"
    ELSEWHERE = "another case or day"
    ASKED = "asked"
    POSTPONED = "not yet"


WORTH = {
    Sense.NOW: 1.0,
    Sense.AHEAD: 0.9,
    Sense.BEFORE: 0.9,
    Sense.SUPPOSED: 0.4,
    Sense.ELSEWHERE: 0.15,
    Sense.ASKED: 0.3,
    Sense.POSTPONED: 0.2,
}
"""What is left of the evidence of a mention."""

DENIED = 0.3
"""What is left of a term that a denial stands right before."""

_ELSEWHERE = re.compile(
    r"\blast (?:week|month|year|time|case|patient|monday|tuesday|wednesday|thursday|friday|night)\b"
    r"|\byesterday\b|\btomorrow\b|\bprevious (?:case|patient|eye|lady|man|one)\b"
    r"|\b(?:another|different|next) (?:patient|case|lady|man|story)\b|\bthe other day\b"
    r"|\b(?:other|fellow|first) eye\b|\byears? ago\b|\bmonths? ago\b|\bweeks? ago\b|\bused to\b"
    r"|\bin my (?:training|fellowship|residency|first)\b|\bwhen i (?:was|started|learned|learnt)\b"
    r"|\bi (?:once|remember)\b|\bonce (?:i|we|had|it)\b|\bin (?:that|those) (?:case|patient|day)s?"
    r"\b"
    r"|\bearlier (?:case|today|this (?:week|morning))\b|\bthe case before\b|\bbefore lunch\b"
)
_SUPPOSED = re.compile(
    r"\bif\b|\bunless\b|\botherwise\b|\busually\b|\bnormally\b|\bsometimes\b|\boften\b"
    r"|\bgenerally\b|\bin general\b|\bwould\b|\bcould\b|\bmight\b|\bmaybe\b|\bperhaps\b"
    r"|\bsome (?:surgeons?|people|colleagues|doctors|will|do|prefer|like)\b|\bprefer\b"
    r"|\bwhenever\b|\bin case\b|\binstead of\b|\brather than\b|\bcan (?:also )?be\b|\bmany people\b"
    r"|\byou (?:can(?! (?:now |clearly |already )?(?:see|feel))|should|must|may|need|want)\b"
    r"|\bone (?:can|should|must|may)\b|\bwhen you\b"
    r"|\bsome(?:body|one) (?:will|may|can)\b|\bsupposed to\b|\bfor example\b|\balternative"
)
_ASKED = re.compile(
    r"^(?:(?:so|and|but|doctor|sir|madam|okay|sorry|excuse me)[ ,]+)*"
    r"(?:why|what|which|who|whose|where|how (?:do|did|does|long|many|much|come|are|can|would|deep)"
    r"|when (?:do|did|does|would|should|will|can)"
    r"|(?:do|did|does|can|could|would|should|will|have|has|is|are|was|were) (?:you|we|it|i|he|she|"
    r"that|this|there|they))\b"
)
_POSTPONED = re.compile(
    r"\b(?:here|in place|in|there) already\b|\balready (?:here|in place|there)\b"
    r"|\bnot (?:yet|now|today|this time|needed|necessary)\b|\bno need\b"
    r"|\b(?:do|does|did)(?: not|nt) (?:need|want|use|do|like)\b|\blater\b"
    r"|\bat the end (?:i|we) will\b|\bbefore (?:i|we|the|going|you|starting)\b"
    r"|\binstead of\b|\bwithout\b|\bwill not\b|\bwo?nt\b|\bskip|\bavoid"
)
_AHEAD = re.compile(
    r"\b(?:i|we|you|it|they|that)(?: will|ll| shall)\b|\bwill (?:now|be|then|go|do|use|come)\b"
    r"|\bgoing to\b|\bgonna\b|\bnext\b|\bthen comes?\b|\blet (?:us|me)\b|\blets\b|\babout to\b"
    r"|\bplease\b|\bgive me\b|\bready\b|\bprepar|\bload(?:ing|ed)?\b|\bwant to\b|\bwe need\b"
    r"|\bi need\b|\bin a moment\b|\bchange to\b|\bswitch to\b|\bnow for\b|\bonto\b"
    r"|\btime (?:for|to)\b"
    r"|\bafter (?:that|this)\b|\bpass me\b|\bcan i have\b|\bhand me\b|\bget ready\b"
)
_FUTURE = re.compile(
    r"\b(?:i|we|you|it|they|that)(?: will|ll| shall)\b|\bwill (?:now|be|then|go|do|use|come)\b"
    r"|\bgoing to\b|\bgonna\b|\bnext\b|\bthen comes?\b|\babout to\b|\bin a moment\b|\bshall\b"
)
_REGULAR = (
    r"(?!need|speed|indeed|bleed|hundred|feed|seed|bed|red|shed|based|sized|shaped|curved|angled|"
    r"dilated|aged|called|combined|limited|advanced)[a-z]{2,}ed"
)
_BEFORE = re.compile(
    rf"\b(?:was|were|had|did|has been|have been|been)\b|\b(?:have|has|ve) (?:\w+ )?(?:{_REGULAR}|"
    r"done|made|gone|put|taken|seen|given|got|cut|begun|come|placed)\b"
    r"|\b(?:i|we|it|he|she|they|which|that) (?:just |already |also )?(?:went|took|made|saw|"
    rf"began|came|got|gave|broke|spun|tore|did|cut|{_REGULAR})\b|\bago\b"
    r"|\byou (?:have )?(?:just )?saw\b"
    r"|\b(?:is|are) (?:now )?(?:done|finished|complete|completed|over)\b|\bthats done\b"
    r"|\bdone with\b"
    rf"|^{_REGULAR}\b"
)
_PAST = re.compile(
    rf"\b(?:was|were|had)\b|\b(?:have|has|ve) (?:\w+ )?(?:{_REGULAR}|done|made|gone|put|taken|seen|"
    r"begun)\b|\b(?:i|we|it|they|loop|haptic|which) (?:\w+ )?(?:went|took|made|saw|began|came|got|"
    rf"gave|tore|{_REGULAR})\b|\bago\b"
)
_DENIAL = frozenset(
    {
        "no",
        "not",
        "never",
        "without",
        "dont",
        "doesnt",
        "didnt",
        "isnt",
        "arent",
        "wasnt",
        "cannot",
        "cant",
        "nothing",
    }
)


@dataclass(frozen=True, slots=True)
class ClauseSense:
    """A clause read: its sense, and whether its tense is plainly past or future."""

    sense: Sense
    past: bool
    future: bool


def plainly(text: str) -> str:
    """Give a text in small letters, without apostrophes and punctuation."""
    return " ".join(
        re.sub(r"[^a-z0-9 ]+", " ", text.lower().replace("'", "").replace("’", "")).split()
    )


def read_clause(text: str, asked: bool = False) -> ClauseSense:
    """Read one clause or sentence; ``asked``: it ends in a question mark."""
    plain = plainly(text)
    past, future = bool(_PAST.search(plain)), bool(_FUTURE.search(plain))
    if asked or _ASKED.search(plain):
        sense = Sense.ASKED
    elif _ELSEWHERE.search(plain):
        sense = Sense.ELSEWHERE
    elif _SUPPOSED.search(plain):
        sense = Sense.SUPPOSED
    elif _POSTPONED.search(plain):
        sense = Sense.POSTPONED
    elif _BEFORE.search(plain):
        sense = Sense.BEFORE
    elif _AHEAD.search(plain):
        sense = Sense.AHEAD
    else:
        sense = Sense.NOW
    return ClauseSense(sense, past, future)


STORY = 8
"""Sentences after which a story of another case is taken to be over (our choice)."""

_BACK_HERE = re.compile(
    r"\b(?:now|here|today|tonight|as you (?:can )?see|this (?:one|eye|case|patient|lady|gentleman|"
    r"man|woman|time|lens|capsule|gallbladder)|back to|anyway|so far|please|look|watch|okay)\b"
    r"|\b(?:i am|im|we are|were going|i have|ive|lets|let us|i will|ill|we will)\b"
)
_STORY_GOES_ON = re.compile(
    r"^(?:(?:and|but|so|then|because|which|well) )*(?:he|she|they|it|that|there|his|her|the)\b"
)


def read_in_turn(texts: Sequence[str], asked: Sequence[bool]) -> list[ClauseSense]:
    """Read sentences in order: a story of another case lasts until the speaker comes back.

    After a sentence of another case or day, sentences in the past tense, or that go on with its
    persons, belong to the story, unless a word says *here* or *now*.
    """
    found: list[ClauseSense] = []
    left = 0
    for text, question in zip(texts, asked, strict=True):
        reading = read_clause(text, question)
        plain = plainly(text)
        if reading.sense is Sense.ELSEWHERE:
            left = STORY
        elif (
            left
            and not _BACK_HERE.search(plain)
            and (reading.past or reading.sense is Sense.BEFORE or _STORY_GOES_ON.search(plain))
        ):
            left -= 1
            reading = replace(reading, sense=Sense.ELSEWHERE)
        else:
            left = 0
        found.append(reading)
    return found


def denied(before: tuple[str, ...]) -> bool:
    """Say whether a denial stands among the three words right before a term."""
    return any(word in _DENIAL for word in before[-3:])
