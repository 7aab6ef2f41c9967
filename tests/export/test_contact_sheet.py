from __future__ import annotations

import importlib.util
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from vidseg.export.contact_sheet import CAUTION, write_contact_sheet
from vidseg.export.stills import Still
from vidseg.model.clock import NS
from vidseg.model.problem import UsageError
from vidseg.model.procedure import Step
from vidseg.model.span import Spans
from vidseg.model.timing import StepTiming, Timing


def colour(number: int) -> tuple[int, int, int]:
    """A colour for each still that no other and no part of the sheet's own drawing has."""
    return 40 + 32 * (number % 5), 60 + 48 * (number // 5 % 4), 20 + 70 * (number // 20 % 3)


def stills_in(
    folder: Path,
    names: Sequence[str],
    size: tuple[int, int] = (320, 180),
    poor: str = "",
) -> list[Still]:
    stills = []
    for place, name in enumerate(names):
        path = folder / f"{place + 1:02d}.jpg"
        Image.new("RGB", size, colour(place)).save(path, quality=95)
        step = Step(f"s{place}", name)
        stills.append(Still(place + 1, step, 1, 1, place, (60 * place + 7) * NS, path, poor))
    return stills


def timing_of(stills: Sequence[Still], open_end: bool = False) -> Timing:
    steps = tuple(
        StepTiming(
            step=still.step,
            segments=(),
            active_ns=(still.number * 61 + 2) * NS,
            elapsed_ns=0,
            interrupted_ns=0,
            shared_ns=0,
            first_ns=0,
            last_ns=0,
            open_start=False,
            open_end=open_end,
        )
        for still in stills
    )
    none = Spans()
    return Timing("case-7", 0, 754 * NS, 0, 0, 0, none, none, steps, ())


def sheet_of(stills: Sequence[Still], out: Path, open_end: bool = False) -> np.ndarray:
    write_contact_sheet(stills, timing_of(stills, open_end), out)
    with Image.open(out) as image:
        return np.asarray(image.convert("RGB"))


def places(sheet: np.ndarray, wanted: tuple[int, int, int]) -> tuple[int, int, int, int] | None:
    """Find the box (top, bottom, left, right) filled with a colour."""
    low, high = (np.clip(np.array(wanted) + by, 0, 255) for by in (-6, 6))
    hit = cv2.inRange(sheet, low, high)
    hit = cv2.morphologyEx(hit, cv2.MORPH_OPEN, np.ones((7, 7), np.uint8))  # no specks of text
    rows, columns = np.flatnonzero(hit.any(axis=1)), np.flatnonzero(hit.any(axis=0))
    if not len(rows):
        return None
    return int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1


def find_text(sheet: np.ndarray, text: str, px: int, bold: bool = False) -> tuple[int, int] | None:
    """Look for ``text`` as Pillow draws it by itself; (top, left) where it stands."""
    package = importlib.util.find_spec("matplotlib")
    assert package is not None
    assert package.origin is not None
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    font = ImageFont.truetype(
        str(Path(package.origin).parent / "mpl-data" / "fonts" / "ttf" / name), px
    )
    left, top, right, bottom = font.getbbox(text)
    drawn = Image.new("L", (int(right - left) + 4, int(bottom - top) + 4), 255)
    ImageDraw.Draw(drawn).text((2 - left, 2 - top), text, fill=26, font=font)
    gray = cv2.cvtColor(sheet, cv2.COLOR_RGB2GRAY)
    _, score, _, (x, y) = cv2.minMaxLoc(
        cv2.matchTemplate(gray, np.asarray(drawn), cv2.TM_CCOEFF_NORMED)
    )
    return (y, x) if score > 0.9 else None


@pytest.mark.parametrize("count", [1, 2, 3, 4, 7, 14, 60])
def test_every_still_is_on_it_in_reading_order(tmp_path: Path, count: int) -> None:
    stills = stills_in(tmp_path, [f"Step {n}" for n in range(count)])
    sheet = sheet_of(stills, tmp_path / "sheet.jpg")
    assert sheet.shape[1] <= 1920
    boxes = [places(sheet, colour(place)) for place in range(count)]
    assert all(boxes)
    corners = [(box[0], box[2]) for box in boxes if box]
    assert corners == sorted(corners)
    assert len(set(corners)) == count
    for box in boxes:
        assert box is not None
        height, width = box[1] - box[0], box[3] - box[2]
        assert width >= 400
        assert width / height == pytest.approx(16 / 9, rel=0.02)


def test_name_time_and_length_stand_under_the_still(tmp_path: Path) -> None:
    stills = stills_in(tmp_path, ["Paracentesis", "Capsulorhexis", "Hydrodissection"])
    sheet = sheet_of(stills, tmp_path / "sheet.jpg")
    assert find_text(sheet, "case-7", 34, bold=True) is not None
    assert find_text(sheet, "Stills of 3 steps · observed time 0:12:34.0", 20) is not None
    box = places(sheet, colour(1))
    assert box is not None
    below = box[1]
    for text, px, bold in (
        ("Capsulorhexis", 24, True),
        ("still at 0:01:07.0", 20, False),
        ("active 0:02:04.0", 20, False),
    ):
        found = find_text(sheet, text, px, bold)
        assert found is not None, text
        assert found[0] >= below - 3
        assert box[2] - 3 <= found[1] < box[3]
        below = found[0] + px
    assert find_text(sheet, "Phacoemulsification", 24, bold=True) is None
    assert find_text(sheet, CAUTION[:40], 20) is not None


def test_an_open_edge_and_a_poor_picture_are_said(tmp_path: Path) -> None:
    stills = stills_in(tmp_path, ["Paracentesis"] * 2, poor="blurred")
    sheet = sheet_of(stills, tmp_path / "sheet.jpg", open_end=True)
    assert find_text(sheet, "active at least 0:01:03.0", 20) is not None
    assert find_text(sheet, "poor picture: blurred", 20) is not None


def test_a_step_without_times_is_named_all_the_same(tmp_path: Path) -> None:
    stills = stills_in(tmp_path, ["Paracentesis"])
    write_contact_sheet(stills, timing_of([]), tmp_path / "sheet.jpg")
    with Image.open(tmp_path / "sheet.jpg") as image:
        sheet = np.asarray(image.convert("RGB"))
    assert find_text(sheet, "Paracentesis", 24, bold=True) is not None
    assert find_text(sheet, "active", 20) is None


@pytest.mark.parametrize("name", ["Εκτομή φακού", "Промывание", "Çelik ağrı", "İnsizyon – № 2"])
def test_names_in_other_scripts_are_drawn(tmp_path: Path, name: str) -> None:
    sheet = sheet_of(stills_in(tmp_path, [name, "x"]), tmp_path / "sheet.jpg")
    assert find_text(sheet, name, 24, bold=True) is not None


def test_long_names_are_wrapped_and_cut_within_their_cell(tmp_path: Path) -> None:
    wordy = "viscoelastic " * 30
    endless = "W" * 200
    stills = stills_in(tmp_path, [wordy, endless, *(["Short"] * 14)])
    sheet = sheet_of(stills, tmp_path / "sheet.jpg")
    ink = np.asarray((sheet < 120).all(axis=2))
    boxes = [places(sheet, colour(place)) for place in range(5)]
    assert all(boxes)
    first, second, fifth = boxes[0], boxes[1], boxes[4]
    assert first is not None
    assert second is not None
    assert fifth is not None
    captions = slice(first[1] + 4, fifth[0] - 4)
    assert ink[captions, first[2] : first[3]].any()
    assert ink[captions, second[2] : second[3]].any()
    assert not ink[captions, first[3] + 2 : second[2] - 2].any()  # the gap between the cells
    assert not ink[captions, : first[2] - 2].any()


@pytest.mark.parametrize("size", [(180, 320), (2000, 100), (40, 30), (1, 500)])
def test_odd_shapes_keep_their_proportions(tmp_path: Path, size: tuple[int, int]) -> None:
    stills = stills_in(tmp_path, ["Paracentesis", "Capsulorhexis"], size)
    sheet = sheet_of(stills, tmp_path / "sheet.jpg")
    assert sheet.shape[1] <= 1920
    assert sheet.shape[0] < 1600
    if min(size) >= 30:
        box = places(sheet, colour(1))
        assert box is not None
        width, height = box[3] - box[2], box[1] - box[0]
        assert width / height == pytest.approx(size[0] / size[1], rel=0.06)
        assert width <= 2 * size[0] + 2


def test_running_again_gives_the_same_bytes_and_no_metadata(tmp_path: Path) -> None:
    stills = stills_in(tmp_path, ["Paracentesis", "Capsulorhexis"])
    sheet_of(stills, tmp_path / "one.jpg")
    sheet_of(stills, tmp_path / "two.jpg")
    assert (tmp_path / "one.jpg").read_bytes() == (tmp_path / "two.jpg").read_bytes()
    with Image.open(tmp_path / "one.jpg") as image:
        assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


def test_without_stills_or_with_a_lost_one_it_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError):
        write_contact_sheet([], timing_of([]), tmp_path / "sheet.jpg")
    stills = stills_in(tmp_path, ["Paracentesis", "Capsulorhexis"])
    stills[1].path.unlink()
    with pytest.raises(UsageError, match=r"02\.jpg"):
        write_contact_sheet(stills, timing_of(stills), tmp_path / "sheet.jpg")
    assert not (tmp_path / "sheet.jpg").exists()


def test_matplotlib_is_not_imported_for_its_font(tmp_path: Path) -> None:
    code = (
        "import sys; from vidseg.export.contact_sheet import _font; "
        "print(_font(20).getname()[0], 'matplotlib' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).resolve().parents[2],
    )
    assert done.stdout.split() == ["DejaVu", "Sans", "False"]
