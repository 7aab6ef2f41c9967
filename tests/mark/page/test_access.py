"""The page for everyone: the keyboard alone, a screen reader, small screens, light and dark."""

import os
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from vidseg.formats import write_sheet
from vidseg.mark.start import MarkingRequest
from vidseg.model.annotation import TO_BE_CONFIRMED, Mark, Sheet
from vidseg.model.case import Case

pytestmark = pytest.mark.slow

FRAME = 40_000_000
Opened = Callable[..., Any]


@pytest.fixture(scope="module")
def full(
    serving: Callable[[MarkingRequest], AbstractContextManager[Any]],
    operation: Path,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Any]:
    """A session with rows, a draft row, problems, a second annotator."""
    folder = tmp_path_factory.mktemp("full")

    def mark(label: str, start: int, end: int | None, note: str = "") -> Mark:
        return Mark(label, start * FRAME, None if end is None else end * FRAME, note)

    own = (
        mark("capsulorhexis", 20, 80),
        mark("dense_nucleus", 60, None, "hard"),
        mark("pause", 85, 95),
        mark("hydrodissection", 100, 150, f"{TO_BE_CONFIRMED}; heard once"),
        mark("no such step", 150, 160),
    )
    write_sheet(Sheet("mine.json", own, procedure="phaco"), folder / "mine.json")
    theirs = (mark("capsulorhexis", 25, 78), mark("hydrodissection", 90, 150))
    write_sheet(Sheet("other.json", theirs, procedure="phaco"), folder / "other.json")
    case = Case("operation", (operation,), folder / "mine.json")
    with serving(MarkingRequest(case, second=folder / "other.json")) as server:
        yield server


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(opened: Opened, full: Any, scheme: str) -> None:
    axe = Path(os.environ.get("VIDSEG_AXE", ""))
    if not axe.is_file():
        pytest.skip("VIDSEG_AXE does not name axe-core's axe.min.js")
    page = opened(full.base, color_scheme=scheme)
    page.evaluate(axe.read_text(encoding="utf-8"))

    def check() -> None:
        found = page.evaluate("axe.run().then(r => [r.passes.length, r.violations])")
        assert found[0] > 20
        assert [(v["id"], v["nodes"][0]["html"]) for v in found[1]] == []

    check()
    for view in ("compare", "masks", "mark"):
        page.page.locator(f"[data-view-button='{view}']").click()
        page.wait(f"document.body.dataset.view === '{view}'")
        if view == "compare":
            page.page.locator("#compare table").wait_for()
        if view != "mark":
            check()
    page.press("?")
    page.page.locator("#dialog[open]").wait_for()
    check()


def test_the_tab_key_reaches_every_part_and_leaves_it(opened: Opened, full: Any) -> None:
    page = opened(full.base)
    page.evaluate("document.activeElement.blur()")
    found: list[str] = []
    name = (
        "(() => { const a = document.activeElement;"
        "return a.id || a.dataset.command || a.closest('[id]')?.id || a.tagName; })()"
    )
    for _ in range(60):
        page.page.keyboard.press("Tab")
        found.append(page.evaluate(name))
        if found.count(found[0]) > 1 or found[-1] == "BODY":
            break
    parts = (
        "save-csv",
        "stop",
        "slider",
        "play",
        "frame-on",
        "speed",
        "filter",
        "card-groups",
        "rows",
    )
    for part in (*parts, "editor", "lanes"):
        assert part in found, (part, found)
    # One stop in each of the long lists.
    assert [found.count(part) for part in ("card-groups", "rows", "lanes")] == [1, 1, 1]


def test_what_is_marked_is_said(
    serving: Callable[[MarkingRequest], AbstractContextManager[Any]],
    opened: Opened,
    operation: Path,
    tmp_path: Path,
) -> None:
    with serving(MarkingRequest(Case("operation", (operation,), tmp_path / "a.json"))) as server:
        page = opened(server.base)
        said = "document.getElementById('told').textContent"
        page.press("c")
        assert page.evaluate(said) == "Capsulorhexis begins"
        page.press(".", "c")
        assert page.evaluate(said) == "Capsulorhexis ends"
        page.press("Control+z")
        assert page.evaluate(said) == "Undone: Capsulorhexis"
        assert "usual 0:" in page.text("now-more")
        assert "Still needed: Main incision" in page.text("missing")
        assert page.page.locator(".step[aria-pressed='true']").count() == 1


@pytest.mark.parametrize("size", [(1280, 720), (1024, 640)])
def test_all_that_marking_needs_is_in_the_window(
    opened: Opened, full: Any, size: tuple[int, int]
) -> None:
    page = opened(full.base, viewport={"width": size[0], "height": size[1]})
    root = "document.documentElement"
    assert page.evaluate(f"[{root}.scrollWidth, {root}.scrollHeight]") == list(size)
    parts = ("#video", "#slider", "#play", "#speed", "#card .step", "#rows [aria-selected=true]")
    for part in (*parts, "#editor", "#lanes [data-id]", "#saving", "#stop"):
        box = page.page.locator(part).first.bounding_box()
        assert box["x"] >= 0, part
        assert box["y"] >= 0, part
        assert box["x"] + box["width"] <= size[0], part
        assert box["y"] + box["height"] <= size[1], part
    stage = page.page.locator("#stage").bounding_box()
    for control in page.page.locator(".buttons > :visible").all():
        box = control.bounding_box()
        assert box["x"] + box["width"] <= stage["x"] + stage["width"]


def test_blind_shows_nothing_of_another_reader(
    serving: Callable[[MarkingRequest], AbstractContextManager[Any]],
    opened: Opened,
    full: Any,
    operation: Path,
    tmp_path: Path,
) -> None:
    assert opened(full.base).page.locator("[data-view-button='compare']").is_visible()
    other = tmp_path / "other.json"
    mark = Mark("capsulorhexis", 25 * FRAME, 78 * FRAME)
    write_sheet(Sheet("other.json", (mark,), procedure="phaco"), other)
    case = Case("operation", (operation,), tmp_path / "a.json")
    with serving(MarkingRequest(case, second=other, blind=True)) as server:
        page = opened(server.base)
        assert not page.page.locator("[data-view-button='compare']").is_visible()
        assert "blind" in page.text("about")
