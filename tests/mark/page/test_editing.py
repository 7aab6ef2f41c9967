"""Rows are corrected: undone, dragged, nudged, split, joined, confirmed; all of it is saved."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from vidseg.formats import read_sheet, write_sheet
from vidseg.formats.mask_list import read_masks
from vidseg.mark.start import MarkingRequest
from vidseg.model.annotation import TO_BE_CONFIRMED, Edge, Mark, Sheet
from vidseg.model.case import Case
from vidseg.model.mask import Mask

pytestmark = pytest.mark.slow

FRAME = 40_000_000
Serving = Callable[[MarkingRequest], AbstractContextManager[Any]]
Opened = Callable[..., Any]


def written(path: Path, *rows: tuple[str, int, int | None], note: str = "") -> Path:
    """Write rows (label, first frame in, first frame out) as an annotation."""
    marks = tuple(
        Mark(label, start * FRAME, None if end is None else end * FRAME, note)
        for label, start, end in rows
    )
    write_sheet(Sheet(path.name, marks, procedure="phaco"), path)
    return path


def frames(server: Any) -> list[tuple[str, float, float | None]]:
    """Give the rows that the server has, in frames."""
    rows = sorted(server.session.keeper.rows.values(), key=lambda row: row.start_ns)
    return [
        (row.label, row.start_ns / FRAME, None if row.end_ns is None else row.end_ns / FRAME)
        for row in rows
    ]


def test_undo_and_redo_reach_across_a_reload(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    target = tmp_path / "mine.json"
    with serving(MarkingRequest(Case("operation", (operation,), target))) as server:
        page = opened(server.base)
        for frame, key in ((10, "c"), (60, "h"), (100, "h")):
            page.go(frame)
            page.press(key)
        whole = [("capsulorhexis", 10, 60), ("hydrodissection", 60, 100)]
        page.saved()
        assert frames(server) == whole
        page.press("Control+z")
        page.saved()
        assert frames(server) == [("capsulorhexis", 10, 60), ("hydrodissection", 60, None)]
        page.page.reload()
        page.ready()
        page.press("Control+z", "Control+z")
        page.saved()
        assert frames(server) == []
        assert page.page.locator("#undo").is_disabled()
        page.page.reload()
        page.ready()
        page.press("Control+y", "Control+Shift+z", "Control+y")
        page.saved()
        assert frames(server) == whole
        assert page.page.locator("#redo").is_disabled()
        page.page.locator("#undo").click()
        page.go(80)
        page.press("m")
        page.saved()
        assert frames(server)[1:] == [("hydrodissection", 60, 80), ("main_incision", 80, None)]
        assert page.page.locator("#redo").is_disabled()
    assert [mark.label for mark in read_sheet(target).marks] == [
        "capsulorhexis", "hydrodissection", "main_incision",
    ]  # fmt: skip


def test_edges_are_dragged_and_nudged(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    target = written(
        tmp_path / "mine.json", ("capsulorhexis", 20, 80), ("hydrodissection", 80, 150)
    )
    with serving(MarkingRequest(Case("operation", (operation,), target))) as server:
        page = opened(server.base)
        box = page.page.locator("#lanes [data-id]").nth(0).bounding_box()
        lane = page.page.locator(".axis").bounding_box()
        y = box["y"] + box["height"] / 2
        page.page.mouse.move(box["x"] + box["width"] - 2, y)
        page.page.mouse.down()
        page.page.mouse.move(lane["x"] + lane["width"] * 0.45, y)
        page.page.mouse.move(lane["x"] + lane["width"] * 0.5, y)
        page.settled()
        assert abs(page.picture() - 100) <= 1
        page.page.mouse.up()
        page.saved()
        (_, start, end), (_, begin, last) = frames(server)
        assert (start, last) == (20, 150)
        assert end == begin == page.picture()
        page.press("Control+z")
        page.choose(0)
        # The touching edge of the next step goes along.
        page.press("End", ".", ".", ",")
        assert page.picture() == 81
        page.saved()
        assert frames(server) == [("capsulorhexis", 20, 81), ("hydrodissection", 81, 150)]
        page.press("Home", ",", "Escape", ".", ".")
        assert page.picture() == 21
        page.saved()
        assert frames(server)[0] == ("capsulorhexis", 19, 81)
        page.go(30)
        page.press("Shift+Home")
        page.saved()
        assert frames(server)[0] == ("capsulorhexis", 30, 81)


def test_split_join_change_note_and_delete(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    target = written(tmp_path / "mine.json", ("capsulorhexis", 20, 80))
    with serving(MarkingRequest(Case("operation", (operation,), target))) as server:
        page = opened(server.base)
        page.choose(0)
        page.go(50)
        page.press("/")
        page.saved()
        assert frames(server) == [("capsulorhexis", 20, 50), ("capsulorhexis", 50, 80)]
        page.press("=", "h")
        page.saved()
        assert frames(server)[1] == ("hydrodissection", 50, 80)
        page.press("'")
        page.page.keyboard.type("slow")
        page.press("Enter")
        page.saved()
        assert [row.note for row in server.session.keeper.rows.values()].count("slow") == 1
        page.press("=", "c", "ArrowUp", "+")
        page.saved()
        assert frames(server) == [("capsulorhexis", 20, 80)]
        assert next(iter(server.session.keeper.rows.values())).note == "slow"
        page.press("Delete")
        page.saved()
        assert frames(server) == []


def test_an_edge_that_the_recording_does_not_show_is_said_to_be_open(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    target = tmp_path / "mine.json"
    with serving(MarkingRequest(Case("operation", (operation,), target))) as server:
        page = opened(server.base)
        page.go(0)
        page.press("c")
        page.page.get_by_role("button", name="Goes on after the recording").click()
        page.page.get_by_role("button", name="Began before the recording").click()
        page.saved()
        (mark,) = read_sheet(target).marks
        assert (mark.start, mark.end) == (Edge.OPEN, Edge.OPEN)
        page.page.get_by_role("button", name="Goes on after the recording").click()
        page.press("Control+z", "Control+y")
        page.saved()
        (mark,) = read_sheet(target).marks
        assert (mark.start, mark.end) == (Edge.OPEN, server.session.recording.length)
        page.go(20)
        page.press("Shift+End")
        assert page.page.locator(".open-edge").all_inner_texts() == ["Began before the recording"]


def test_a_key_inside_a_row_takes_the_rest_of_it(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    target = written(
        tmp_path / "mine.json", ("capsulorhexis", 20, 80), ("hydrodissection", 100, 150)
    )
    with serving(MarkingRequest(Case("operation", (operation,), target))) as server:
        page = opened(server.base)
        page.go(60)
        page.press("m", ".", ".", "m")
        page.go(90)
        page.press("f")
        page.press("n")
        page.saved()
        # Two keys on one frame are a correction; a new row ends where the next begins.
        assert frames(server) == [
            ("capsulorhexis", 20, 60),
            ("main_incision", 60, 62),
            ("nucleus_rotation", 90, 100),
            ("hydrodissection", 100, 150),
        ]
        page.go(120)
        page.press("x")
        page.go(130)
        page.press("x")
        page.saved()
        assert ("pause", 120, 130) in frames(server)
        assert ("hydrodissection", 100, 150) in frames(server)


def test_draft_rows_are_confirmed_and_rejected_one_by_one(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    draft = written(
        tmp_path / "draft.json",
        ("main_incision", 10, 30),
        ("capsulorhexis", 30, 90),
        ("hydrodissection", 100, 150),
        note=TO_BE_CONFIRMED,
    )
    target = tmp_path / "mine.json"
    wanted = MarkingRequest(Case("operation", (operation,), target), draft=draft)
    with serving(wanted) as server:
        page = opened(server.base)
        assert page.text("draft-bar").startswith("3 draft rows to confirm")
        assert page.picture() == 10
        page.press("Enter")
        assert page.picture() == 30
        page.press("Delete")
        assert page.picture() == 100
        page.press("End", ".", ".", "Enter")
        page.saved()
        assert not page.page.locator("#draft-bar").is_visible()
        assert frames(server) == [("main_incision", 10, 30), ("hydrodissection", 100, 152)]
        page.press("Control+z", "Control+z")
        page.page.locator("#draft-bar").wait_for(state="visible")
        page.press("Control+y", "Control+y")
        page.saved()
    marks = read_sheet(target).marks
    assert [(mark.label, mark.note) for mark in marks] == [
        ("main_incision", ""),
        ("hydrodissection", ""),
    ]


def test_steps_are_filtered_and_keys_changed(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    with serving(MarkingRequest(Case("operation", (operation,), tmp_path / "a.json"))) as server:
        page = opened(server.base)
        page.go(40)
        page.press("*")
        page.page.keyboard.type("rhexis")
        steps = page.page.locator("#card-groups .step:visible")
        assert "Capsulorhexis" in steps.first.inner_text()
        assert steps.count() < 6
        page.press("Enter")
        page.saved()
        assert frames(server) == [("capsulorhexis", 40, None)]
        page.page.locator("#keys-change").click()
        page.page.locator(".step[data-code='wound_closure']").click()
        page.press("z")
        page.page.locator("#keys-change").click()
        page.go(70)
        page.press("z")
        page.saved()
        assert frames(server)[1] == ("wound_closure", 70, None)
        page.page.reload()
        page.ready()
        assert page.page.locator(".step[data-code='wound_closure'] kbd").inner_text() == "Z"


def test_masks_are_drawn_typed_and_kept(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    target = tmp_path / "mine.json"
    with serving(MarkingRequest(Case("operation", (operation,), target))) as server:
        page = opened(server.base)
        page.page.locator("[data-view-button='masks']").click()
        box = page.page.locator("#mask-layer").bounding_box()
        x, y, width, height = (box[name] for name in ("x", "y", "width", "height"))
        page.page.mouse.move(x + width / 4, y + height / 4)
        page.page.mouse.down()
        page.page.mouse.move(x + width / 2, y + height / 2)
        page.page.mouse.up()
        page.wait("document.getElementById('masks-told').textContent.startsWith('Mask added')")
        for name, value in (("x", 0), ("y", 0), ("width", 50), ("height", 10)):
            page.page.locator(f"#mask-{name}").fill(str(value))
        page.page.get_by_role("button", name="Add", exact=True).click()
        page.wait("document.querySelectorAll('#mask-list li').length === 2")
        page.go(50)
        page.page.get_by_role("button", name="Mask 2 from here").click()
        page.wait("document.getElementById('masks-told').textContent.startsWith('Time')")
    masks = read_masks(tmp_path / "mine.masks.csv")
    drawn = masks[0]
    assert all(
        abs(a - b) <= 1
        for a, b in zip(
            (drawn.x, drawn.y, drawn.width, drawn.height), (40, 24, 40, 24), strict=True
        )
    )
    assert masks[1].span is not None
    assert masks[1].span.start == 50 * FRAME
    assert isinstance(masks[1], Mask)
