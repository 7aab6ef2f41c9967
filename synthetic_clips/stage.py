"""Who does what when: from a scenario and a moment to the lens's state and the tools in view."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import cos, pi, sin

from synthetic_clips.instruments import Kind, Tool
from synthetic_clips.lens import TEAR_RADIUS, LensState
from synthetic_clips.scenario import NS, Scenario

MAIN_ANGLE, SIDE_ANGLE = 0.38, 2.62
"""Where the main wound and the side port lie, radians, clockwise from the right."""

_APPROACH_S, _ENTER_S = 0.4, 0.45
_OUTSIDE = {"out_of_eye"}

Place = tuple[float, float]


def _polar(angle: float, radius: float) -> Place:
    return (radius * cos(angle), radius * sin(angle))


MAIN, SIDE = _polar(MAIN_ANGLE, 0.99), _polar(SIDE_ANGLE, 0.99)


def _ease(x: float) -> float:
    x = min(1.0, max(0.0, x))
    return x * x * (3 - 2 * x)


def _part(share: float, start: float, end: float) -> float:
    return min(1.0, max(0.0, (share - start) / (end - start)))


@dataclass(frozen=True, slots=True)
class _Piece:
    """A stretch of uninterrupted work on a step, s, and the share of the step done before."""

    code: str
    start: float
    end: float
    before: float
    after: float


class Stage:
    """The choreography of one scenario."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.pupil = scenario.look.pupil
        self._pieces = _work_pieces(scenario)
        self._outside = [
            (x.start / NS, x.end / NS) for x in scenario.excluded if x.code in _OUTSIDE
        ]
        self._first = {p.code: p.start for p in reversed(self._pieces)}

    def eye_in_view(self, t: float) -> bool:
        """Say whether the picture shows the eye at ``t`` seconds."""
        return not any(start <= t < end for start, end in self._outside)

    def share(self, code: str, t: float) -> float:
        """Give the share (0 to 1) of step ``code`` done by ``t`` seconds."""
        done = 0.0
        for piece in self._pieces:
            if piece.code == code and t > piece.start:
                through = min(1.0, (t - piece.start) / (piece.end - piece.start))
                done = piece.before + (piece.after - piece.before) * through
        return done

    def opened(self, code: str, t: float) -> bool:
        """Say whether step ``code`` has begun a while before ``t`` (its wound is there)."""
        return code in self._first and t >= self._first[code] + 1.0

    def lens(self, t: float, tools: list[Tool]) -> LensState:
        """Give the state of the lens at ``t`` seconds, with ``tools`` in view."""
        division = self.share("nucleus_division", t)
        implant = self.share("iol_insertion", t)
        hydro = self.share("hydrodissection", t)
        running = any(
            p.code == "hydrodissection" and p.start + 0.5 <= t < p.end - 0.3 for p in self._pieces
        )
        eaten = _part(self.share("fragment_removal", t), 0.05, 0.97)
        tips = [tool.tip for tool in tools if tool.kind is Kind.PROBE and 0 < eaten < 1]
        tip = tips[0] if tips else (0.0, 0.0)
        return LensState(
            dye=_ease(_part(self.share("capsule_staining", t), 0.15, 0.9)),
            tear=_part(self.share("capsulorhexis", t), 0.12, 0.94),
            wave=(hydro * 2) % 1 if running else 0.0,
            turn=pi / 2 * _ease(_part(division, 0.46, 0.58)),
            groove=_part(division, 0.05, 0.42),
            groove_across=_part(division, 0.60, 0.84),
            crack=_ease(_part(division, 0.86, 0.98)),
            eaten=eaten,
            cortex_gone=_part(self.share("cortex_removal", t), 0.05, 0.97),
            implant=_part(implant, 0.15, 0.62),
            implant_turn=1.3 * _ease(_part(implant, 0.70, 0.97)),
            tip=(tip[0] / self.pupil, tip[1] / self.pupil),
            port=MAIN_ANGLE,
        )

    def tools(self, t: float) -> list[Tool]:
        """Give the instruments in view at ``t`` seconds, the ones beneath first."""
        found: list[Tool] = []
        for piece in self._pieces:
            if piece.start - _APPROACH_S <= t < piece.end + _APPROACH_S:
                inside = min(max(t, piece.start), piece.end)
                through = (inside - piece.start) / (piece.end - piece.start)
                share = piece.before + (piece.after - piece.before) * through
                work = _WORK.get(piece.code, _generic)
                for tool in work(self, inside - piece.start, share, inside):
                    found.append(_carried(tool, piece, t))
        return found


def _work_pieces(scenario: Scenario) -> list[_Piece]:
    raw: list[tuple[str, float, float]] = []
    for visit in scenario.steps:
        rest = [(visit.start, visit.end)]
        for gap in scenario.excluded:
            rest = [
                part
                for start, end in rest
                for part in ((start, min(end, gap.start)), (max(start, gap.end), end))
                if part[1] > part[0]
            ]
        raw += [(visit.code, start / NS, end / NS) for start, end in rest]
    raw.sort(key=lambda part: part[1])
    total: dict[str, float] = {}
    for code, start, end in raw:
        total[code] = total.get(code, 0.0) + end - start
    done: dict[str, float] = dict.fromkeys(total, 0.0)
    pieces = []
    for code, start, end in raw:
        before = done[code] / total[code]
        done[code] += end - start
        pieces.append(_Piece(code, start, end, before, done[code] / total[code]))
    return pieces


def _carried(tool: Tool, piece: _Piece, t: float) -> Tool:
    """Move ``tool`` in from outside before the step and out again after it."""
    port, tip = tool.port, tool.tip
    enter = min(_ENTER_S, (piece.end - piece.start) / 4)
    if t < piece.start or t >= piece.end:
        away = (piece.start - t if t < piece.start else t - piece.end) / _APPROACH_S
        out = 1.03 + 1.1 * _ease(away)
        return Tool(tool.kind, port, (port[0] * out, port[1] * out), tool.opening)
    depth = _ease(min((t - piece.start) / enter, (piece.end - t) / enter))
    start = (port[0] * 1.03, port[1] * 1.03)
    x = start[0] + (tip[0] - start[0]) * depth
    y = start[1] + (tip[1] - start[1]) * depth
    return Tool(tool.kind, port, (x, y), tool.opening)


_Work = Callable[[Stage, float, float, float], list[Tool]]
"""(stage, seconds into the visit, share of the step done, seconds) -> tools in the eye."""


def _stab(kind: Kind, port: Place, share: float, deep: float) -> Tool:
    reach = 1.0 - deep * _ease(_part(share, 0.15, 0.6)) * _ease(_part(share, 1.0, 0.7))
    return Tool(kind, port, (port[0] * reach, port[1] * reach))


def _paracentesis(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    return [_stab(Kind.BLADE, SIDE, share, 0.24)]


def _main_incision(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    return [_stab(Kind.KERATOME, MAIN, share, 0.34)]


def _first_port(stage: Stage, t: float) -> Place:
    return MAIN if stage.opened("main_incision", t) else SIDE


def _staining(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    port, p = _first_port(stage, t), stage.pupil
    return [Tool(Kind.DYE_CANNULA, port, _polar(1.1 * s + 2, 0.30 * p))]


def _viscoelastic(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    port, p = _first_port(stage, t), stage.pupil
    back = 0.75 * p - 1.3 * p * _ease(s / 2.2)
    away = (-port[0] * back, -port[1] * back + 0.08 * p * sin(2.6 * s))
    return [Tool(Kind.CANNULA, port, away)]


def _rhexis(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    p = stage.pupil
    torn = _part(share, 0.12, 0.94)
    lead = MAIN_ANGLE + 2 * pi * torn
    grip = (torn * 4) % 1
    opening = 1.0 if grip < 0.12 and 0 < torn < 1 else 0.15
    radius = TEAR_RADIUS * p * (0.82 + 0.10 * cos(8 * pi * torn))
    return [Tool(Kind.FORCEPS, MAIN, _polar(lead - 0.12, radius), opening)]


def _hydro(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    p = stage.pupil
    return [Tool(Kind.CANNULA, MAIN, _polar(MAIN_ANGLE + 0.30 * sin(1.2 * s), 0.62 * p))]


def _division(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    p = stage.pupil
    stroke = (s / 1.15) % 1
    along = (
        (0.38 - 0.92 * _ease(stroke / 0.62))
        if stroke < 0.62
        else (-0.54 + 0.92 * _ease((stroke - 0.62) / 0.38))
    )
    side = 0.05 * sin(5.3 * s)
    turning = _part(share, 0.44, 0.60)
    cracking = _part(share, 0.85, 1.0)
    if 0 < turning < 1 or cracking > 0:
        along = -0.10
        side = 0.10 * _ease(cracking)
    c, n = cos(MAIN_ANGLE), sin(MAIN_ANGLE)
    tip = ((along * c - side * n) * p, (along * n + side * c) * p)
    angle = SIDE_ANGLE + 1.1 * _ease(turning) - 1.1 * _ease(_part(share, 0.62, 0.7))
    rest = _polar(angle, 0.42 * p)
    spread = 0.30 * _ease(cracking)
    helper = (rest[0] * (1 - spread), rest[1] * (1 - spread) - 0.1 * spread)
    return [Tool(Kind.CHOPPER, SIDE, helper), Tool(Kind.PROBE, MAIN, tip)]


def _fragments(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    p = stage.pupil
    piece = _part(share, 0.05, 0.97) * 4 % 1
    reach = 0.10 * sin(pi * piece)
    tip = (p * (0.12 + reach * cos(3 * t)), p * (0.06 + 0.05 * sin(4.1 * t)))
    chop = _polar(SIDE_ANGLE + 0.5 * sin(1.7 * t), p * (0.22 + 0.12 * sin(2.3 * t)))
    return [Tool(Kind.CHOPPER, SIDE, chop), Tool(Kind.PROBE, MAIN, tip)]


def _cortex(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    p = stage.pupil
    gone = _part(share, 0.05, 0.97)
    angle = MAIN_ANGLE + 2 * pi * (gone + 0.06)
    pull = 0.5 - 0.5 * cos(2 * pi * s / 1.3)
    return [Tool(Kind.ASPIRATOR, MAIN, _polar(angle, p * (0.80 - 0.55 * pull)))]


def _polish(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    p = stage.pupil
    return [Tool(Kind.ASPIRATOR, MAIN, _polar(3.4 * s, p * (0.16 + 0.10 * sin(1.1 * s))))]


def _implant(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    p = stage.pupil
    if share < 0.66:
        back = _ease(_part(share, 0.52, 0.66))
        return [Tool(Kind.INJECTOR, MAIN, _polar(MAIN_ANGLE, 0.74 * p + (1.25 - 0.74 * p) * back))]
    angle = MAIN_ANGLE + 0.5 + 1.3 * _ease(_part(share, 0.70, 0.97))
    enter = _ease(_part(share, 0.66, 0.72))
    rest = _polar(angle, 0.70 * p)
    tip = (MAIN[0] + (rest[0] - MAIN[0]) * enter, MAIN[1] + (rest[1] - MAIN[1]) * enter)
    return [Tool(Kind.HOOK, MAIN, tip)]


def _viscoelastic_out(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    p = stage.pupil
    tip = (p * 0.42 * sin(1.3 * s), p * 0.30 * sin(2.1 * s + 0.6))
    return [Tool(Kind.ASPIRATOR, MAIN, tip)]


def _closure(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    over = _ease(_part(share, 0.44, 0.52))
    if over < 0.5:
        port, out = MAIN, 1.9 * over
    else:
        port, out = SIDE, 1.9 * (1 - over)
    tip = (port[0] * (0.93 + out + 0.02 * sin(4 * s)), port[1] * (0.93 + out))
    return [Tool(Kind.CANNULA, port, tip)]


def _generic(stage: Stage, s: float, share: float, t: float) -> list[Tool]:
    return [Tool(Kind.CANNULA, MAIN, _polar(0.9 * s, 0.4 * stage.pupil))]


_WORK: dict[str, _Work] = {
    "paracentesis": _paracentesis,
    "capsule_staining": _staining,
    "viscoelastic_injection": _viscoelastic,
    "main_incision": _main_incision,
    "capsulorhexis": _rhexis,
    "hydrodissection": _hydro,
    "nucleus_division": _division,
    "fragment_removal": _fragments,
    "cortex_removal": _cortex,
    "capsule_polishing": _polish,
    "iol_insertion": _implant,
    "viscoelastic_removal": _viscoelastic_out,
    "wound_closure": _closure,
}
