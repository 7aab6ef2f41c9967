"""How soon a long recording can be watched in a browser, and what that costs.

    python tests/bench/bench_playback.py [--hours 2] [--watch 20] [--work FOLDER]

Draws ten seconds of 1920x1080 at 30000/1001, repeats their packets with ffmpeg to ``--hours``,
once as H.264 of 8 bit (copied) and once of 10 bit (encoded), both in Matroska with AAC. Prints for
each: how long it takes to open and to plan, to make the first segment, the second, one in the
middle and the last, of pictures and of sound; how much is made ahead in ``--watch`` seconds; the
bytes of a segment; and the highest resident memory. ffmpeg must be on the PATH; the files, some
gigabytes, are deleted at the end.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from fractions import Fraction
from pathlib import Path
from typing import TypeVar

from synthetic_clips import make_clip
from vidseg.media.read.probe import open_recording
from vidseg.media.stream.playback import plan_playback
from vidseg.media.stream.segment_maker import SegmentMaker

KINDS = {"copied": "yuv420p", "encoded": "yuv420p10le"}
RATE = Fraction(30_000, 1001)
FRAMES = 300
NS = 1_000_000_000

Result = TypeVar("Result")


def timed(what: str, call: Callable[[], Result]) -> Result:
    """Run ``call``, print how long it took, and the processor time of all threads meanwhile."""
    begun, worked = time.perf_counter(), time.process_time()
    result = call()
    took, worked = time.perf_counter() - begun, time.process_time() - worked
    print(f"  {what:<34} {took:8.3f} s, processor {worked:8.3f} s", flush=True)
    return result


def draw(path: Path, pixel_format: str, hours: float) -> None:
    """Write the long recording."""
    short = path.with_name(f"short-{path.name}")
    make_clip(short, frames=FRAMES, size=(1920, 1080), rate=RATE, gop=60, pixel_format=pixel_format)
    loops = round(hours * 3600 * RATE / FRAMES) - 1
    command = ["ffmpeg", "-v", "error", "-y", "-stream_loop", str(loops), "-i", str(short)]
    subprocess.run([*command, "-c", "copy", str(path)], check=True)
    short.unlink()


def measure(path: Path, way: str, watch_s: float) -> None:
    """Print everything about one recording."""
    print(f"{way}: {path.stat().st_size / 1e9:.2f} GB")
    recording = timed("open_recording", lambda: open_recording([path]))
    playback = timed("plan_playback", lambda: plan_playback(recording, prefer_segments=True))
    if {found.way for found in playback.ways} != {way}:
        sys.exit(f"expected {way}, found {playback.ways}")
    last = len(playback.segments) - 1
    print(f"  {recording.length / NS / 3600:.2f} h, {last + 1} segments")
    sizes: list[int] = []

    def get(maker: SegmentMaker, index: int, track: str) -> None:
        sizes.append(len(maker.segment(index, track)))

    with closing(timed("SegmentMaker", lambda: SegmentMaker(recording, playback))) as maker:
        for name, index in (("first", 0), ("second", 1), ("middle", last // 2), ("last", last)):
            for track in ("video", "audio"):
                timed(f"{name} segment, {track}", lambda i=index, t=track: get(maker, i, t))  # type: ignore[misc]
        print(f"  bytes of a segment, median of pictures {sorted(sizes[::2])[2]}, "
              f"of sound {sorted(sizes[1::2])[2]}")  # fmt: skip
        if way == "encoded":
            before, worked = maker.done, time.process_time()
            time.sleep(watch_s)
            made = (maker.done - before) * recording.length / NS
            worked = time.process_time() - worked
            print(f"  made ahead in {watch_s:.0f} s: {made:.0f} s, processor {worked:.1f} s")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"  highest resident memory so far {peak:.0f} MB", flush=True)


def main() -> None:
    """Measure both kinds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--watch", type=float, default=20.0)
    parser.add_argument("--work", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.work) as folder:
        for way, pixel_format in KINDS.items():
            path = Path(folder) / f"{way}.mkv"
            draw(path, pixel_format, given.hours)
            measure(path, way, given.watch)
            path.unlink()


if __name__ == "__main__":
    main()
