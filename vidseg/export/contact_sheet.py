"""The contact sheet: all stills of a case on one picture, with names and times."""

from __future__ import annotations

import importlib.util
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from PIL import Image, ImageDraw, ImageFont

from vidseg.disk.atomic_write import write_jpeg_aside
from vidseg.export.stills import Still
from vidseg.model.clock import format_time
from vidseg.model.problem import UsageError
from vidseg.model.timing import StepTiming, Timing

CAUTION = (
    "Pictures from a patient's operation: keep and show them only as consent allows. "
    "Not for diagnosis or treatment. Time is not skill."
)

WIDTH, MARGIN, GAP = 1920, 48, 28
NARROWEST_CELL = 420
LARGEST_SCALE = 2
TITLE_PX, NAME_PX, TEXT_PX = 34, 24, 20
NAME_LINES = 3
PAPER, INK, QUIET, BOX, WARN = "#ffffff", "#1a1a1a", "#4d4d4d", "#e9e9e9", "#9a3412"

_COLUMNS = (1, 1, 2, 3, 2, 3, 3, 3, 3, 3)
"""How many stand in a row, by the number of stills; four from ten stills on."""

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont


@dataclass(frozen=True, slots=True)
class _Caption:
    """The lines under one still: (text, colour, whether it is a name)."""

    lines: tuple[tuple[str, str, bool], ...]

    @property
    def height(self) -> int:
        return sum(_line_height(NAME_PX if name else TEXT_PX) for _, _, name in self.lines)


def write_contact_sheet(stills: Sequence[Still], timing: Timing, out: Path) -> None:
    """Lay out ``stills`` in rows, in their order, with name, time and active time under each.

    At most four in a row on a sheet of at most 1920 px width, so that its text is readable at
    full size. Raises UsageError without stills, or for a still that cannot
    be read.
    """
    if not stills:
        raise UsageError("a contact sheet needs at least one still")
    sizes = [_size(still.path) for still in stills]
    columns = _COLUMNS[len(stills)] if len(stills) < len(_COLUMNS) else 4
    room = (WIDTH - 2 * MARGIN - (columns - 1) * GAP) // columns
    cell = min(room, max(NARROWEST_CELL, LARGEST_SCALE * max(w for w, _ in sizes)))
    width = 2 * MARGIN + columns * cell + (columns - 1) * GAP
    box = (cell, round(cell / min(2.4, max(1.0, median(w / h for w, h in sizes)))))

    name_font, text_font, title_font = (
        _font(NAME_PX, bold=True),
        _font(TEXT_PX),
        _font(TITLE_PX, bold=True),
    )
    times = {step.step.code: step for step in timing.steps}
    captions = [_caption(s, times.get(s.step.code), name_font, text_font, cell) for s in stills]
    rows = [range(i, min(i + columns, len(stills))) for i in range(0, len(stills), columns)]

    usable = width - 2 * MARGIN
    title = _wrap(timing.case, title_font, usable, 2)
    facts = _wrap(_facts(stills, timing), text_font, usable, 3)
    caution = _wrap(CAUTION, text_font, usable, 4)
    head = len(title) * _line_height(TITLE_PX) + len(facts) * _line_height(TEXT_PX) + GAP
    foot = len(caution) * _line_height(TEXT_PX)
    heights = [box[1] + 10 + max(captions[i].height for i in row) + GAP for row in rows]
    sheet = Image.new("RGB", (width, 2 * MARGIN + head + sum(heights) + foot), PAPER)
    draw = ImageDraw.Draw(sheet)

    y = _write_lines(draw, MARGIN, MARGIN, title, title_font, TITLE_PX, INK)
    y = _write_lines(draw, MARGIN, y, facts, text_font, TEXT_PX, QUIET) + GAP
    for row, height in zip(rows, heights, strict=True):
        for column, index in enumerate(row):
            x = MARGIN + column * (cell + GAP)
            _place_picture(sheet, stills[index].path, (x, y), box)
            below = y + box[1] + 10
            for text, colour, is_name in captions[index].lines:
                font, size = (name_font, NAME_PX) if is_name else (text_font, TEXT_PX)
                below = _write_lines(draw, x, below, [text], font, size, colour)
        y += height
    _write_lines(draw, MARGIN, y, caution, text_font, TEXT_PX, QUIET)
    write_jpeg_aside(out, sheet, quality=92, subsampling=0, optimize=True)


def _facts(stills: Sequence[Still], timing: Timing) -> str:
    steps = "Still of 1 step" if len(stills) == 1 else f"Stills of {len(stills)} steps"
    return f"{steps} · observed time {format_time(timing.observed_ns, 1)}"


def _caption(
    still: Still, timing: StepTiming | None, name_font: Font, text_font: Font, width: int
) -> _Caption:
    names = _wrap(f"{still.number}  {still.step.name}", name_font, width, NAME_LINES)
    facts = [f"still at {format_time(still.at_ns, 1)}"]
    if still.visits > 1:
        facts[0] += f" · visit {still.visit} of {still.visits}"
    if timing is not None:
        least = "at least " if timing.open_start or timing.open_end else ""
        facts.append(f"active {least}{format_time(timing.active_ns, 1)}")
    texts = [line for fact in facts for line in _wrap(fact, text_font, width, 2)]
    poor = _wrap(f"poor picture: {still.poor}", text_font, width, 2) if still.poor else []
    return _Caption(
        (
            *((line, INK, True) for line in names),
            *((line, QUIET, False) for line in texts),
            *((line, WARN, False) for line in poor),
        )
    )


def _place_picture(
    sheet: Image.Image, path: Path, at: tuple[int, int], box: tuple[int, int]
) -> None:
    """Fit a still into its box, centred; small pictures grow to at most twice their size."""
    sheet.paste(BOX, (at[0], at[1], at[0] + box[0], at[1] + box[1]))
    with _opened(path) as image:
        scale = min(box[0] / image.width, box[1] / image.height, LARGEST_SCALE)
        size = (max(1, round(image.width * scale)), max(1, round(image.height * scale)))
        picture = image.convert("RGB").resize(size, Image.Resampling.LANCZOS)
    sheet.paste(picture, (at[0] + (box[0] - size[0]) // 2, at[1] + (box[1] - size[1]) // 2))


def _opened(path: Path) -> Image.Image:
    try:
        return Image.open(path)
    except OSError as error:
        raise UsageError(f"the still {path.name} cannot be read: {error}") from error


def _size(path: Path) -> tuple[int, int]:
    with _opened(path) as image:
        return image.size


def _line_height(size: int) -> int:
    return round(size * 1.35)


def _write_lines(
    draw: ImageDraw.ImageDraw,
    x: int,
    y: int,
    lines: Sequence[str],
    font: Font,
    size: int,
    colour: str,
) -> int:
    for line in lines:
        draw.text((x, y), line, fill=colour, font=font)
        y += _line_height(size)
    return y


def _wrap(text: str, font: Font, width: int, most: int) -> list[str]:
    """Break ``text`` into at most ``most`` lines of ``width`` px; what is left out shows as …"""
    lines: list[str] = [""]
    for word in text.split():
        rest = f"{lines[-1]} {word}" if lines[-1] else word
        if font.getlength(rest) > width and lines[-1] and font.getlength(word) <= width:
            lines.append("")
            rest = word
        while font.getlength(rest) > width and len(rest) > 1:
            fits = next(n for n in range(len(rest) - 1, 0, -1) if font.getlength(rest[:n]) <= width)
            lines[-1:] = [rest[:fits], ""]
            rest = rest[fits:]
        lines[-1] = rest
    if len(lines) > most:
        last = lines[most - 1]
        while last and font.getlength(last + "…") > width:
            last = last[:-1]
        lines = [*lines[: most - 1], last.rstrip() + "…"]
    return lines


def _font(size: int, *, bold: bool = False) -> Font:
    """Load DejaVu Sans, which matplotlib ships: it covers Latin, Greek, Cyrillic and more."""
    package = importlib.util.find_spec("matplotlib")
    for place in package.submodule_search_locations or () if package else ():
        name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
        path = Path(place) / "mpl-data" / "fonts" / "ttf" / name
        if path.is_file():
            return ImageFont.truetype(str(path), size)
    return ImageFont.load_default(size)
