"""Cases an hour and speed-up of `vidseg batch` on processes and on Dask, and memory of a job.

    python tests/bench/bench_batch.py [--recordings 20] [--minutes 5] [--size 1280x720]
        [--only durations,stills] [--long 60] [--work DIR]

One run, side by side, on the same recordings (H.264, 30 frames/s, made with ffmpeg): 1 and 2
processes, and Dask with 1 and 2 workers of this machine, all with one core for each case; then one
process with all cores. A run with one case is timed as well and its start taken off, so that the
rate is that of a long night. Then one job on a short and on a long recording. Prints wall time, CPU
time, cases an hour, speed-up over one process, and the largest process's memory. ffmpeg must be on
the PATH; the machine should have nothing else to do.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from bench_run import Cost, make_recording, measured, segments

ENGINES = {
    "1 process": ("--jobs", "1", "--cores", "1"),
    "2 processes": ("--jobs", "2", "--cores", "1"),
    "Dask, 1 worker": ("--local-cluster", "1", "--cores", "1"),
    "Dask, 2 workers": ("--local-cluster", "2", "--cores", "1"),
    "1 process, all cores": ("--jobs", "1"),
}


def write_list(path: Path, recordings: list[Path], minutes: float) -> Path:
    """Write a list with the same steps for each recording."""
    steps = path.with_suffix(".steps.csv")
    rows = "".join(f"{a},{b},{s}\n" for a, b, s in segments(minutes))
    steps.write_text("start,end,step\n" + rows, encoding="utf-8")
    lines = "".join(f"{r.stem},{r.name},{steps.name}\n" for r in recordings)
    path.write_text("case,recording,annotation\n" + lines, encoding="utf-8")
    return path


def batch(listed: Path, only: str, *engine: str) -> Cost:
    """Run a batch into a new folder and measure it."""
    out = listed.with_suffix(".out")
    shutil.rmtree(out, ignore_errors=True)
    command = (sys.executable, "-m", "vidseg", "batch", str(listed), "--out", str(out), "--quiet")
    cost = measured(*command, "--only", only, *engine)
    shutil.rmtree(out)
    return cost


def lengthened(source: Path, times: int) -> Path:
    """Repeat a recording so many times, by copying packets."""
    out = source.with_name(f"long-{times}x.mp4")
    if not out.exists():
        subprocess.run(
            ["ffmpeg", "-v", "error", "-y", "-stream_loop", str(times - 1), "-i", str(source),
             "-c", "copy", str(out)],
            check=True,
        )  # fmt: skip
    return out


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--recordings", type=int, default=20)
    parser.add_argument("--minutes", type=float, default=5)
    parser.add_argument("--long", type=float, default=60)
    parser.add_argument("--size", default="1280x720")
    parser.add_argument("--only", default="durations,stills")
    parser.add_argument("--work", type=Path)
    given = parser.parse_args()
    if shutil.which("ffmpeg") is None:
        sys.exit("ffmpeg is not on the PATH")
    work = given.work or Path(tempfile.mkdtemp(prefix="vidseg-bench-"))
    work.mkdir(parents=True, exist_ok=True)
    first = work / "r00.mp4"
    make_recording(first, given.minutes, given.size)
    recordings = [first]
    for number in range(1, given.recordings):
        recordings.append(work / f"r{number:02}.mp4")
        if not recordings[-1].exists():
            shutil.copyfile(first, recordings[-1])
    listed = write_list(work / "all.csv", recordings, given.minutes)
    one = write_list(work / "one.csv", recordings[:1], given.minutes)
    size = first.stat().st_size
    print(
        f"{given.recordings} recordings of {given.minutes:g} min, {given.size}, "
        f"{size / 1e6:.0f} MB each; --only {given.only}; {os.cpu_count()} cores, load "
        f"{os.getloadavg()[0]:.1f}"
    )
    print(f"{'':22}{'wall s':>9}{'CPU s':>9}{'start s':>9}{'cases/h':>9}{'speed-up':>10}")
    base = 0.0
    for name, engine in ENGINES.items():
        start, all_of_it = batch(one, given.only, *engine), batch(listed, given.only, *engine)
        rate = (given.recordings - 1) / (all_of_it.wall_s - start.wall_s) * 3600
        base = base or rate
        print(
            f"{name:22}{all_of_it.wall_s:9.1f}{all_of_it.cpu_s:9.1f}{start.wall_s:9.1f}"
            f"{rate:9.0f}{rate / base:10.2f}"
        )
    times = max(1, round(given.long / given.minutes))
    longer = write_list(work / "long.csv", [lengthened(first, times)], given.long)
    print("one job, peak memory of its largest process:")
    for source, minutes in ((one, given.minutes), (longer, given.minutes * times)):
        cost = batch(source, given.only, *ENGINES["1 process"])
        print(f"  {minutes:5.0f} min: {cost.peak_mb:6.0f} MB, {cost.wall_s:6.1f} s")


if __name__ == "__main__":
    main()
