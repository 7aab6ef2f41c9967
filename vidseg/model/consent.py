"""What a patient agreed to, purpose by purpose."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Purpose(StrEnum):
    """What a copy of a recording is for."""

    TEACHING = "teaching"
    RESEARCH = "research"
    PUBLICATION = "publication"


class Answer(StrEnum):
    """Whether the patient agreed. UNKNOWN counts as no."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Consent:
    """The answers, and where they are written down.

    ``date`` and ``document`` (a reference, as of a form in a file) lead back to the patient: they
    stay with whoever keeps the record and never go into a copy.
    """

    teaching: Answer = Answer.UNKNOWN
    research: Answer = Answer.UNKNOWN
    publication: Answer = Answer.UNKNOWN
    date: str = ""
    document: str = ""

    def to(self, purpose: Purpose) -> Answer:
        """Give the answer for one purpose."""
        return {
            Purpose.TEACHING: self.teaching,
            Purpose.RESEARCH: self.research,
            Purpose.PUBLICATION: self.publication,
        }[purpose]
