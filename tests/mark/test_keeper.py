"""The keeper: what was answered outlives any crash; others' edits are merged or asked about."""

import errno
import json
import os
import shutil
import tempfile
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vidseg.formats import read_sheet, write_sheet
from vidseg.mark import journal as journal_module
from vidseg.mark.journal import Unwritable, journal_path
from vidseg.mark.keeper import WHOLE_FILE, AnnotationKeeper
from vidseg.mark.rows import Batch, Change, MarkRow, Stale, in_order
from vidseg.mark.sheet_rows import Desk, origins_of
from vidseg.model.annotation import Mark, Sheet, Timecode
from vidseg.model.problem import UsageError

S = 1_000_000_000
Kept = Callable[..., AbstractContextManager[AnnotationKeeper]]
A = MarkRow("a", "capsulorhexis", 10 * S, 20 * S)
B = MarkRow("b", "hydrodissection", 20 * S, 30 * S)


def make(
    keeper: AnnotationKeeper, name: str, *changes: tuple[MarkRow | None, MarkRow | None]
) -> int:
    return keeper.make(Batch(name, "page", tuple(Change(*change) for change in changes)))


def said(path: Path) -> list[tuple[str, object, object, str]]:
    return [(mark.label, mark.start, mark.end, mark.note) for mark in read_sheet(path).marks]


def plain(rows: dict[str, MarkRow]) -> list[MarkRow]:
    return [replace(row, id="") for row in in_order(rows)]


def test_a_change_is_in_the_file_soon(
    tmp_path: Path, desk: Desk, kept: Kept, wait_for: Callable[..., None]
) -> None:
    heard: list[tuple[str, Any]] = []
    path = tmp_path / "steps.json"
    with kept(path, desk, heard) as keeper:
        assert not path.exists()
        assert make(keeper, "1", (None, A)) == 1
        wait_for(lambda: ("saved", {"revision": 1, "name": "steps.json"}) in heard)
        assert said(path) == [("capsulorhexis", 10 * S, 20 * S, "")]
        assert journal_path(path).exists()
    assert not journal_path(path).exists()
    assert read_sheet(path).procedure == "phaco"


def test_a_batch_sent_twice_is_made_once(tmp_path: Path, desk: Desk, kept: Kept) -> None:
    with kept(tmp_path / "steps.json", desk) as keeper:
        assert make(keeper, "1", (None, A)) == 1
        assert make(keeper, "1", (None, A)) == 1
        with pytest.raises(Stale):
            make(keeper, "2", (None, A))
        assert keeper.rows == {"a": A}


@pytest.mark.parametrize(
    "row",
    [
        MarkRow("x", "capsulorhexis", None, 5),
        MarkRow("x", "capsulorhexis", 0, 600 * S + 1),
        MarkRow("x", "capsulorhexis", 601 * S, None),
    ],
)
def test_a_row_that_no_file_holds_is_refused(
    tmp_path: Path, desk: Desk, kept: Kept, row: MarkRow
) -> None:
    with kept(tmp_path / "steps.json", desk) as keeper, pytest.raises(ValueError, match=r"time|ns"):
        make(keeper, "1", (None, row))


OPERATION = st.one_of(
    st.tuples(st.just("add"), st.integers(0, 50), st.sampled_from(["capsulorhexis", "pause"])),
    st.tuples(st.just("note"), st.integers(0, 9), st.text('ab\n"ü', max_size=3)),
    st.tuples(st.just("delete"), st.integers(0, 9), st.none()),
    st.tuples(st.just("save"), st.none(), st.none()),
    st.tuples(st.just("outside"), st.integers(0, 9), st.sampled_from(["note", "delete", "add"])),
    st.tuples(st.just("choose"), st.sampled_from(["mine", "theirs"]), st.none()),
)


@pytest.fixture
def asleep(monkeypatch: pytest.MonkeyPatch) -> None:
    """The saving thread does nothing by itself, so that every run is the same."""
    monkeypatch.setattr("vidseg.mark.keeper.SOON_S", 60)
    monkeypatch.setattr("vidseg.mark.keeper.LOOK_S", 60)


def edited(path: Path, number: int, how: str, token: int) -> None:
    """Edit the annotation as another program would: by its JSON alone."""
    document = json.loads(path.read_text(encoding="utf-8"))
    marks = document["marks"]
    if how == "add" or not marks:
        marks.append({"label": "iol_insertion", "start": f"0:05:{token % 60:02d}", "end": "open"})
    elif how == "delete":
        del marks[number % len(marks)]
    else:
        marks[number % len(marks)]["note"] = f"outside {token}"
    path.write_text(json.dumps(document), encoding="utf-8")


@settings(
    max_examples=25,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.lists(OPERATION, max_size=8), st.floats(0, 1), st.floats(0, 1))
def test_what_was_answered_outlives_a_crash_after_any_byte(
    desk: Desk,
    kept: Kept,
    asleep: None,
    operations: list[tuple[str, Any, Any]],
    moment: float,
    byte: float,
) -> None:
    """Whatever is done, and wherever the journal is torn: a new session holds the rows as they were
    answered last (or one answer on, where that line was whole but not answered yet)."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "first"
        folder.mkdir()
        path = folder / "steps.json"
        moments: list[tuple[bytes, bytes | None, list[MarkRow]]] = []
        with kept(path, desk) as keeper:
            model: dict[str, MarkRow] = {}
            merged_in = False

            def remember() -> None:
                with keeper.lock:
                    held = path.read_bytes() if path.exists() else None
                    journal = journal_path(path).read_bytes()
                    moments.append((journal, held, plain(keeper.rows)))

            remember()
            for step, (kind, first, second) in enumerate(operations):
                with keeper.lock:
                    rows = in_order(keeper.rows)
                    row = rows[first % len(rows)] if rows and isinstance(first, int) else None
                    change: tuple[MarkRow | None, MarkRow | None] | None = None
                    if kind == "add":
                        change = None, MarkRow(f"n{step}", second, first * S, (first + 1) * S)
                    elif kind == "note" and row is not None:
                        change = row, replace(row, note=second)
                    elif kind == "delete" and row is not None:
                        change = row, None
                    if change is not None and change[0] != change[1]:
                        make(keeper, str(step), change)
                        old, new = change
                        model.pop(old.id if old else "", None)
                        if new is not None:
                            model[new.id] = new
                    elif kind == "save":
                        keeper.bring_up_to_date()
                    elif kind == "outside" and path.exists():
                        edited(path, first, second, step)
                        merged_in = True
                        keeper.bring_up_to_date()
                        keeper.bring_up_to_date()
                    elif kind == "choose" and keeper.conflicts:
                        keeper.choose(dict.fromkeys(keeper.conflicts, first))
                    if not merged_in:
                        assert keeper.rows == model
                    remember()
        number = round(moment * (len(moments) - 1))
        journal, held, rows_then = moments[number]
        before = len(moments[number - 1][0]) if number else journal.index(b"\n") + 1
        cut = before + round(byte * (len(journal) - before))
        allowed = [rows_then]
        if cut < len(journal) and number:
            held, allowed = moments[number - 1][1], [moments[number - 1][2], rows_then]
        second_folder = Path(name) / "second"
        second_folder.mkdir()
        again = second_folder / "steps.json"
        if held is not None:
            again.write_bytes(held)
        journal_path(again).write_bytes(journal[:cut])
        with kept(again, desk) as keeper:
            rows_now = plain(keeper.rows)
            assert rows_now in allowed
            questions = keeper.outside_json()["conflicts"]
        if not questions and again.exists():
            origins = origins_of(read_sheet(again), desk)
            assert plain({name: origin.row for name, origin in origins.items()}) == rows_now
        assert again.exists() or not rows_now


def test_an_outside_edit_is_merged(tmp_path: Path, desk: Desk, kept: Kept) -> None:
    heard: list[tuple[str, Any]] = []
    path = tmp_path / "steps.json"
    with kept(path, desk, heard) as keeper:
        make(keeper, "1", (None, A), (None, B))
        assert keeper.bring_up_to_date()
        with keeper.lock:
            document = json.loads(path.read_text(encoding="utf-8"))
            document["marks"][1]["note"] = "theirs"
            path.write_text(json.dumps(document), encoding="utf-8")
            make(keeper, "2", (A, replace(A, note="mine")))
            keeper.bring_up_to_date()
            assert keeper.bring_up_to_date()
        assert keeper.rows == {"a": replace(A, note="mine"), "b": replace(B, note="theirs")}
        assert not keeper.conflicts
    assert [note for *_, note in said(path)] == ["mine", "theirs"]
    assert [data["conflicts"] for name, data in heard if name == "outside"] == [[]]


@pytest.mark.parametrize("take", ["mine", "theirs"])
@pytest.mark.parametrize("crash", [False, True])
def test_what_both_changed_is_asked_and_never_overwritten(
    tmp_path: Path, desk: Desk, kept: Kept, take: str, crash: bool
) -> None:
    path = tmp_path / "steps.json"
    with kept(path, desk) as keeper:
        make(keeper, "1", (None, A), (None, B))
        assert keeper.bring_up_to_date()
        with keeper.lock:
            document = json.loads(path.read_text(encoding="utf-8"))
            document["marks"][0]["note"] = "theirs"
            path.write_text(json.dumps(document), encoding="utf-8")
            make(keeper, "2", (A, replace(A, note="mine")))
            keeper.bring_up_to_date()
            keeper.bring_up_to_date()
        assert [note for *_, note in said(path)] == ["theirs", ""]
        assert keeper.rows["a"].note == "mine"
        if not crash:
            keeper.choose({"a": take})
            assert not keeper.conflicts
    if crash:
        with kept(path, desk) as keeper:
            (question,) = keeper.outside_json()["conflicts"]
            assert (question["mine"]["note"], question["theirs"]["note"]) == ("mine", "theirs")
            with pytest.raises(ValueError, match="no question is open"):
                keeper.choose({"b": take})
            keeper.choose({"a": take})
    assert [note for *_, note in said(path)] == [take, ""]
    assert not journal_path(path).exists()


def test_an_edit_while_nobody_marked_is_merged_with_what_the_journal_holds(
    tmp_path: Path, desk: Desk, kept: Kept
) -> None:
    path, away = tmp_path / "steps.json", tmp_path / "away"
    with kept(path, desk) as keeper:
        make(keeper, "1", (None, A), (None, B))
        assert keeper.bring_up_to_date()
        with keeper.lock:
            make(keeper, "2", (B, None))
            away.mkdir()
            shutil.copy(path, away / path.name)
            shutil.copy(journal_path(path), away / journal_path(path).name)
    document = json.loads((away / path.name).read_text(encoding="utf-8"))
    document["marks"][0]["end"] = "0:00:21"
    (away / path.name).write_text(json.dumps(document), encoding="utf-8")
    with kept(away / path.name, desk) as keeper:
        assert keeper.rows == {"a": replace(A, end_ns=21 * S)}
    assert said(away / path.name) == [("capsulorhexis", 10 * S, 21 * S, "")]


def test_a_file_made_unreadable_is_not_written_over(tmp_path: Path, desk: Desk, kept: Kept) -> None:
    path = tmp_path / "steps.json"
    with kept(path, desk) as keeper:
        make(keeper, "1", (None, A))
        assert keeper.bring_up_to_date()
        with keeper.lock:
            path.write_text("{ half", encoding="utf-8")
            keeper.bring_up_to_date()
            assert not keeper.bring_up_to_date()
            assert "cannot be read" in (keeper.trouble or "")
            make(keeper, "2", (None, B))
            assert not keeper.bring_up_to_date()
            assert path.read_text(encoding="utf-8") == "{ half"
            keeper.choose({WHOLE_FILE: "mine"})
        assert keeper.bring_up_to_date()
    assert (tmp_path / "steps.other.json").read_text(encoding="utf-8") == "{ half"
    assert len(said(path)) == 2


@pytest.mark.parametrize("rows", [[], [A]])
def test_own_rows_chosen_without_a_further_change_are_written(
    rows: list[MarkRow], tmp_path: Path, desk: Desk, kept: Kept
) -> None:
    path = tmp_path / "steps.json"
    write_sheet(Sheet(path.name, ()), path)
    heard: list[tuple[str, Any]] = []
    with kept(path, desk, heard) as keeper:
        make(keeper, "1", *((None, row) for row in rows))
        assert keeper.bring_up_to_date()
        with keeper.lock:
            path.write_text("{ half", encoding="utf-8")
            keeper.bring_up_to_date()
            assert not keeper.bring_up_to_date()
            assert [data["unreadable"] for name, data in heard if name == "trouble"] == [True]
            keeper.choose({WHOLE_FILE: "mine"})
            assert keeper.bring_up_to_date()
    told = [data["told"] for name, data in heard if name == "outside"]
    assert told[-1] == "What another program wrote is kept as steps.other.json"
    assert len(said(path)) == len(rows)


def test_a_file_taken_away_is_written_again(tmp_path: Path, desk: Desk, kept: Kept) -> None:
    path = tmp_path / "steps.json"
    with kept(path, desk) as keeper:
        make(keeper, "1", (None, A))
        assert keeper.bring_up_to_date()
        path.unlink()
        assert keeper.bring_up_to_date()
        assert keeper.rows == {"a": A}
    assert len(said(path)) == 1


def test_a_full_disk_stops_nothing_and_spoils_nothing(
    tmp_path: Path, desk: Desk, kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "steps.json"
    full = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def refuse(*_: object) -> None:
        raise full

    with kept(path, desk) as keeper:
        make(keeper, "1", (None, A))
        assert keeper.bring_up_to_date()
        before = path.read_bytes()
        with keeper.lock:
            monkeypatch.setattr("vidseg.mark.kept_file.write_sheet", refuse)
            make(keeper, "2", (None, B))
            assert not keeper.bring_up_to_date()
            assert keeper.trouble == "steps.json cannot be saved: the disk is full"
            monkeypatch.setattr(journal_module, "_write", refuse)
            with pytest.raises(Unwritable, match="full"):
                make(keeper, "3", (A, None))
            assert keeper.rows == {"a": A, "b": B}
            assert path.read_bytes() == before
            assert not list(tmp_path.glob("*.saving*"))
            monkeypatch.undo()
            make(keeper, "3", (A, None))
            assert keeper.bring_up_to_date()
            assert keeper.trouble is None
    assert [label for label, *_ in said(path)] == ["hydrodissection"]


def test_a_session_that_cannot_save_keeps_its_journal(
    tmp_path: Path, desk: Desk, kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "steps.json"

    def refuse(*_: object) -> None:
        raise PermissionError(errno.EACCES, "open in another program")

    monkeypatch.setattr("vidseg.mark.keeper.LAST_WAIT_S", 0.01)
    monkeypatch.setattr("vidseg.mark.kept_file.write_sheet", refuse)
    with kept(path, desk) as keeper:
        make(keeper, "1", (None, A))
    assert journal_path(path).exists()
    monkeypatch.undo()
    with kept(path, desk) as keeper:
        assert keeper.rows == {"a": A}
        assert any("ended unexpectedly" in notice for notice in keeper.notices)
    assert len(said(path)) == 1


def test_a_file_with_rows_that_cannot_be_read_is_refused(
    tmp_path: Path, desk: Desk, kept: Kept
) -> None:
    path = tmp_path / "steps.csv"
    path.write_text("start,end,step\n1,2,capsulorhexis\nsoon,3,pause\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"steps.csv:3.*Saving would lose"), kept(path, desk):
        pass
    assert not journal_path(path).exists()


def test_a_table_keeps_its_extra_columns_and_a_copy_of_its_form(
    tmp_path: Path, desk: Desk, kept: Kept
) -> None:
    path = tmp_path / "steps.csv"
    form = "# by hand\nStep;from;to;hand\nPhaco;0:40,5;1:00;left\nCapsulorhexis;f250;f500;\n"
    path.write_text(form, encoding="utf-8")
    first = read_sheet(path)
    with kept(path, desk) as keeper:
        row = next(row for row in keeper.rows.values() if row.label == "capsulorhexis")
        make(keeper, "1", (row, replace(row, note="seen")))
        assert keeper.bring_up_to_date()
        make(keeper, "2", (replace(row, note="seen"), replace(row, note="again")))
        assert any("steps.before.csv" in notice for notice in keeper.notices)
    assert (tmp_path / "steps.before.csv").read_text(encoding="utf-8") == form
    assert len(list(tmp_path.glob("steps.before*"))) == 1
    held = {(m.label, m.start, m.end, m.attributes) for m in read_sheet(path).marks}
    assert held == {(m.label, m.start, m.end, m.attributes) for m in first.marks}


def test_nothing_is_written_where_nothing_was_changed(
    tmp_path: Path, desk: Desk, kept: Kept
) -> None:
    path = tmp_path / "steps.json"
    marks = (Mark("Capsulorhexis", Timecode("00:00:01:00"), 3 * S),)
    write_sheet(Sheet("steps.json", marks), path)
    before = path.read_bytes(), path.stat().st_mtime_ns
    with kept(path, desk) as keeper:
        assert keeper.bring_up_to_date()
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert [child.name for child in tmp_path.iterdir()] == ["steps.json"]


def test_a_disk_full_while_another_program_edits_loses_neither_side(
    tmp_path: Path, desk: Desk, kept: Kept, monkeypatch: pytest.MonkeyPatch, asleep: None
) -> None:
    """The merge cannot be journalled, so the other's edit is not taken in, nor written over."""
    path = tmp_path / "steps.json"

    def refuse(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with kept(path, desk) as keeper:
        make(keeper, "1", (None, A), (None, B))
        assert keeper.bring_up_to_date()
        make(keeper, "2", (A, replace(A, note="mine")))
        edited(path, 1, "note", 1)
        before = path.read_bytes()
        monkeypatch.setattr(journal_module, "_write", refuse)
        for _ in range(4):
            assert not keeper.bring_up_to_date()
        assert path.read_bytes() == before
        monkeypatch.undo()
        assert keeper.bring_up_to_date()
    assert [note for *_, note in said(path)] == ["mine", "outside 1"]


def test_no_room_for_a_journal_is_said(
    tmp_path: Path, desk: Desk, kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(journal_module, "_write", refuse)
    with pytest.raises(UsageError, match="the disk is full"), kept(tmp_path / "s.json", desk):
        pass
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("take", ["mine", "theirs"])
def test_a_row_without_place_that_both_changed_is_not_lost(
    tmp_path: Path, desk: Desk, kept: Kept, take: str, asleep: None
) -> None:
    path = tmp_path / "steps.json"
    write_sheet(Sheet("s", (Mark("capsulorhexis", Timecode("00:00:20:30"), 30 * S),)), path)
    with kept(path, desk) as keeper:
        (row,) = keeper.rows.values()
        make(keeper, "1", (row, replace(row, note="mine")))
        document = json.loads(path.read_text(encoding="utf-8"))
        document["marks"][0]["start"] = "0:00:21"
        path.write_text(json.dumps(document), encoding="utf-8")
        keeper.bring_up_to_date()
        keeper.bring_up_to_date()
        assert set(keeper.conflicts) == {row.id}
        keeper.choose({row.id: take})
    expected = {
        "mine": ("capsulorhexis", Timecode("00:00:20:30"), 30 * S, "mine"),
        "theirs": ("capsulorhexis", 21 * S, 30 * S, ""),
    }
    assert said(path) == [expected[take]]
