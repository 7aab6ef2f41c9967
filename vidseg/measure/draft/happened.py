"""Whether words say that something happened: to this patient, now, and not only in thought.

A term is looked at with the words around it, as NegEx does (Chapman et al., J Biomed Inform
2001;34:301-310: trigger words before and after a term, a scope of about six words, words that end
the scope) and ConText (Harkema et al., J Biomed Inform 2009;42:839-851: also whether it is
hypothetical, of another time, or of somebody else). Both citations from memory; the trigger words
are ours, for speech in a theatre.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from vidseg.measure.draft.assertion import ClauseSense, Sense

SCOPE = 6
"""Words before and after a term that a trigger reaches over (NegEx)."""

_ENDS_SCOPE = re.compile(r"^(?:but|however|although|though|except|apart|and|so|because|then)$")
_DENIED_BEFORE = re.compile(
    r"\b(?:no|not|never|without|none|nor|neither|nothing|nobody|hardly|cannot|cant|dont|doesnt|"
    r"didnt|isnt|arent|wasnt|werent|havent|hasnt|wont|free of|absence of|rules? out|ruled out|"
    r"excludes?|excluded|instead of|rather than|avoid|avoids|avoided|avoiding|prevents?|prevented|"
    r"preventing|against|spared?|lest|fear|afraid|worry|worried|careful|beware|risks?|danger|"
    r"chance|rate|looking for|look for|checks? for|checking for|watch for|watch out for|signs? of|"
    r"likely|unlikely|almost|nearly|might|may|could|would|should|can|if|unless|whether|history of|"
    r"in case of|cases? (?:of|with)|complications?|kinds? of|before|until|most|many|who|"
    r"call|called|suspect|if there is|any)\b"
)
_SEEN = re.compile(
    r"\b(?:can|could) (?:now |clearly |already )?(?:see|feel)\b|\bno (?:doubt|question)\b"
)
_DENIED_AFTER = re.compile(
    r"\b(?:intact|clear|whole|closed|safe|unlikely|excluded|ruled out|none|absent|never|"
    r"(?:is|was|are|were|did|does|do|has|have|had|will|would) (?:not|never)|isnt|wasnt|didnt|"
    r"doesnt|hasnt|wont|can (?:happen|occur|be|follow)|may|might|would|could|happens|occurs|"
    r"happen|occur|rate|risk)\b"
)
_GENERAL = re.compile(
    r"\bif\b|\bunless\b|\botherwise\b|\bwhenever\b|\bin case\b|\b(?:one|two|three) in\b"
    r"|\bpercent\b|\b(?:weeks?|months?|drops|days|protocol|once|each|every time|most of)\b"
    r"|\bwho (?:had|broke|tore)\b|\busually\b|\boften\b|\bsometimes\b|\balways\b|\bgenerally\b"
    r"|\bsuppose\b|\bimagine\b|\bthe (?:literature|textbook|books?)\b"
    r"|\bsome (?:people|surgeons)\b|\bin (?:these|those|such) (?:eyes|cases|patients)\b"
    r"|\bso that\b.*\bnot\b|\byou (?:will|may|can|could|would) (?:get|have|lose|tear|break|end)\b"
    r"|\b(?:that|this) is (?:how|when|why|where)\b|\bthats (?:how|when|why)\b"
)
_OF_A_KIND = re.compile(r"\b(?:in|for|like) (?:an?|the|such|any|all)?(?: ?\w+)?$")
"""*In a small pupil*, *for a white cataract*: the kind is named, not this case."""
_THERE = re.compile(
    r"\b(?:(?:there|here|that|this|it|something) ?(?:is|s|was|comes?)|theres|heres|thats|its|"
    r"(?:we|i|you|she|he) (?:now )?(?:have|had|got|see|saw)|weve|ive|youve|got|now|seeing|oh|ah|"
    r"starts?|started)\b"
)
_ELSEWHERE = frozenset({Sense.ELSEWHERE, Sense.ASKED})


def happened(before: Sequence[str], after: Sequence[str], plain: str, reading: ClauseSense) -> bool:
    """Say whether a term between ``before`` and ``after`` (words) is told as having happened.

    ``plain`` is the whole sentence in small letters. Denied, feared, looked for, explained,
    supposed, asked, or told of another case: no. Announced ones are left to the caller.
    """
    if reading.sense in _ELSEWHERE or _GENERAL.search(plain):
        return False
    near = " ".join(_scope(list(before)[::-1])[::-1])
    near = _SEEN.sub(" ", near)
    if _OF_A_KIND.search(near):
        return False
    if _DENIED_BEFORE.search(near):
        return False
    return not _DENIED_AFTER.search(" ".join(_scope(list(after))))


def affirmed(before: Sequence[str]) -> bool:
    """Say whether the words before a bare name, as *bleeding*, say that it is there."""
    return bool(_THERE.search(" ".join(_scope(list(before)[::-1])[::-1])))


def _scope(words: Sequence[str]) -> list[str]:
    """Give the words next to a term, up to one that ends the scope."""
    found: list[str] = []
    for word in words[:SCOPE]:
        if _ENDS_SCOPE.match(word):
            break
        found.append(word)
    return found
