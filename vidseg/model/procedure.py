"""The vocabulary of one operation: its steps, phases, events and excluded kinds.

Levels follow the published hierarchy for temporal annotation of operations
(phase > step > task; Meireles et al., Surg Endosc 2021;35:4918-4929).
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType


class Kind(StrEnum):
    """What a label stands for. PHASE, STEP and TASK are levels of timed work."""

    PHASE = "phase"
    STEP = "step"
    TASK = "task"
    EVENT = "event"
    EXCLUDED = "excluded"


LEVELS = (Kind.PHASE, Kind.STEP, Kind.TASK)
"""The timed levels, outermost first."""


@lru_cache(maxsize=4096)
def fold(label: str) -> str:
    """Reduce a label to what is compared: no case, accents, hyphens, punctuation or spaces.

    ``"Irrigation/Aspiration"`` and ``"irrigation-aspiration"`` fold to the same text.
    """
    decomposed = unicodedata.normalize("NFKD", label).casefold()
    return "".join(c for c in decomposed if c.isalnum())


def vocabulary_file(name: str | None) -> Path | None:
    """Give the file that ``name`` is the path of; None where it is a built-in vocabulary's code."""
    own = name and (name.lower().endswith(".toml") or "/" in name or "\\" in name)
    return Path(name) if name and own else None


DEFAULT_PROCEDURE = "phaco"


def chosen_vocabulary(asked: str | None, annotation: str | None, case: str | None) -> str:
    """Say which vocabulary counts where several are named, each as a code or a path.

    The one the user asks for, else the annotation's own, else the case's, else the default. None
    and empty text name nothing.
    """
    return next(filter(None, (asked, annotation, case)), DEFAULT_PROCEDURE)


@dataclass(frozen=True, slots=True)
class Step:
    """One label of a vocabulary.

    ``after`` names the steps that must have started before this one starts; ``overlaps`` the
    steps of the same level that may run at the same time. ``shortest_ns`` and ``longest_ns``
    bound the plausible total length in one case; ``usual_ns`` is the length of one visit as often
    met. ``spoken`` holds what people say during the step (no labels: one saying may belong to
    several steps). ``category`` sorts events (complication,
    finding, medication, instrument).
    """

    code: str
    name: str
    kind: Kind = Kind.STEP
    aliases: tuple[str, ...] = ()
    parent: str | None = None
    required: bool = False
    repeats: bool = False
    overlaps: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    shortest_ns: int | None = None
    longest_ns: int | None = None
    usual_ns: int | None = None
    spoken: tuple[str, ...] = ()
    category: str | None = None
    definition: str = ""
    source: str = ""

    @property
    def timed(self) -> bool:
        """Whether the label stands for timed work (phase, step or task)."""
        return self.kind in LEVELS


UNITS = (
    "mmHg", "mL/min", "L/min", "%", "%s", "cm", "mm", "um", "D", "deg", "G", "s", "min", "mL", "L",
    "mg", "y", "grade", "snellen",
)  # fmt: skip
"""Units in which a quantity may be spoken."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """Something measured during an operation and spoken of: ``vacuum``, ``iol_power``.

    The first of ``units`` is taken where none is said, which only a ``bare`` quantity allows.
    ``spoken`` are words that name it; ``lowest`` to ``highest`` the plausible values;
    ``steps`` codes of steps during which a value is likely this one.
    """

    name: str
    units: tuple[str, ...]
    spoken: tuple[str, ...]
    lowest: float
    highest: float
    bare: bool = False
    steps: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Procedure:
    """A vocabulary. ``idle`` holds labels that close the running step and stand for nothing.

    ``course`` lists codes of steps as an ordinary case visits them, one code several times where
    the step is usually visited again; empty where the order of ``steps`` serves. ``quantities``
    are what may be measured and spoken of.

    Raises ValueError where two steps share a code or a folded label, or a reference
    (parent, after, overlaps) names no step.
    """

    code: str
    name: str
    version: str
    source: str
    steps: tuple[Step, ...]
    idle: tuple[str, ...] = ("idle", "gap", "none", "no step", "end")
    course: tuple[str, ...] = ()
    quantities: tuple[Quantity, ...] = ()
    _index: Mapping[str, Step] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        index: dict[str, Step] = {}
        codes = {step.code for step in self.steps}
        if len(codes) != len(self.steps):
            raise ValueError(f"vocabulary {self.code!r}: a code stands twice")
        for step in self.steps:
            for label in (step.code, step.name, *step.aliases):
                key = fold(label)
                if not key:
                    raise ValueError(f"step {step.code!r}: the label {label!r} has no letters")
                other = index.setdefault(key, step)
                if other is not step:
                    raise ValueError(
                        f"the label {label!r} stands for two steps, {other.code!r} and "
                        f"{step.code!r}"
                    )
            for name in (*step.after, *step.overlaps, *([step.parent] if step.parent else [])):
                if name not in codes:
                    raise ValueError(f"step {step.code!r} names {name!r}, which is not a step")
        for name in self.course:
            if name not in codes:
                raise ValueError(f"the course names {name!r}, which is not a step")
        for label in self.idle:
            if fold(label) in index:
                raise ValueError(f"the label {label!r} is both a step and 'no step'")
        object.__setattr__(self, "_index", MappingProxyType(index))

    def __reduce__(self) -> tuple[object, ...]:
        return (
            Procedure,
            (
                self.code,
                self.name,
                self.version,
                self.source,
                self.steps,
                self.idle,
                self.course,
                self.quantities,
            ),
        )

    def find(self, label: str) -> Step | None:
        """Look a label up by code, name or alias; None where the vocabulary has no such label."""
        return self._index.get(fold(label))

    def is_idle(self, label: str) -> bool:
        """Say whether the label means that no step is running."""
        return fold(label) in {fold(text) for text in self.idle}

    def step(self, code: str) -> Step:
        """Give the step of that exact code. Raises KeyError."""
        for step in self.steps:
            if step.code == code:
                return step
        raise KeyError(code)

    def order(self, code: str) -> int:
        """Give the place of a step in the vocabulary, from 0. Raises KeyError."""
        for place, step in enumerate(self.steps):
            if step.code == code:
                return place
        raise KeyError(code)

    def labels(self) -> Iterable[tuple[str, Step]]:
        """Yield every label as written (code, name, aliases) with its step."""
        for step in self.steps:
            for label in (step.code, step.name, *step.aliases):
                yield label, step
