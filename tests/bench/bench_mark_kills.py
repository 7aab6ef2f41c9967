"""Fifty servers of `vidseg mark` killed at random moments: is every answered batch there?

Each server goes on with what the one before left, and is killed up to half a second after its first
answer. Printed: how many were killed, answered, found,
how long a batch took from the page and back, and how soon the file held it.

    python tests/bench/bench_mark_kills.py [KILLS]
"""

import json
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import httpx

from synthetic_clips import make_clip
from vidseg.formats import read_sheet


def start(clip: Path, kept: Path) -> tuple[subprocess.Popen[str], str]:
    command = [sys.executable, "-m", "vidseg", "mark", str(clip), "--annotation", str(kept)]
    process = subprocess.Popen(
        [*command, "--no-browser", "--quiet"], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    return process, process.stdout.readline().strip()


def page_of(base: str) -> httpx.Client:
    origin = base.rsplit("/", 2)[0]
    return httpx.Client(base_url=base, headers={"Origin": origin}, timeout=60, trust_env=False)


def mark(page: httpx.Client, name: str) -> float:
    row = {"id": name, "label": "capsulorhexis", "start_ns": 0, "end_ns": 40_000_000}
    batch = {"id": name, "changes": [{"before": None, "after": row}]}
    begun = time.perf_counter()
    page.post("changes", json={"client": "bench", "batch": batch}).raise_for_status()
    return time.perf_counter() - begun


def main(kills: int) -> None:
    chance = random.Random(1)
    answered: list[str] = []
    took: list[float] = []
    with tempfile.TemporaryDirectory() as name:
        clip, kept = Path(name) / "clip.mp4", Path(name) / "steps.json"
        make_clip(clip, frames=50, size=(160, 96))
        for number in range(kills):
            process, base = start(clip, kept)
            killer = threading.Timer(chance.uniform(0, 0.5), process.kill)
            with page_of(base) as page:
                try:
                    for count in range(100_000):
                        took.append(mark(page, f"{number}-{count}"))
                        answered.append(f"{number}-{count}")
                        if count == 0:
                            killer.start()
                except httpx.TransportError:
                    pass
            killer.join()
            process.communicate()
            if kept.exists():
                json.loads(kept.read_text(encoding="utf-8"))
        process, base = start(clip, kept)
        with page_of(base) as page:
            rows = {row["id"] for row in page.get("state").json()["rows"]}
            begun = time.perf_counter()
            mark(page, "last")
            while page.get("state").json()["file"]["saved_revision"] <= len(rows):
                time.sleep(0.01)
            saved_s = time.perf_counter() - begun
            page.post("stop", json={})
        process.communicate()
        held = len(read_sheet(kept).marks)
    lost = set(answered) - rows
    print(f"killed {kills}, answered {len(answered)}, lost {len(lost)}")
    print(f"rows at the end {len(rows) + 1}, in the file {held}")
    print(
        f"a batch took {1000 * statistics.median(took):.1f} ms (median), "
        f"{1000 * max(took):.0f} ms at most, with up to {len(rows)} rows"
    )
    print(f"{saved_s:.2f} s after it was sent the last change was in the file")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
