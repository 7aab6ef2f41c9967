"""Pictures read: writing that stands, moves, blinks, is faint, brief, or over a still scene."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from synthetic_clips import Scenario, load_scenario
from synthetic_clips.burnt_in import BurntIn, box, ink, with_contrast, write_burnt_in
from vidseg.media.picture import written_words
from vidseg.media.picture.screening import find_look, united
from vidseg.media.read.probe import open_recording
from vidseg.model.clock import NS
from vidseg.model.recording import Recording
from vidseg.model.screening import Overlay
from vidseg.model.span import Span

RATE, FRAMES = 5, 20
TEXT = "M. Hopkins 1950"
SIZE = (320, 180)
TELLS = {
    "standing": ("text", 0, FRAMES, 100),
    "blinking": ("blinker", 0, FRAMES, 100),
    "drifting": ("drifter", 0, FRAMES, 100),
    "brief": ("text", 9, 13, 100),
    "faint": ("text", 0, FRAMES, 25),
}


def scenario(seed: int) -> Scenario:
    demo = load_scenario("demo")
    look = replace(demo.look, seed=seed)
    return replace(demo, size=SIZE, rate=Fraction(RATE), look=look)


def covers(overlay: Overlay, part: tuple[int, int, int, int]) -> bool:
    left, top, right, bottom = part
    return (
        overlay.x <= left
        and overlay.y <= top
        and overlay.x + overlay.width >= right
        and overlay.y + overlay.height >= bottom
    )


@pytest.mark.slow
@pytest.mark.usefixtures("reading")
@pytest.mark.parametrize("name", TELLS)
def test_writing_is_read_and_covered(name: str, tmp_path: Path) -> None:
    kind, first, last, contrast = TELLS[name]
    own = scenario(41)
    thing = with_contrast(BurntIn(kind, 60, 18, 14, first, last, TEXT), own, 20, contrast)
    path = tmp_path / "case.mp4"
    write_burnt_in(own, [thing], path, start=20, frames=FRAMES, grain=2.0)
    found = find_look(open_recording([path]), read=True).overlays
    (words,) = (one for one in found if one.words)
    assert "opkins" in words.words
    assert words.span.start <= first * NS // RATE
    assert words.span.end >= last * NS // RATE
    for number in range(first, last):
        written = ink(thing, number, SIZE, RATE)
        if written.any():
            assert covers(words, box(written)), number
    assert words.width * words.height < 0.4 * SIZE[0] * SIZE[1]


@pytest.mark.slow
@pytest.mark.usefixtures("reading")
def test_over_a_still_scene(tmp_path: Path) -> None:
    texture = np.random.default_rng(4).integers(60, 120, (12, 20, 3), dtype=np.uint8)
    scene = np.asarray(Image.fromarray(texture).resize(SIZE))
    thing = BurntIn("text", 20, 150, 14, 0, FRAMES, TEXT)
    path = tmp_path / "case.mp4"
    write_burnt_in(scenario(42), [thing], path, frames=FRAMES, scene=lambda _: scene)
    (found,) = find_look(open_recording([path]), read=True).overlays
    assert covers(found, box(ink(thing, 0, SIZE, RATE)))
    assert find_look(open_recording([path])).overlays == ()


@pytest.mark.slow
@pytest.mark.usefixtures("reading")
def test_where_nothing_is_written_nothing_is_read(tmp_path: Path) -> None:
    path = tmp_path / "case.mp4"
    write_burnt_in(scenario(43), [], path, start=20, frames=FRAMES, grain=2.0)
    told: list[float] = []
    look = find_look(open_recording([path]), told.append, read=True)
    assert look.overlays == ()
    assert any("was read" in remark for remark in look.remarks)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_pictures_near_both_ends_are_read_closer_together(ten_minutes: Recording) -> None:
    (part,) = ten_minutes.parts
    read = written_words.moments(part, first=True, last=True)
    times = part.frame_ns[read]
    apart = np.diff(times)
    frame = int(part.frame_ns[1])
    middle = (times[:-1] > 61 * NS) & (times[1:] < part.length - 61 * NS)
    assert apart.max() <= written_words.BRIEFEST_NS + frame
    assert apart[~middle].mean() < 0.6 * apart[middle].mean()
    assert len(written_words.moments(part, first=False, last=False)) < len(read)


def overlay(x: int, y: int, width: int, height: int, start: int, end: int, words: str) -> Overlay:
    return Overlay(x, y, width, height, Span(start * NS, end * NS), 0.9, (1,), words)


LARGE, SMALL = (0, 0, 90, 20, 0, 60), (5, 5, 50, 10, 3, 50)


@pytest.mark.parametrize(
    ("standing", "read", "left"),
    [
        (LARGE, SMALL, [(0, "Hopkins")]),
        (SMALL, LARGE, [(0, "Hopkins")]),
        (LARGE, (0, 100, 50, 10, 3, 50), [(0, ""), (100, "Hopkins")]),
        ((0, 0, 90, 20, 0, 30), SMALL, [(0, ""), (5, "Hopkins")]),
    ],
)
def test_what_is_found_twice_is_told_once(
    standing: tuple[int, int, int, int, int, int],
    read: tuple[int, int, int, int, int, int],
    left: list[tuple[int, str]],
) -> None:
    both = united([overlay(*standing, "")], [overlay(*read, "Hopkins")])
    assert [(one.y, one.words) for one in both] == left
