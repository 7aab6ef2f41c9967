"""How long marking takes: from nothing, from a draft; to the first picture; to the saved file.

    python tests/bench/bench_mark.py [--recording FILE] [--work FOLDER] [--speed 4]

Draws the demo operation (or takes a recording for the time to its first picture), opens the page in
Chromium and presses keys at the truth's times. Nobody thinks, so the times are a floor: what the
program and the playing cost, without the person.
"""

from __future__ import annotations

import argparse
import csv
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

from synthetic_clips import draw_operation, load_scenario
from vidseg.formats import read_sheet

PLAYED = "document.getElementById('video').currentTime"
OPEN = "document.documentElement.dataset.ready === 'yes'"
SEEN = "document.getElementById('video').readyState >= 2"
SAVED = "document.getElementById('saving').dataset.state === 'saved'"
DELAYS = 20


@dataclass
class Running:
    """A server started as a user would, and when."""

    process: subprocess.Popen[str]
    address: str
    since: float

    def memory_mib(self) -> str:
        """Give the most memory that the server has held."""
        status = Path(f"/proc/{self.process.pid}/status")
        if not status.exists():
            return "not measured here"
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return f"{int(line.split()[1]) / 1024:.0f} MiB"


@contextmanager
def marking(*arguments: str) -> Iterator[Running]:
    """Run `vidseg mark` for a block."""
    since = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-m", "vidseg", "mark", *arguments, "--no-browser", "--quiet"],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        yield Running(process, process.stdout.readline().strip(), since)
    finally:
        process.terminate()
        process.wait(20)


def wait(page: Any, condition: str) -> None:
    """Wait for a script's value to be true; from outside, as the policy forbids it within."""
    deadline = time.monotonic() + 600
    while not page.evaluate(condition):
        if time.monotonic() > deadline:
            raise TimeoutError(condition)
        page.wait_for_timeout(5)


def opened(browser: Any, running: Running) -> tuple[Any, float]:
    """Open the page; gives it, and the seconds from the command to the first picture."""
    page = browser.new_page(viewport={"width": 1280, "height": 720})
    page.goto(running.address)
    wait(page, OPEN)
    wait(page, SEEN)
    return page, time.monotonic() - running.since


def keys_of(page: Any) -> dict[str, str]:
    """Give the key of each step as the page has chosen it."""
    shown = page.evaluate(
        "[...document.querySelectorAll('.step')].map(s => [s.dataset.code, "
        "s.querySelector('kbd').textContent])"
    )
    return {code: key.replace("⇧", "Shift+") for code, key in shown}


def strokes(truth: Path, keys: dict[str, str], rate: float) -> list[tuple[float, str]]:
    """Give the keys to press with their times (s); a step that another follows needs no end."""
    with truth.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    begun = {row["start_frame"] for row in rows if row["kind"] == "step"}
    found = []
    for row in rows:
        key = keys[row["code"]]
        key = key if "+" in key else key.lower()
        found.append((int(row["start_frame"]) / rate, key))
        ends = row["end_frame"] != row["start_frame"]
        if ends and not (row["kind"] == "step" and row["end_frame"] in begun):
            found.append((int(row["end_frame"]) / rate, key))
    return sorted(found)


def from_nothing(browser: Any, recording: Path, folder: Path, speed: str) -> None:
    """Mark the whole operation while it plays."""
    target = folder / "nothing.json"
    with marking(str(recording), "--annotation", str(target)) as running:
        page, first = opened(browser, running)
        print(f"command to first picture: {first:.2f} s")
        plan = strokes(folder / "demo.truth.csv", keys_of(page), 25.0)
        begun = time.monotonic()
        page.keyboard.press(speed)
        page.keyboard.press("Space")
        for at, key in plan:
            while page.evaluate(PLAYED) < at:
                pass
            page.keyboard.press(key)
        wait(page, SAVED)
        took = time.monotonic() - begun
        length = page.evaluate("document.getElementById('video').duration")
        rows = len(read_sheet(target).marks)
        print(
            f"from nothing at {speed}x: {len(plan) + 2} keystrokes, {took:.1f} s "
            f"for {length:.0f} s of recording, {rows} rows"
        )
        page.keyboard.press("Space")
        delays(page, target)
        print(f"most memory of the server: {running.memory_mib()}")
        page.close()


def delays(page: Any, target: Path) -> None:
    """Measure from a key to the file that holds its mark."""
    found = []
    for number in range(DELAYS):
        before = target.read_bytes()
        begun = time.monotonic()
        page.keyboard.press("Shift+N")
        while target.read_bytes() == before:
            time.sleep(0.002)
        found.append(1000 * (time.monotonic() - begun))
        page.wait_for_timeout(37 * (number % 7))
    found.sort()
    print(
        f"key to saved file, {DELAYS} keys: median {statistics.median(found):.0f} ms, "
        f"95th percentile {found[int(0.95 * DELAYS) - 1]:.0f} ms, longest {found[-1]:.0f} ms"
    )


def from_draft(browser: Any, recording: Path, folder: Path) -> None:
    """Confirm a draft of the narration row by row."""
    draft, target = folder / "draft.json", folder / "drafted.json"
    subprocess.run(
        [sys.executable, "-m", "vidseg", "draft", str(folder / "captions.vtt"), "-o", str(draft)],
        check=True,
        capture_output=True,
    )
    with marking(str(recording), "--annotation", str(target), "--draft", str(draft)) as running:
        page, _ = opened(browser, running)
        count = len(read_sheet(draft).marks)
        begun = time.monotonic()
        for _ in range(count):
            page.keyboard.press("Enter")
        wait(page, SAVED)
        took = time.monotonic() - begun
        print(f"from a draft: {count} rows confirmed with {count} keystrokes in {took:.1f} s")
        page.close()


def first_picture(browser: Any, recording: Path, folder: Path) -> None:
    """Measure how soon a recording of the user's is seen."""
    with marking(str(recording), "--annotation", str(folder / "given.json")) as running:
        page, first = opened(browser, running)
        print(f"{recording.name}: command to first picture {first:.2f} s, {running.memory_mib()}")
        page.close()


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--recording", type=Path, help="only the first picture of this recording")
    parser.add_argument("--work", type=Path, help="folder that keeps the drawn demo")
    parser.add_argument("--speed", default="4", choices=("1", "2", "3", "4"))
    options = parser.parse_args()
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        sys.exit("no Chromium on this machine")
    with tempfile.TemporaryDirectory() as temporary, sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu", "--mute-audio"]
        )
        folder = options.work or Path(temporary)
        for old in ("nothing.json", "draft.json", "drafted.json", "given.json"):
            (folder / old).unlink(missing_ok=True)
        if options.recording is not None:
            first_picture(browser, options.recording, folder)
        else:
            recording = folder / "demo.mp4"
            if not recording.exists():
                folder.mkdir(parents=True, exist_ok=True)
                draw_operation(load_scenario("demo"), recording)
            from_nothing(browser, recording, folder, options.speed)
            from_draft(browser, recording, folder)
        browser.close()


if __name__ == "__main__":
    main()
