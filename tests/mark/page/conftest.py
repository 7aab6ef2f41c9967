"""What the tests of the marking page share: a browser, a page that must not complain, its eyes."""

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from synthetic_clips import make_clip, read_number

SIZE = (160, 96)

# The green of every pixel of the video as it is now, one character each.
LOOK = """window.look = () => {
  const pen = new OffscreenCanvas(160, 96).getContext("2d", { willReadFrequently: true });
  pen.drawImage(document.getElementById("video"), 0, 0, 160, 96);
  const { data } = pen.getImageData(0, 0, 160, 96);
  let text = "";
  for (let i = 1; i < data.length; i += 4) text += String.fromCharCode(data[i]);
  return text;
}"""
# Before the page's own listener and after it, the picture of the video as it is then.
EYES = """() => {
  const pending = [];
  window.seen = [];
  addEventListener("keydown", (event) => {
    pending.push([event.key, event.timeStamp, look()]);
  }, true);
  addEventListener("keydown", () => {
    const [key, when, before] = pending.pop();
    window.seen.push({ key, late: performance.now() - when, before, after: look() });
  });
}"""


@dataclass
class Seen:
    """A key, how late (ms) its listeners were done, and the frames seen around it."""

    key: str
    late_ms: float
    before: int
    after: int


class Page:
    """A marking page in the browser."""

    def __init__(self, page: Any, address: str, patience_s: float) -> None:
        self.page, self.address, self.patience_s = page, address, patience_s

    def evaluate(self, script: str) -> Any:
        """Run a script in the page and give its value."""
        return self.page.evaluate(script)

    def wait(self, condition: str) -> None:
        """Wait until a script's value is true."""
        deadline = time.monotonic() + self.patience_s
        while not self.evaluate(condition):
            assert time.monotonic() < deadline, condition
            self.page.wait_for_timeout(20)

    def ready(self) -> None:
        """Wait until the page is open and a picture is there."""
        self.wait("document.documentElement.dataset.ready === 'yes'")
        self.wait("document.getElementById('video').readyState >= 2")
        self.settled()

    def settled(self) -> None:
        """Wait until the frame aimed at is on the screen."""
        video = "document.getElementById('video')"
        self.wait(f"!{video}.seeking && {video}.getAttribute('aria-busy') !== 'true'")
        self.evaluate("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))")

    def saved(self) -> None:
        """Wait until the page says that all is saved."""
        self.wait("document.getElementById('saving').dataset.state === 'saved'")

    def press(self, *keys: str) -> None:
        """Press keys one after the other, each at rest."""
        for key in keys:
            self.page.keyboard.press(key)
            self.settled()

    def picture(self) -> int | None:
        """Read the number that the picture of the video carries."""
        self.settled()
        return number_of(self.evaluate(f"({LOOK})()"))

    def frame(self) -> int:
        """Give the frame that the page says is shown."""
        return int(self.text("frame").split()[1])

    def go(self, frame: int) -> None:
        """Go to a frame by the slider."""
        self.page.locator("#slider").fill(str(frame))
        self.page.locator("#stage").focus()
        self.settled()
        assert self.frame() == frame

    def watch_keys(self) -> None:
        """From now on note the picture around every key."""
        self.evaluate(f"{{ {LOOK}; ({EYES})() }}")

    def seen(self) -> list[Seen]:
        """Give what was noted."""
        found = []
        for one in self.evaluate("window.seen"):
            before, after = number_of(one["before"]), number_of(one["after"])
            assert before is not None
            assert after is not None
            found.append(Seen(one["key"], one["late"], before, after))
        return found

    def text(self, name: str) -> str:
        """Give the text of the element of that id."""
        return str(self.page.locator(f"#{name}").inner_text())

    def rows(self) -> list[str]:
        """Give the names in the list of rows, in order."""
        names = "[...document.querySelectorAll('#rows .row-name')]"
        return list(self.evaluate(f"{names}.map(name => name.firstChild.textContent)"))

    def choose(self, place: int) -> None:
        """Choose a row by its place in the list, from 0, and go to its start."""
        self.page.locator("#rows .row").nth(place).click()
        self.settled()


def number_of(values: str) -> int | None:
    """Read the bar code of a picture of SIZE."""
    luma = np.frombuffer(values.encode("latin-1"), np.uint8)
    return read_number(luma.reshape(SIZE[1], SIZE[0]))


@pytest.fixture
def opened(browser: Any, patience_s: float) -> Iterator[Callable[..., Page]]:
    """Open a page; when the test ends no error may have come, and no request to elsewhere."""
    contexts: list[Any] = []
    heard: list[str] = []

    def open_page(
        address: str, *, quiet: bool = True, again: Any = None, before: Any = None, **options: Any
    ) -> Page:
        context = again
        if context is None:
            options.setdefault("viewport", {"width": 1280, "height": 720})
            context = browser.new_context(**options)
            contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(patience_s * 1000)
        if quiet:
            page.on("console", lambda m: heard.append(m.text))
        page.on("pageerror", lambda e: heard.append(str(e)))
        host = address.split("/")[2]
        page.on(
            "request",
            lambda r: (
                None if r.url.startswith((f"http://{host}/", "blob:")) else heard.append(r.url)
            ),
        )
        if before is not None:
            before(page)
        page.goto(address)
        found = Page(page, address, patience_s)
        found.ready()
        return found

    yield open_page
    for context in contexts:
        context.close()
    assert heard == []


@pytest.fixture(scope="session")
def operation(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight seconds at 25 frames/s, a key frame every second."""
    path = tmp_path_factory.mktemp("page") / "operation.mp4"
    make_clip(path, frames=200, size=SIZE, gop=25)
    return path
