"""A whole operation is marked from the keyboard; the frame seen is the frame written."""

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from synthetic_clips import make_clip
from vidseg.formats import read_sheet
from vidseg.mark.start import MarkingRequest
from vidseg.model.case import Case

pytestmark = pytest.mark.slow

SIZE = (160, 96)
SHOWN = "Number(document.getElementById('frame').textContent.split(' ')[1])"
LATE_MS = 25
"""From here on the page goes by what was reported, not by the picture at hand."""

# Frames of a made-up operation: key, code, first frame in, first frame out (None: an event).
TRUTH = (
    ("m", "main_incision", 10, 30),
    ("c", "capsulorhexis", 30, 65),
    ("h", "hydrodissection", 75, 90),
    ("f", "fragment_removal", 90, 140),
    ("Shift+N", "dense_nucleus", 110, None),
    ("e", "cortex_removal", 150, 160),
    ("l", "iol_insertion", 160, 175),
    ("w", "wound_closure", 180, 192),
)


def strokes() -> list[tuple[int, str]]:
    """Give the keys of TRUTH with their frames; where one step follows another, one key does."""
    starts = {start for _, _, start, end in TRUTH if end is not None}
    found = [(start, key) for key, _, start, _ in TRUTH]
    found += [(end, key) for key, _, _, end in TRUTH if end is not None and end not in starts]
    return sorted(found)


def in_time() -> list[tuple[str, str, int, int | None]]:
    """Give TRUTH in order of start."""
    return sorted(TRUTH, key=lambda row: row[2])


def irregular_times(count: int) -> list[int]:
    """Steps of 17, 33 and 50 ms by turns: no constant rate comes near."""
    steps = ([17, 33, 50] * (count // 3 + 1))[: count - 1]
    return [0, *(int(ms) * 1_000_000 for ms in np.cumsum(steps))]


def play_and_press(page: Any, speed: str, stretch: int) -> None:
    """Play at a speed and press each key when the page says that its frame is shown."""
    page.press(speed)
    page.page.keyboard.press("Space")
    for frame, key in strokes():
        deadline = time.monotonic() + page.patience_s
        while page.evaluate(SHOWN) < frame * stretch:
            assert time.monotonic() < deadline
        page.page.keyboard.press(key)
    page.page.keyboard.press("Space")
    page.settled()


def check_against_pictures(page: Any, rows: list[Any], times: list[int], per_s: float) -> None:
    """Every edge is the frame that the picture's bar code showed at the key."""
    order = {at: frame for frame, at in enumerate(times)}
    keys = [one for one in page.seen() if one.key.lower() in "mchfelw" or one.key == "N"]
    by_label = {row.label: row for row in rows}
    wanted = {key: (code, start, end) for key, code, start, end in TRUTH}
    met: dict[str, int] = {}
    for one in keys:
        code, _, end = wanted["Shift+N" if one.key == "N" else one.key]
        row = by_label[code]
        met[code] = met.get(code, 0) + 1
        at = row.start_ns if met[code] == 1 else row.end_ns
        # A step that ends when all has been played ends after the last frame.
        frame = min(order[at], len(times) - 2)
        if one.late_ms > LATE_MS:
            back = one.late_ms / 1000 * per_s + 3
            assert one.before - back <= frame <= one.after, one
        else:
            assert one.before <= frame <= one.after, one
        assert (end is None) == (row.end_ns is None)
    assert len(keys) == len(strokes())


@pytest.mark.parametrize(("speed", "stretch"), [("1", 1), ("4", 4)])
def test_an_operation_marked_while_it_plays(
    serving: Callable[..., AbstractContextManager[Any]],
    opened: Callable[..., Any],
    tmp_path: Path,
    speed: str,
    stretch: int,
) -> None:
    target, recording = tmp_path / "mine.json", tmp_path / "operation.mp4"
    count = 260 * stretch
    times = [frame * 40_000_000 for frame in range(count + 1)]
    make_clip(recording, frames=count, size=SIZE, gop=25)
    with serving(
        MarkingRequest(Case("operation", (recording,), target), procedure="phaco")
    ) as server:
        page = opened(server.base)
        page.watch_keys()
        play_and_press(page, speed, stretch)
        page.saved()
        rows = list(server.session.keeper.rows.values())
        check_against_pictures(page, rows, times, 25 * float(speed))
        names = [server.session.procedure.step(code).name for _, code, *_ in in_time()]
        assert page.rows() == names
    found = read_sheet(target)
    for (_, code, start, end), mark in zip(in_time(), found.marks, strict=True):
        assert mark.label == code
        # Whoever presses when a frame has come presses no earlier than it.
        assert isinstance(mark.start, int)
        assert mark.start >= times[start * stretch]
        if end is None:
            assert mark.end is None
        else:
            assert isinstance(mark.end, int)
            assert mark.end >= times[end * stretch]


def test_at_a_variable_rate_the_frame_seen_is_written(
    serving: Callable[..., AbstractContextManager[Any]],
    opened: Callable[..., Any],
    tmp_path: Path,
) -> None:
    times = irregular_times(520)
    recording = tmp_path / "variable.mkv"
    make_clip(recording, frames=520, size=SIZE, times_ns=times, gop=25)
    with serving(MarkingRequest(Case("variable", (recording,), None), procedure="phaco")) as server:
        own = np.concatenate([p.start + p.frame_ns for p in server.session.recording.parts])
        page = opened(server.base)
        page.watch_keys()
        play_and_press(page, "2", 2)
        page.saved()
        rows = list(server.session.keeper.rows.values())
        check_against_pictures(page, rows, [*own.tolist(), server.session.recording.length], 120)


def test_at_rest_the_frame_shown_is_the_edge(
    serving: Callable[..., AbstractContextManager[Any]],
    opened: Callable[..., Any],
    operation: Path,
    tmp_path: Path,
) -> None:
    with serving(MarkingRequest(Case("operation", (operation,), tmp_path / "a.json"))) as server:
        page = opened(server.base)
        for key, frame in (
            (".", 1),
            (".", 2),
            (",", 1),
            ("ArrowRight", 26),
            ("Shift+ArrowRight", 151),
        ):
            page.press(key)
            assert (page.frame(), page.picture()) == (frame, frame), key
        page.press("Shift+ArrowLeft")
        assert page.picture() == 26
        assert page.text("position") == "0:01.040"
        page.press("c", "ArrowRight", ".", "c")
        page.saved()
        (row,) = server.session.keeper.rows.values()
        assert (row.label, row.start_ns, row.end_ns) == (
            "capsulorhexis", 26 * 40_000_000, 52 * 40_000_000,
        )  # fmt: skip
        page.press("PageDown")
        assert page.picture() == 199
        page.press("PageUp")
        assert page.picture() == 0
