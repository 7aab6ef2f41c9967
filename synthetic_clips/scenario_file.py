"""Read a scenario from its TOML file, strictly: every key is checked, none is passed over."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

from synthetic_clips.scenario import NS, Caption, Happening, Look, Scenario, Visit, on_frame

BUILT_IN = Path(__file__).parent / "scenarios"


def load_scenario(name_or_path: str | Path) -> Scenario:
    """Read a scenario: the name of a built-in one (``demo``) or the path of a ``.toml`` file.

    ValueError, with path and key, for anything missing, unknown or impossible.
    """
    path = Path(name_or_path)
    if path.suffix != ".toml":
        path = BUILT_IN / f"{name_or_path}.toml"
        if not path.is_file():
            known = ", ".join(sorted(file.stem for file in BUILT_IN.glob("*.toml")))
            raise ValueError(f"no scenario {str(name_or_path)!r}; built in: {known}")
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ValueError(f"{path}: {error}") from error
    return _Reader(path).scenario(data)


_MISSING = object()


class _Reader:
    """Checks each key of one scenario file as it is taken."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rate = Fraction(25)
        self.length = 0

    def fail(self, key: str, reason: str) -> ValueError:
        return ValueError(f"{self.path}: {key}: {reason}")

    def take(
        self, table: dict[str, Any], where: str, key: str, kind: type, default: object = _MISSING
    ) -> Any:
        value = table.pop(key, default)
        name = f"{where}{key}"
        if value is _MISSING:
            raise self.fail(name, "is missing")
        if kind is float and isinstance(value, int) and not isinstance(value, bool):
            value = float(value)
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            raise self.fail(name, f"must be {_NAMES[kind]}, not {value!r}")
        return value

    def done(self, table: dict[str, Any], where: str) -> None:
        for key in table:
            raise self.fail(f"{where}{key}", "is not a known key")

    def number(
        self,
        table: dict[str, Any],
        where: str,
        key: str,
        bounds: tuple[float, float],
        default: object = _MISSING,
    ) -> float:
        value: float = self.take(table, where, key, float, default)
        if not bounds[0] <= value <= bounds[1]:
            raise self.fail(f"{where}{key}", f"must be from {bounds[0]:g} to {bounds[1]:g}")
        return value

    def moment(self, table: dict[str, Any], where: str, key: str) -> int:
        seconds = self.number(table, where, key, (0, self.length / NS))
        return on_frame(Fraction(str(seconds)), self.rate)

    def span(self, table: dict[str, Any], where: str) -> tuple[int, int]:
        start, end = self.moment(table, where, "start"), self.moment(table, where, "end")
        if end <= start:
            raise self.fail(f"{where}end", "must come at least a frame after start")
        return start, end

    def rows(
        self, data: dict[str, Any], key: str, read: Callable[[dict[str, Any], str], Any]
    ) -> tuple[Any, ...]:
        found = []
        for number, row in enumerate(self.take(data, "", key, list, []), 1):
            where = f"{key} {number}: "
            if not isinstance(row, dict):
                raise self.fail(f"{key} {number}", "must be a table")
            found.append(read(row, where))
            self.done(row, where)
        return tuple(found)

    def visit(self, row: dict[str, Any], where: str) -> Visit:
        code = self.take(row, where, "code", str)
        start, end = self.span(row, where)
        return Visit(code, start, end, self.take(row, where, "note", str, ""))

    def happening(self, row: dict[str, Any], where: str) -> Happening:
        code, at = self.take(row, where, "code", str), self.moment(row, where, "at")
        return Happening(code, at, self.take(row, where, "note", str, ""))

    def caption(self, row: dict[str, Any], where: str) -> Caption:
        start, end = self.span(row, where)
        text = self.take(row, where, "text", str)
        if not text.strip() or "-->" in text or "\n\n" in text:
            raise self.fail(f"{where}text", "must not be empty, hold an arrow or an empty line")
        return Caption(start, end, text)

    def look(self, row: dict[str, Any]) -> Look:
        where, plain = "look: ", Look()
        colour = self.take(row, where, "iris", list, list(plain.iris))
        if len(colour) != 3 or not all(type(c) is int and 0 <= c <= 255 for c in colour):
            raise self.fail(f"{where}iris", "must be three whole numbers from 0 to 255")
        found = Look(
            pupil=self.number(row, where, "pupil", (0.4, 0.8), plain.pupil),
            iris=(colour[0], colour[1], colour[2]),
            red_reflex=self.number(row, where, "red_reflex", (0.3, 1.3), plain.red_reflex),
            density=self.number(row, where, "density", (0.3, 1.0), plain.density),
            seed=self.take(row, where, "seed", int, plain.seed),
        )
        self.done(row, where)
        return found

    def scenario(self, source: Mapping[str, Any]) -> Scenario:
        data = dict(source)
        title = self.take(data, "", "title", str)
        procedure = self.take(data, "", "procedure", str)
        self.rate = self._rate(data)
        size = self._size(data)
        seconds = self.number(data, "", "length", (1, 12 * 3600))
        self.length = on_frame(Fraction(str(seconds)), self.rate)
        found = Scenario(
            title=title,
            procedure=procedure,
            size=size,
            rate=self.rate,
            length=self.length,
            steps=self.rows(data, "steps", self.visit),
            events=self.rows(data, "events", self.happening),
            excluded=self.rows(data, "excluded", self.visit),
            captions=self.rows(data, "captions", self.caption),
            look=self.look(self.take(data, "", "look", dict, {})),
        )
        self.done(data, "")
        if not found.steps:
            raise self.fail("steps", "must hold at least one step")
        return found

    def _rate(self, data: dict[str, Any]) -> Fraction:
        text = self.take(data, "", "rate", str)
        try:
            rate = Fraction(text)
        except (ValueError, ZeroDivisionError):
            raise self.fail("rate", f"must be like '25' or '30000/1001', not {text!r}") from None
        if not 1 <= rate <= 120:
            raise self.fail("rate", "must be from 1 to 120 frames a second")
        return rate

    def _size(self, data: dict[str, Any]) -> tuple[int, int]:
        size = self.take(data, "", "size", list)
        if len(size) != 2 or not all(type(s) is int and s % 2 == 0 and s >= 64 for s in size):
            raise self.fail("size", "must be width and height in px, both even, 64 or more")
        return size[0], size[1]


_NAMES: dict[type, str] = {
    str: "text",
    float: "a number",
    int: "a whole number",
    list: "a list",
    dict: "a table",
}
