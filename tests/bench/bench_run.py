"""Time and memory of `vidseg run` and its stages beside plain ffmpeg doing each one's equivalent.

    python tests/bench/bench_run.py [--minutes 10] [--size 1920x1080] [--work DIR] [--no-encoding]

One run, side by side: a recording (30 frames/s, H.264, groups of 2 s) with 14 segments is made
with ffmpeg, then each stage is run as a process of its own, vidseg's and ffmpeg's. Prints wall
time, CPU time and peak memory of each. ffmpeg must be on the PATH.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

STEPS = [
    "paracentesis",
    "viscoelastic_injection",
    "main_incision",
    "capsulorhexis",
    "hydrodissection",
    "nucleus_division",
    "fragment_removal",
    "cortex_removal",
    "viscoelastic_injection",
    "iol_insertion",
    "viscoelastic_removal",
    "capsule_polishing",
    "viscoelastic_removal",
    "wound_closure",
]


@dataclass(frozen=True, slots=True)
class Cost:
    """What one command took; ``peak_mb`` is the largest resident size of its largest process."""

    wall_s: float
    cpu_s: float
    peak_mb: float

    def __add__(self, other: Cost) -> Cost:
        return Cost(
            self.wall_s + other.wall_s, self.cpu_s + other.cpu_s, max(self.peak_mb, other.peak_mb)
        )


def measured(*command: str) -> Cost:
    """Run a command to its end and measure it. Raises CalledProcessError where it fails."""
    start = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
        assert process.stderr is not None
        errors = process.stderr.read()
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise subprocess.CalledProcessError(process.returncode, command, stderr=errors)
    return Cost(
        time.perf_counter() - start, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024
    )


def make_recording(path: Path, minutes: float, size: str, group: int = 60) -> None:
    """Make footage that is neither still nor noise: a moving test picture with grain and sound."""
    if path.exists():
        return
    seconds = str(round(minutes * 60))
    source = f"testsrc2=size={size}:rate=30,noise=alls=6:allf=t"
    aside = path.with_suffix(".part.mp4")
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", "-f", "lavfi", "-i", source, "-f", "lavfi",
         "-i", "sine=frequency=300", "-t", seconds, "-c:v", "libx264", "-preset", "veryfast",
         "-crf", "23", "-g", str(group), "-keyint_min", str(group), "-sc_threshold", "0", "-bf",
         "2", "-pix_fmt", "yuv420p", "-c:a", "aac", "-movflags", "+faststart", str(aside)],
        check=True,
    )  # fmt: skip
    aside.rename(path)


def segments(minutes: float) -> list[tuple[float, float, str]]:
    """Give 14 segments that fill most of the recording, their edges within groups of pictures."""
    share = minutes * 60 / len(STEPS)
    return [
        (round(i * share + 1.1, 3), round((i + 1) * share - 0.7, 3), step)
        for i, step in enumerate(STEPS)
    ]


def ffmpeg_equivalents(
    source: Path, rows: list[tuple[float, float, str]], work: Path, with_clips: bool
) -> dict[str, Cost]:
    """Do with ffmpeg what each stage of vidseg does, as near as it goes."""
    metadata = work / "chapters.ffmeta"
    metadata.write_text(
        ";FFMETADATA1\n"
        + "".join(
            f"[CHAPTER]\nTIMEBASE=1/1000\nSTART={int(a * 1000)}\nEND={int(b * 1000)}\ntitle={s}\n"
            for a, b, s in rows
        ),
        encoding="utf-8",
    )
    ffmpeg = ("ffmpeg", "-v", "error", "-y")
    costs = {
        "frame times": measured(
            "ffprobe", "-v", "error", "-select_streams", "v", "-show_entries", "packet=pts,flags",
            "-of", "csv", str(source),
        ),
        "chaptered recording": measured(
            *ffmpeg, "-i", str(source), "-i", str(metadata), "-map", "0", "-map_metadata", "1",
            "-c", "copy", str(work / "chaptered.mp4"),
        ),
    }  # fmt: skip
    stills = clips = Cost(0, 0, 0)
    for number, (start, end, _) in enumerate(rows):
        stills += measured(
            *ffmpeg, "-ss", str((start + end) / 2), "-i", str(source), "-frames:v", "1", "-q:v",
            "2", str(work / f"still{number}.jpg"),
        )  # fmt: skip
        if not with_clips:
            continue
        clips += measured(
            *ffmpeg, "-ss", str(start), "-to", str(end), "-i", str(source), "-c:v", "libx264",
            "-preset", "medium", "-crf", "18", "-c:a", "aac", str(work / f"clip{number}.mp4"),
        )  # fmt: skip
    costs["stills"] = stills
    if with_clips:
        costs["clips"] = clips
    return costs


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--size", default="1920x1080")
    parser.add_argument("--work", type=Path)
    parser.add_argument(
        "--no-encoding", action="store_true", help="leave out ffmpeg's re-encoding of the clips"
    )
    arguments = parser.parse_args()
    if shutil.which("ffmpeg") is None:
        sys.exit("ffmpeg is not on the PATH")
    work = arguments.work or Path(tempfile.mkdtemp(prefix="vidseg-bench-"))
    work.mkdir(parents=True, exist_ok=True)
    source = work / f"bench-{arguments.minutes:g}min-{arguments.size}.mp4"
    make_recording(source, arguments.minutes, arguments.size)
    rows = segments(arguments.minutes)
    steps = work / "steps.csv"
    steps.write_text(
        "start,end,step\n" + "".join(f"{a},{b},{s}\n" for a, b, s in rows), encoding="utf-8"
    )
    tool = (sys.executable, "-m", "vidseg")
    given = (str(source), str(steps), "--quiet")
    theirs = ffmpeg_equivalents(source, rows, work, not arguments.no_encoding)
    ours = {
        "frame times": measured(*tool, "inspect", str(source)),
        "durations": measured(*tool, "durations", str(steps), "--recording", str(source)),
        "chaptered recording": measured(*tool, "chapters", *given, "--out", str(work / "chapters")),
        "stills": measured(*tool, "stills", *given, "--out", str(work / "stills")),
    }
    whole = ("run", *given, "--out", str(work / "run"))
    ours["clips"] = measured(*tool, "clips", *given, "--out", str(work / "clips"))
    ours["run, all of it"] = measured(*tool, *whole)
    ours["run again, nothing changed"] = measured(*tool, *whole)
    print(f"{source.name}: {source.stat().st_size / 1e6:.0f} MB, {len(rows)} segments")
    print(f"{'':28}{'vidseg':>32}   {'ffmpeg':>32}")
    print(f"{'stage':28}" + f"{'wall s':>10}{'CPU s':>10}{'peak MB':>12}   " * 2)
    for stage, cost in ours.items():
        other = theirs.get(stage)
        line = f"{stage:28}{cost.wall_s:10.1f}{cost.cpu_s:10.1f}{cost.peak_mb:12.0f}   "
        if other is not None:
            line += f"{other.wall_s:10.1f}{other.cpu_s:10.1f}{other.peak_mb:12.0f}"
        print(line)
    help_cost = min((measured(*tool, "--help") for _ in range(5)), key=lambda c: c.wall_s)
    bare = min((measured(sys.executable, "-c", "pass") for _ in range(5)), key=lambda c: c.wall_s)
    print(f"vidseg --help {help_cost.wall_s:.3f} s beside python -c pass {bare.wall_s:.3f} s")


if __name__ == "__main__":
    main()
