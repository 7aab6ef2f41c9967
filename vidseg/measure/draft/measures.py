"""Measured values spoken of this case: machine settings, widths, lens power, grades.

The unit is the trade's, also where the speaker leaves it out ("vacuum forty" is 40 mmHg). Clock
positions, counts, turns and dates are no measures; nor are values supposed, asked, or said of
another case or day.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vidseg.measure.draft.assertion import Sense
from vidseg.measure.draft.evidence import sentences
from vidseg.measure.draft.hearing import sounding
from vidseg.measure.draft.numbers import Number, find_numbers, tokens
from vidseg.model.annotation import Cue

SI = {
    "mmHg": (133.322387415, "Pa"),
    "mL/min": (1e-6 / 60, "m3/s"),
    "%": (0.01, "1"),
    "cm": (0.01, "m"),
    "mm": (0.001, "m"),
    "um": (1e-6, "m"),
    "D": (1.0, "1/m"),
    "deg": (math.pi / 180, "rad"),
    "s": (1.0, "s"),
    "mL": (1e-6, "m3"),
    "mg": (1e-6, "kg"),
}
"""Factor and SI unit of each trade unit (BIPM SI brochure; mmHg as the conventional one).
Ages, grades, gauges and Snellen fractions have none."""

_UNITS: tuple[tuple[tuple[str, ...], str], ...] = (
    (("millimeter", "of", "mercury"), "mmHg"),
    (("mm", "of", "mercury"), "mmHg"),
    (("mm", "hg"), "mmHg"),
    (("mmhg",), "mmHg"),
    (("milliliter", "per", "minute"), "mL/min"),
    (("ml", "per", "minute"), "mL/min"),
    (("cc", "per", "minute"), "mL/min"),
    (("ml", "/", "min"), "mL/min"),
    (("cc", "/", "min"), "mL/min"),
    (("ml", "a", "minute"), "mL/min"),
    (("cc", "a", "minute"), "mL/min"),
    (("milliliter", "a", "minute"), "mL/min"),
    (("percent",), "%"),
    (("per", "cent"), "%"),
    (("%",), "%"),
    (("centimeter",), "cm"),
    (("cm",), "cm"),
    (("millimeter",), "mm"),
    (("mm",), "mm"),
    (("mil",), "mm"),
    (("micron",), "um"),
    (("micrometer",), "um"),
    (("diopter",), "D"),
    (("degree",), "deg"),
    (("°",), "deg"),
    (("gauge",), "G"),
    (("second",), "s"),
    (("milliliter",), "mL"),
    (("ml",), "mL"),
    (("cc",), "mL"),
    (("milligram",), "mg"),
    (("mg",), "mg"),
    (("year",), "y"),
)
_SETTINGS = {
    "vacuum": ("vacuum", "mmHg"),
    "suction": ("vacuum", "mmHg"),
    "flow": ("flow_rate", "mL/min"),
    "aspiration": ("flow_rate", "mL/min"),
    "bottle": ("bottle_height", "cm"),
    "power": ("ultrasound_power", "%"),
    "torsional": ("ultrasound_power", "%"),
    "grade": ("nucleus_grade", "grade"),
}
_WIDTHS = (
    (("pupil",), "pupil_diameter"),
    (("optic",), "iol_optic_diameter"),
    (("axial", "length"), "axial_length"),
    (("rhexis", "rexis", "capsulorhexis", "capsulotomy"), "rhexis_diameter"),
    (("paracentesis", "port", "stab"), "paracentesis_width"),
    (("inner", "lip", "internal"), "inner_opening_width"),
    (("limbus",), "distance_from_limbus"),
    (("groove", "frown", "tunnel", "scleral", "external"), "tunnel_width"),
    (("incision", "keratome", "wound", "entry", "blade", "slit"), "incision_width"),
)
_BY_STEP = {
    "paracentesis": "paracentesis_width",
    "main_incision": "incision_width",
    "capsulorhexis": "rhexis_diameter",
    "scleral_tunnel": "tunnel_width",
    "iol_insertion": "iol_optic_diameter",
    "pupil_expansion": "pupil_diameter",
}
_LENS = "iol_insertion"
_NO_MEASURE = frozenset(
    {"o'clock", "oclock", "clock", "hour", "piece", "time", "quadrant", "hand", "instrument", "cut"}
)
_TOLD = frozenset({Sense.NOW, Sense.BEFORE, Sense.AHEAD, Sense.POSTPONED})


@dataclass(frozen=True, slots=True)
class Measured:
    """A value spoken at ``at`` (ns, the caption's start). ``value`` is text: ``2.4``, ``6/36``."""

    at: int
    quantity: str
    value: str
    unit: str
    cue: int

    @property
    def si(self) -> tuple[float, str] | None:
        """The value in SI and its unit; None for ages, grades, gauges and Snellen fractions."""
        if self.unit not in SI:
            return None
        factor, unit = SI[self.unit]
        return float(self.value) * factor, unit


def find_measures(
    cues: Sequence[Cue], step_of: Mapping[int, str] | None = None
) -> tuple[Measured, ...]:
    """Find the values spoken of this case, in order.

    ``step_of`` gives the drafted step of a caption by its number: what a bare width is of.
    """
    found: list[Measured] = []
    for sentence in sentences(cues):
        if sentence.reading.sense not in _TOLD:
            continue
        at = cues[sentence.cue].span.start
        step = (step_of or {}).get(sentence.cue, "")
        for quantity, value, unit in measures_in(sentence.text, step):
            found.append(Measured(at, quantity, value, unit, sentence.cue))
    return tuple(found)


def measures_in(text: str, step: str = "") -> list[tuple[str, str, str]]:
    """Find (quantity, value, unit) in one sentence; ``step``: what is being done meanwhile."""
    said = [_plain(token) for token in tokens(text)]
    numbers = find_numbers(said)
    found: list[tuple[str, str, str]] = []
    skip = -1
    for place, number in enumerate(numbers):
        if place == skip:
            continue
        after = numbers[place + 1] if place + 1 < len(numbers) else None
        snellen = _snellen(said, number, after)
        if snellen is not None:
            found.append(("visual_acuity", snellen, "snellen"))
            skip = place + 1
            continue
        low = numbers[place - 1].last if place else 0
        high = after.first if after else len(said)
        measured = _measure(said, number, low, high, step)
        if measured is not None:
            found.append((measured[0], _text(measured[2]), measured[1]))
    return found


def _plain(token: str) -> str:
    """Give a unit or keyword its one form: no plural, American spelling, sounds alike."""
    token = {"metre": "meter", "metres": "meter"}.get(token, token)
    for british, american in (("metre", "meter"), ("litre", "liter"), ("dioptre", "diopter")):
        token = token.replace(british, american)
    if len(token) > 4 and token.endswith("s") and not token.endswith(("ss", "us", "is")):
        token = token[:-1]
    if len(token) > 4 and sounding(token) == sounding("vacuum"):
        return "vacuum"
    return token


def _text(value: float) -> str:
    return f"{value:.4g}"


def _snellen(said: Sequence[str], number: Number, after: Number | None) -> str | None:
    if after is None or number.value not in (6, 20) or after.first != number.last + 1:
        return None
    if said[number.last] not in ("by", "over", "/", "on") or after.value < 3:
        return None
    return f"{number.value:g}/{after.value:g}"


def _measure(
    said: Sequence[str], number: Number, low: int, high: int, step: str
) -> tuple[str, str, float] | None:
    value = number.value
    unit = _unit_after(said, number.last)
    before = list(said[max(low, number.first - 7) : number.first])[::-1]
    behind = list(said[number.last : min(high, number.last + 7)])
    if not unit and behind[:1] and behind[0] in _NO_MEASURE:
        return None
    setting = next((_SETTINGS[word] for word in before if word in _SETTINGS), None)
    if setting is None and unit in ("mmHg", "mL/min", "cm", "%"):
        setting = next((_SETTINGS[word] for word in behind if word in _SETTINGS), None)
    if setting is not None and unit in ("", setting[1]) and not _stray(before, setting[0]):
        return (*setting, value)
    around = {*said[max(0, low - 2) : number.first], *said[number.last : high + 2]}
    if unit == "mmHg":
        return "intraocular_pressure", unit, value
    if unit == "mL/min":
        return "flow_rate", unit, value
    if unit == "%":
        drug = {"cellulose", "methyl", "methylcellulose", "lidocaine", "lignocaine", "solution"}
        return ("concentration" if drug & around else "ultrasound_power"), unit, value
    if unit == "y":
        return ("patient_age", unit, value) if value >= 1 and value <= 110 else None
    if unit == "cm":
        return "bottle_height" if {"bottle", "head", "above"} & set(said) else "length", unit, value
    if unit == "G":
        return "cannula_gauge", unit, value
    if unit == "mL":
        return "drug_volume", unit, value
    if unit == "mg":
        return "drug_dose", unit, value
    if unit == "um":
        return "depth", unit, value
    if unit == "deg":
        blade = {"blade", "knife", "port", "stab"} & set(said)
        turned = {"turn", "rotate", "rotated", "turned", "spin", "rotation"} & set(said)
        return None if turned else ("blade_angle" if blade else "axis", unit, value)
    if unit == "s":
        sound = {"ultrasound", "phaco", "energy", "effective"} & set(said)
        return "ultrasound_time" if sound else "duration", unit, value
    if unit == "mm":
        return _width(said, number, low, high, step), unit, value
    if unit == "D":
        bent = {"cylinder", "rule", "astigmatism", "toric"} & set(said)
        return ("astigmatism" if bent else "iol_power"), unit, value
    if {"axial", "length"} <= set(before) and 15 <= value <= 40:
        return "axial_length", "mm", value
    if 15 <= value <= 110 and value.is_integer() and _of_a_person(said, number, behind):
        return "patient_age", "y", value
    if before[:1] == ["plus"] or before[:1] == ["+"]:
        return ("iol_power", "D", value) if 4 <= value <= 40 else None
    blades = {"keratome", "blade", "knife", "slit"}
    if blades & set(behind[:2]) and 1.5 <= value <= 6 and not value.is_integer():
        return "incision_width", "mm", value
    # A broken number without a unit, said of the size of what is being cut, is in millimetres.
    sized = {"size", "diameter", "wide", "width", "big", "small", "around", "about"} & set(said)
    if (
        not value.is_integer()
        and 0.5 <= value <= 13
        and step in _BY_STEP
        and step != _LENS
        and (sized or step == "main_incision")
    ):
        return _width(said, number, low, high, step), "mm", value
    return None


def _of_a_person(said: Sequence[str], number: Number, behind: Sequence[str]) -> bool:
    if behind and behind[0] not in (".", ",", "and", "with", "right", "left", "has"):
        return False
    before = " ".join(said[max(0, number.first - 8) : number.first])
    people = (
        r"\b(?:he|she|lady|man|woman|gentleman|patient|aged|age|hes|shes|he s|she s|he's|she's)\b"
    )
    return re.search(people, before) is not None


def _stray(before: Sequence[str], quantity: str) -> bool:
    """Say whether the keyword stands too far off, with another thought between."""
    words = [word for word in before if _SETTINGS.get(word, ("",))[0] == quantity]
    between = before[: before.index(words[0])] if words else []
    return any(mark in between for mark in (".", ";", "?", "!"))


def _unit_after(said: Sequence[str], at: int) -> str:
    for words, unit in _UNITS:
        if tuple(said[at : at + len(words)]) == words:
            return unit
    return ""


def _width(said: Sequence[str], number: Number, low: int, high: int, step: str) -> str:
    """Name a width by the nearest thing it can belong to, else by the step at hand."""
    best, distance = "", 99
    for words, quantity in _WIDTHS:
        for place, token in enumerate(said):
            if token in words or sounding(token) in {sounding(word) for word in words}:
                if low <= place < number.first:
                    far = number.first - place
                elif number.last <= place < high + 3:
                    far = place - number.last
                else:
                    continue
                if far < distance:
                    best, distance = quantity, far
    return best or _BY_STEP.get(step, "width")
