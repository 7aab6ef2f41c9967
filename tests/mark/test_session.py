"""A session over HTTP: what the page is told and what comes of what it asks."""

import json
import shutil
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from vidseg.formats import read_sheet, write_sheet
from vidseg.formats.mask_list import read_masks
from vidseg.mark.journal import journal_path
from vidseg.mark.session import Usual
from vidseg.media.read.probe import open_recording
from vidseg.model.annotation import Mark, Sheet
from vidseg.model.mask import Mask
from vidseg.model.problem import UsageError
from vidseg.model.span import Span

MS = 1_000_000
Served = Callable[..., AbstractContextManager[Any]]


def row(
    name: str, start_ms: int, end_ms: int | None, label: str = "capsulorhexis"
) -> dict[str, Any]:
    end = None if end_ms is None else end_ms * MS
    return {"id": name, "label": label, "start_ns": start_ms * MS, "end_ns": end, "note": ""}


def send(page: httpx.Client, name: str, *changes: tuple[Any, Any], client: str = "p") -> Any:
    batch = {"id": name, "changes": [{"before": b, "after": a} for b, a in changes]}
    return page.post("changes", json={"client": client, "batch": batch})


@contextmanager
def listening(base: str) -> Iterator[list[tuple[str, Any]]]:
    """Hear the server's events for a block; the block is left once the stream has ended."""
    heard: list[tuple[str, Any]] = []
    begun = threading.Event()

    def listen() -> None:
        with httpx.stream("GET", base + "events", timeout=300, trust_env=False) as stream:
            name = ""
            for line in stream.iter_lines():
                begun.set()
                if line.startswith("event: "):
                    name = line[7:]
                elif line.startswith("data: "):
                    heard.append((name, json.loads(line[6:])))

    thread = threading.Thread(target=listen)
    thread.start()
    assert begun.wait(300)
    try:
        yield heard
    finally:
        thread.join(300)
        assert not thread.is_alive()


def test_state_says_what_the_recording_is(served: Served, clip: Path, tmp_path: Path) -> None:
    usual = {"capsulorhexis": Usual(95 * 10**9, 12, "library")}
    with served(tmp_path / "steps.json", usual=usual, annotator="B") as server:
        state = server.page.get("state").json()
        frames = np.frombuffer(server.page.get("frames").content, dtype="<f8")
    recording = open_recording([clip])
    assert frames.tolist() == recording.parts[0].frame_ns.tolist()
    told = state["recording"]
    assert (told["length_ns"], told["n_frames"]) == (recording.length, 50)
    assert (told["width"], told["height"], told["holes"]) == (160, 96, [])
    assert state["annotator"] == "B"
    assert state["rows"] == state["history"] == state["conflicts"] == []
    assert "capsulorhexis" in state["missing"]
    steps = {step["code"]: step for step in state["procedure"]["steps"]}
    assert steps["capsulorhexis"]["usual_n"] == 12
    assert steps["capsulorhexis"]["usual_from"] == "library"
    assert steps["hydrodissection"]["usual_from"] in ("vocabulary", None)


def test_marking_by_two_pages(
    served: Served, tmp_path: Path, wait_for: Callable[..., None]
) -> None:
    path = tmp_path / "steps.json"
    with served(path) as server:
        page = server.page
        with listening(server.base) as heard:
            first = row("a", 0, 400)
            assert send(page, "1", (None, first), client="one").json()["revision"] == 1
            assert send(page, "1", (None, first), client="one").json()["revision"] == 1
            running = row("b", 400, None, "hydrodissection")
            answer = send(page, "2", (None, running), client="two").json()
            assert [p["row"] for p in answer["problems"] if p["code"] == "no-end"] == ["b"]
            stale = send(page, "3", ({**first, "note": "x"}, None), (None, row("c", 800, 900)))
            assert stale.status_code == 409
            assert [one["id"] for one in stale.json()["rows"]] == ["a", "b"]
            assert stale.json()["rows"][1]["running"] is True
            wait_for(lambda: ("saved", {"revision": 2, "name": "steps.json"}) in heard)
            assert page.post("stop", json={}).status_code == 200
        changed = [data for name, data in heard if name == "changed"]
        assert [(c["revision"], c["client"], c["batch"]["id"]) for c in changed] == [
            (1, "one", "1"),
            (2, "two", "2"),
        ]
        assert changed[1]["batch"]["changes"][0]["after"]["running"] is True
        assert heard[-1] == ("stopping", {})
    assert server.outcome == [(None, True)]
    assert [(m.label, m.end) for m in read_sheet(path).marks] == [
        ("capsulorhexis", 400 * MS),
        ("hydrodissection", None),
    ]
    with served(path) as again:
        rows = again.page.get("state").json()["rows"]
        assert [one["running"] for one in rows] == [False, True]


def test_an_outside_edit_reaches_the_page(
    served: Served, tmp_path: Path, wait_for: Callable[..., None]
) -> None:
    path = tmp_path / "steps.json"
    with served(path) as server:
        page, keeper = server.page, server.session.keeper
        send(page, "1", (None, row("a", 0, 400)), (None, row("b", 400, 800, "hydrodissection")))
        keeper.bring_up_to_date()
        with listening(server.base) as heard:
            with keeper.lock:
                document = json.loads(path.read_text(encoding="utf-8"))
                for mark in document["marks"]:
                    mark["note"] = "theirs"
                path.write_text(json.dumps(document), encoding="utf-8")
                before = page_row(keeper, "a")
            with keeper.lock:
                server.session.make(batch("2", before, {**before, "note": "mine"}))
            wait_for(lambda: any(name == "outside" for name, _ in heard))
            (told,) = [data for name, data in heard if name == "outside"]
            assert [one["id"] for one in told["conflicts"]] == ["a"]
            assert {one["id"]: one["note"] for one in told["rows"]} == {"a": "mine", "b": "theirs"}
            assert "problems" in told
            assert page.get("state").json()["conflicts"] == told["conflicts"]
            bad = page.post("outside", json={"choices": [{"id": "b", "take": "mine"}]})
            assert bad.status_code == 422
            good = page.post("outside", json={"choices": [{"id": "a", "take": "mine"}]})
            assert good.status_code == 200
            page.post("stop", json={})
    assert [mark.note for mark in read_sheet(path).marks] == ["mine", "theirs"]


def page_row(keeper: Any, name: str) -> dict[str, Any]:
    found: dict[str, Any] = keeper.row_json(keeper.rows[name])
    return found


def batch(name: str, before: object, after: object) -> Any:
    from vidseg.mark.rows import batch_from

    return batch_from({"id": name, "changes": [{"before": before, "after": after}]}, "p")


def test_a_second_annotator_beside_and_blind(served: Served, tmp_path: Path) -> None:
    """The figures are those of `vidseg library agree`, which tests/measure/test_agree.py holds
    against other libraries; here: two alike annotations agree wholly (kappa 1 by definition)."""
    marks = (Mark("capsulorhexis", 0, 400 * MS), Mark("hydrodissection", 400 * MS, 800 * MS))
    other = tmp_path / "other.json"
    write_sheet(Sheet("other.json", marks, annotator="A"), other)
    with served(tmp_path / "mine.json", second=other) as server:
        page = server.page
        send(page, "1", (None, row("a", 0, 400)), (None, row("b", 400, 800, "hydrodissection")))
        second = page.get("second").json()
        assert second["name"] == "A"
        assert [one["label"] for one in second["rows"]] == ["capsulorhexis", "hydrodissection"]
        (level,) = second["agreement"]
        assert (level["level"], level["kappa"], level["f1"]["50"]) == ("step", 1.0, 100.0)
        send(page, "2", (row("b", 400, 800, "hydrodissection"), None))
        assert page.get("second").json()["agreement"][0]["kappa"] < 1
    with served(tmp_path / "blind.json", second=other, blind=True, annotator="B") as server:
        state = server.page.get("state")
        assert state.json()["second"] is None
        assert state.json()["blind"] is True
        assert server.page.get("second").json() is None
        assert "hydrodissection" not in json.dumps(state.json()["rows"])
    with (
        pytest.raises(UsageError, match="shows nothing of other annotators"),
        served(other, blind=True, annotator="B"),
    ):
        pass
    assert [child.name for child in tmp_path.glob(".*")] == []


def test_a_draft_is_brought_in_once_and_confirmed(served: Served, tmp_path: Path) -> None:
    draft, path = tmp_path / "draft.json", tmp_path / "steps.json"
    marks = (
        Mark(
            "capsulorhexis", 0, 400 * MS, "draft: to be confirmed", attributes=(("evidence", "e"),)
        ),
        Mark("hydrodissection", 400 * MS, 800 * MS, "draft: to be confirmed"),
    )
    write_sheet(Sheet("draft.json", marks, procedure="phaco"), draft)
    with served(path, draft=draft) as server:
        first, second = server.page.get("state").json()["rows"]
        assert (first["draft"], first["why"], first["note"]) == (True, "evidence e", "")
        send(server.page, "1", (first, {**first, "draft": False}), (second, None))
    (mark,) = read_sheet(path).marks
    assert (mark.label, mark.note, mark.attributes) == ("capsulorhexis", "", (("evidence", "e"),))
    with served(path, draft=draft) as server:
        rows = server.page.get("state").json()["rows"]
        assert [(one["label"], one["draft"]) for one in rows] == [
            ("capsulorhexis", False),
            ("hydrodissection", True),
        ]
    assert read_sheet(path).marks[1].note == "draft: to be confirmed"


def test_another_format_is_read_and_saved_as_json_beside(served: Served, tmp_path: Path) -> None:
    listed = tmp_path / "steps.txt"
    lines = "0:00 capsulorhexis\n0:01 hydrodissection\n0:99 pause\n"
    listed.write_text(lines, encoding="utf-8")
    with served(listed) as server:
        state = server.page.get("state").json()
        assert state["file"]["name"] == "steps.json"
        assert any("2 rows read from steps.txt" in notice for notice in state["notices"])
        assert any("steps.txt:3" in notice for notice in state["notices"])
    assert [m.end for m in read_sheet(tmp_path / "steps.json").marks] == [1000 * MS, 2000 * MS]
    with pytest.raises(UsageError, match=r"steps.json beside it exists"), served(listed):
        pass


def test_another_format_is_read_once_though_the_session_is_killed(
    served: Served, tmp_path: Path
) -> None:
    """The journal is as a killed session leaves it; the file was not yet saved."""
    listed, away = tmp_path / "steps.txt", tmp_path / "away"
    listed.write_text("0:00 capsulorhexis\n0:01 hydrodissection\n", encoding="utf-8")
    away.mkdir()
    with served(listed) as server, server.session.keeper.lock:
        shutil.copy(listed, away)
        shutil.copy(journal_path(tmp_path / "steps.json"), away)
    with served(away / "steps.txt") as server:
        assert len(server.page.get("state").json()["rows"]) == 2
    assert len(read_sheet(away / "steps.json").marks) == 2


def test_copies_and_masks(served: Served, tmp_path: Path) -> None:
    with served(tmp_path / "steps.json") as server:
        page = server.page
        send(page, "1", (None, row("a", 0, 400)))
        answer = page.post("save-as", json={"format": "csv"})
        assert answer.json()["name"] == "steps.csv"
        assert page.post("save-as", json={"format": "csv"}).status_code == 409
        again = page.post("save-as", json={"format": "csv", "replace": True})
        assert again.status_code == 200
        for wrong in ("exe", "../x", "", None):
            assert page.post("save-as", json={"format": wrong}).status_code == 422
        box = {"x": 1, "y": 2, "width": 30, "height": 4, "start_ns": 0, "end_ns": 40 * MS}
        assert page.post("masks", json={"masks": [box]}).json()["count"] == 1
        for wrong in ({**box, "width": 0}, {**box, "end_ns": None}, {**box, "x": 1.5}, []):  # type: ignore[assignment]
            assert page.post("masks", json={"masks": [wrong]}).status_code == 422
        assert page.get("state").json()["masks"] == [box]
    assert len(read_sheet(tmp_path / "steps.csv").marks) == 1
    assert read_masks(tmp_path / "steps.masks.csv") == (Mask(1, 2, 30, 4, Span(0, 40 * MS)),)


def test_a_second_session_is_refused(served: Served, tmp_path: Path) -> None:
    with (
        served(tmp_path / "steps.json"),
        pytest.raises(UsageError, match="being marked already"),
        served(tmp_path / "steps.json"),
    ):
        pass


def test_it_ends_although_pages_hold_on(served: Served, tmp_path: Path) -> None:
    """A page that listens, one that takes no bytes, and a connection that says nothing."""
    with served(tmp_path / "steps.json") as server:
        address, port = server.host.split(":")
        silent = socket.create_connection((address, int(port)))
        slow = socket.create_connection((address, int(port)))
        slow.sendall(
            f"GET /{server.token}/media/file HTTP/1.1\r\nHost: {server.host}\r\n\r\n".encode()
        )
        with listening(server.base):
            server.page.post("stop", json={})
    silent.close()
    slow.close()
    assert server.outcome == [(None, True)]


def test_what_is_played_and_heard(
    served: Served, clip: Path, tmp_path: Path, wait_for: Callable[..., None]
) -> None:
    """Segments are the media's own (tests/media); here: they arrive, and so do levels. The clip has
    a tone of 200 ms at each whole second and is silent else."""
    with served(tmp_path / "steps.json") as server:
        page = server.page
        media = page.get("state?segments=1").json()["media"]
        assert media["mode"] == "segments"
        assert media["segments"][0][0] == 0
        initial = page.get("media/0/init/video")
        assert (initial.status_code, initial.content[4:8]) == (200, b"ftyp")
        assert page.get("media/0/video").content[4:8] in (b"styp", b"moof")
        for wrong in ("media/99/video", "media/0/steps", "media/9/init/video", "media/-1/video"):
            assert page.get(wrong).status_code == 404
        assert page.get("levels").status_code in (200, 202)
        wait_for(lambda: page.get("levels").status_code == 200)
        levels = np.frombuffer(page.get("levels").content, dtype="<f4")
        assert len(levels) == 20
        assert set(np.flatnonzero(levels > 0.1) // 10) <= {0, 1}
        assert levels[11] > 0.1 > levels[5]
        assert page.get("near-change").status_code == 422
        assert page.get("near-change?at_ns=1e9").status_code == 422
        near = page.get("near-change?at_ns=1000000000").json()
        assert near["at_ns"] is None or near["at_ns"] % (40 * MS) == 0
