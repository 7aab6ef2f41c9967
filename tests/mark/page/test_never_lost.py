"""No mark is lost: a killed server, a killed tab, two tabs, another program."""

import subprocess
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from vidseg.formats import read_sheet, write_sheet
from vidseg.mark.start import MarkingRequest
from vidseg.model.annotation import Mark, Sheet
from vidseg.model.case import Case

pytestmark = pytest.mark.slow

FRAME = 40_000_000
Serving = Callable[[MarkingRequest], AbstractContextManager[Any]]
Opened = Callable[..., Any]
Started = Callable[..., AbstractContextManager[tuple[subprocess.Popen[str], str]]]


def labels(path: Path) -> list[tuple[str, Any]]:
    """Give label and first frame of every row in a file."""
    return [(mark.label, mark.start / FRAME) for mark in read_sheet(path).marks]  # type: ignore[operator]


def test_a_server_killed_and_started_again_gets_what_waited(
    started: Started, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    target = tmp_path / "mine.json"
    arguments = (str(operation), "--procedure", "phaco", "--annotation", str(target))
    with started(*arguments) as (process, address):
        page = opened(address, quiet=False)
        page.go(10)
        page.press("c")
        page.saved()
        process.kill()
        process.wait()
        page.wait("document.getElementById('saving').dataset.state === 'offline'")
        page.go(11)
        page.press("h")
        page.go(12)
        page.press("Control+z")
        page.press("m")
        assert "3 changes" in page.text("saving")
        assert page.page.locator("#trouble").is_visible()
    with started(*arguments) as (_, again):
        assert again == address
        page.wait("document.getElementById('saving').dataset.state === 'saved'")
        assert page.rows() == ["Capsulorhexis", "Main incision"]
        assert labels(target) == [("capsulorhexis", 10), ("main_incision", 12)]


def test_a_killed_tab_leaves_what_waited_to_the_next(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    with serving(MarkingRequest(Case("operation", (operation,), tmp_path / "mine.json"))) as server:
        page = opened(server.base, quiet=False)
        page.page.route("**/changes", lambda route: route.abort())
        page.go(20)
        page.press("c")
        assert page.rows() == ["Capsulorhexis"]
        assert not server.session.keeper.rows
        page.page.close()
        second = opened(server.base, again=page.page.context)
        second.saved()
        (row,) = server.session.keeper.rows.values()
        assert (row.label, row.start_ns) == ("capsulorhexis", 20 * FRAME)


def test_two_tabs_show_the_same_and_a_clash_is_asked_about(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    with serving(MarkingRequest(Case("operation", (operation,), tmp_path / "mine.json"))) as server:
        one, other = opened(server.base), opened(server.base, quiet=False)
        one.go(20)
        one.press("c")
        other.wait("document.querySelectorAll('#rows .row[data-id]').length === 1")
        other.go(40)
        other.press("c")
        one.wait("!document.querySelector('#rows .tag.live')")
        (row,) = server.session.keeper.rows.values()
        assert (row.start_ns, row.end_ns) == (20 * FRAME, 40 * FRAME)
        # One tab is cut off from the server while both change the same row.
        other.page.route("**/changes", lambda route: route.abort())
        other.press("=", "h")
        one.choose(0)
        one.press("=", "m")
        one.saved()
        other.page.unroute("**/changes")
        dialog = other.page.locator("#dialog[open]")
        dialog.wait_for(state="visible")
        assert "Hydrodissection" in dialog.inner_text()
        assert "Main incision" in dialog.inner_text()
        other.page.get_by_role("button", name="Keep mine").click()
        other.saved()
        (row,) = server.session.keeper.rows.values()
        assert row.label == "hydrodissection"
        one.wait("document.querySelector('#rows .row-name').textContent === 'Hydrodissection'")


def test_another_program_changes_the_file(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    target = tmp_path / "mine.json"
    with serving(MarkingRequest(Case("operation", (operation,), target))) as server:
        page = opened(server.base)
        page.go(20)
        page.press("c", ".", "c")
        page.saved()
        sheet = read_sheet(target)
        more = Mark("wound_closure", 100 * FRAME, 120 * FRAME)
        write_sheet(Sheet(sheet.source, (*sheet.marks, more), procedure="phaco"), target)
        page.wait("document.querySelectorAll('#rows .row[data-id]').length === 2")
        assert page.rows() == ["Capsulorhexis", "Wound closure"]


def test_own_rows_may_take_the_place_of_an_unreadable_file(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    target = tmp_path / "mine.json"
    with serving(MarkingRequest(Case("operation", (operation,), target))) as server:
        page = opened(server.base)
        page.go(20)
        page.press("c", ".", "c")
        page.saved()
        assert not page.page.locator("#keep-own").is_visible()
        target.write_text("{ half", encoding="utf-8")
        page.page.locator("#keep-own").wait_for()
        page.page.locator("#stop").click()
        dialog = page.page.locator("#dialog[open]")
        assert "mine.json does not hold everything" in dialog.inner_text()
        assert "Everything is saved" not in dialog.inner_text()
        page.page.get_by_role("button", name="Go on marking").click()
        page.page.locator("#keep-own").click()
        page.page.get_by_role("button", name="Write my rows").click()
        page.saved()
        page.wait("document.getElementById('told').textContent.includes('mine.other.json')")
        assert not page.page.locator("#trouble").is_visible()
    assert labels(target) == [("capsulorhexis", 20)]
    assert (tmp_path / "mine.other.json").read_text(encoding="utf-8") == "{ half"


def test_the_page_ends_the_server(
    serving: Serving, opened: Opened, operation: Path, tmp_path: Path
) -> None:
    with serving(MarkingRequest(Case("operation", (operation,), tmp_path / "mine.json"))) as server:
        page = opened(server.base, quiet=False)
        page.go(20)
        page.press("c")
        page.saved()
        page.page.locator("#stop").click()
        dialog = page.page.locator("#dialog[open]")
        assert "Still running, without an end: Capsulorhexis" in dialog.inner_text()
        page.page.get_by_role("button", name="Finish and end the server").click()
        page.wait("document.getElementById('saving').dataset.state === 'ended'")
    assert server.outcome == [(None, True)]
