"""What the browser cannot play is shown in segments, and the frame shown is the frame meant."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from synthetic_clips import make_clip
from vidseg.mark.start import MarkingRequest
from vidseg.model.case import Case

pytestmark = pytest.mark.slow

SIZE = (160, 96)
NS = 1_000_000_000
Serving = Callable[[MarkingRequest], AbstractContextManager[Any]]
Opened = Callable[..., Any]


def mode(page: Any) -> str:
    """Say how the video gets its data: by a file's address or by segments."""
    blob = page.evaluate("document.getElementById('video').src.startsWith('blob:')")
    return "segments" if blob else "file"


def frame_is_shown(page: Any, frame: int, number: int) -> None:
    """Go to a frame and read its number off the picture."""
    page.go(frame)
    page.wait("document.getElementById('video').readyState >= 2")
    assert page.picture() == number


def test_a_recording_no_browser_plays_is_shown_in_segments(
    serving: Serving, opened: Opened, tmp_path: Path
) -> None:
    recording = tmp_path / "old.mpg"
    make_clip(recording, frames=150, size=SIZE, codec="mpeg2video", gop=12)
    with serving(MarkingRequest(Case("old", (recording,), tmp_path / "a.json"))) as server:
        page = opened(server.base)
        assert mode(page) == "segments"
        for frame in (0, 149, 61, 62, 3, 100):
            frame_is_shown(page, frame, frame)
        page.go(20)
        page.press("c", "4")
        page.page.keyboard.press("Space")
        page.wait("document.getElementById('video').ended")
        page.press("c")
        page.saved()
        (row,) = server.session.keeper.rows.values()
        length = server.session.recording.length
        assert (row.start_ns, row.end_ns) == (
            server.session.recording.parts[0].frame_ns[20],
            length,
        )


def test_parts_play_as_one_and_holes_are_jumped(
    serving: Serving, opened: Opened, tmp_path: Path
) -> None:
    first, second = tmp_path / "one.mp4", tmp_path / "two.mp4"
    make_clip(first, frames=50, size=SIZE, gop=25)
    make_clip(second, frames=50, size=SIZE, gop=25, first_number=50)
    case = Case("two", (first, second), tmp_path / "a.json", starts=(0, 5 * NS))
    with serving(MarkingRequest(case)) as server:
        page = opened(server.base)
        assert page.page.locator("#over-spans .hole").count() == 1
        for frame in (49, 50, 99, 46, 10, 48, 99, 49):
            frame_is_shown(page, frame, frame)
        page.go(40)
        page.page.keyboard.press("Space")
        page.wait("document.getElementById('video').currentTime > 5.1")
        page.page.keyboard.press("Space")
        page.settled()
        assert page.picture() == page.frame() > 50


def test_a_file_that_fails_after_all_is_shown_in_segments(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    with serving(MarkingRequest(Case("operation", (operation,), tmp_path / "a.json"))) as server:

        def spoilt(page: Any) -> None:
            page.route("**/media/file", lambda route: route.fulfill(status=200, body="nothing"))

        page = opened(server.base, before=spoilt, quiet=False)
        page.wait("document.getElementById('video').src.startsWith('blob:')")
        frame_is_shown(page, 77, 77)


def test_a_change_of_picture_draws_an_edge_when_asked(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    with serving(MarkingRequest(Case("operation", (operation,), tmp_path / "a.json"))) as server:
        page = opened(server.base)
        page.page.route(
            "**/near-change?at_ns=2000000000",
            lambda route: route.fulfill(json={"at_ns": 2_200_000_000, "score": 4.0}),
        )
        page.go(50)
        page.press("c", "!")
        page.wait("document.getElementById('told').textContent === 'Capsulorhexis begins here'")
        page.saved()
        (row,) = server.session.keeper.rows.values()
        assert row.start_ns == 2_200_000_000
        assert page.picture() == 55
