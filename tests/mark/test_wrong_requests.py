"""What the page never asks: bodies and addresses made wrong are refused, and the server goes on."""

import json
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import httpx
from hypothesis import given
from hypothesis import strategies as st
from mutation import TEXT, mutated, tried

from vidseg.formats import read_sheet

Served = Callable[..., AbstractContextManager[Any]]
ROW = {
    "id": "r1",
    "label": "capsulorhexis",
    "start_ns": 40_000_000,
    "end_ns": 400_000_000,
    "open_start": False,
    "open_end": False,
    "note": "a note",
    "attributes": [["hand", "left"]],
    "draft": False,
}
BODIES = {
    "changes": {
        "client": "page",
        "batch": {"id": "b1", "changes": [{"before": None, "after": ROW}]},
    },
    "outside": {"choices": [{"id": "r1", "take": "mine"}]},
    "masks": {"masks": [{"x": 0, "y": 0, "width": 40, "height": 20, "start": 0, "end": 10**9}]},
    "save-as": {"format": ".vtt", "replace": True},
}
ADDRESSES = (
    b"levels",
    b"near-change?at_ns=400000000",
    b"media/0/video",
    b"media/0/init/video",
    b"media/file",
    b"assets/mark.css",
    b"state?segments=1",
)


def test_wrong_bodies(served: Served, tmp_path: Path) -> None:
    path = tmp_path / "steps.json"
    wrong = st.sampled_from(sorted(BODIES)).flatmap(
        lambda name: st.tuples(st.just(name), mutated((json.dumps(BODIES[name]).encode(),), TEXT))
    )
    with served(path) as server:

        @tried(120)
        @given(request=wrong)
        def each(request: tuple[str, bytes]) -> None:
            name, body = request
            answer = server.page.post(
                name, content=body, headers={"Content-Type": "application/json"}
            )
            assert answer.status_code < 500, answer.text

        each()
        assert server.page.get("state").status_code == 200
        rows = server.page.get("state").json()["rows"]
    assert len(read_sheet(path).marks if path.exists() else ()) == len(rows)


def test_wrong_addresses(served: Served, tmp_path: Path) -> None:
    with served(tmp_path / "steps.json") as server:

        @tried(80)
        @given(address=mutated(ADDRESSES, TEXT))
        def each(address: bytes) -> None:
            text = address.decode("utf-8", "replace").replace("events", "")
            url = "".join(
                letter
                if letter.isascii() and letter.isprintable() and letter != " "
                else "".join(f"%{byte:02x}" for byte in letter.encode())
                for letter in text[:2000].replace("#", "%23")
            )
            if url.startswith(("http", "/", "\\")) or "://" in url:
                return  # another place altogether
            try:
                answer = server.page.get("./" + url, headers={"Range": "bytes=0-99"})
            except httpx.InvalidURL:
                return
            assert answer.status_code < 500, (url, answer.text)

        each()
        assert server.page.get("state").status_code == 200
