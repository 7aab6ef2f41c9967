"""A made-up operation as data: its steps, events, pauses, narration and looks; and its truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Visit:
    """One visit to a step, or one excluded span: half-open [start, end), ns."""

    code: str
    start: int
    end: int
    note: str = ""


@dataclass(frozen=True, slots=True)
class Happening:
    """An event at one moment (ns)."""

    code: str
    at: int
    note: str = ""


@dataclass(frozen=True, slots=True)
class Caption:
    """A line of narration, shown during [start, end), ns."""

    start: int
    end: int
    text: str


@dataclass(frozen=True, slots=True)
class Look:
    """What varies from eye to eye.

    ``pupil`` is the pupil's share of the cornea's diameter (0.4 to 0.8), ``iris`` its colour
    (red, green, blue, 0 to 255), ``red_reflex`` the brightness of the glow (0.3 to 1.3),
    ``density`` how clouded the lens is (0.3 to 1), ``seed`` picks texture and movement.
    """

    pupil: float = 0.64
    iris: tuple[int, int, int] = (104, 82, 58)
    red_reflex: float = 1.0
    density: float = 0.7
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Truth:
    """A visit or excluded span in frames: ``start_frame`` is the first frame in, ``end_frame``
    the first frame out; for an event both are the frame nearest to its moment."""

    kind: str
    code: str
    start_frame: int
    end_frame: int


@dataclass(frozen=True, slots=True)
class Scenario:
    """A made-up operation. Times are ns from the first frame, on the start of a frame each."""

    title: str
    procedure: str
    size: tuple[int, int]
    rate: Fraction
    length: int
    steps: tuple[Visit, ...]
    events: tuple[Happening, ...] = ()
    excluded: tuple[Visit, ...] = ()
    captions: tuple[Caption, ...] = ()
    look: Look = Look()

    @property
    def frames(self) -> int:
        """How many frames the recording has."""
        return self.frame_of(self.length)

    def frame_of(self, at: int) -> int:
        """Give the number of the frame that starts nearest to ``at`` (ns)."""
        return round(Fraction(at, NS) * self.rate)

    def scaled(self, minutes: float) -> Scenario:
        """Stretch every time so that the whole lasts ``minutes``; times stay on frames."""
        if not minutes > 0:
            raise ValueError(f"minutes must be more than 0, not {minutes}")
        factor = Fraction(str(minutes)) * 60 * NS / self.length

        def stretch(at: int) -> int:
            return on_frame(at * factor / NS, self.rate)

        stretched = replace(
            self,
            length=stretch(self.length),
            steps=tuple(replace(s, start=stretch(s.start), end=stretch(s.end)) for s in self.steps),
            events=tuple(replace(e, at=stretch(e.at)) for e in self.events),
            excluded=tuple(
                replace(x, start=stretch(x.start), end=stretch(x.end)) for x in self.excluded
            ),
            captions=tuple(
                replace(c, start=stretch(c.start), end=stretch(c.end)) for c in self.captions
            ),
        )
        spans: list[Visit | Caption] = [*stretched.steps, *stretched.excluded, *stretched.captions]
        for span in spans:
            if span.end <= span.start:
                raise ValueError(f"{minutes} minutes are too short: something lasts no frame")
        return stretched

    def truth(self) -> tuple[Truth, ...]:
        """Give every visit, excluded span and event in frames, in order of time."""
        spans = [("step", visit) for visit in self.steps]
        spans += [("excluded", visit) for visit in self.excluded]
        rows = [
            Truth(kind, visit.code, self.frame_of(visit.start), self.frame_of(visit.end))
            for kind, visit in spans
        ]
        for event in self.events:
            frame = self.frame_of(event.at)
            rows.append(Truth("event", event.code, frame, frame))
        return tuple(sorted(rows, key=lambda row: (row.start_frame, row.end_frame, row.code)))


def on_frame(seconds: Fraction, rate: Fraction) -> int:
    """Give the start (ns) of the frame nearest to ``seconds``."""
    return round(round(seconds * rate) / rate * NS)
