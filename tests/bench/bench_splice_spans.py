"""Random spans of many kinds of recordings, spliced and read back by the ffmpeg program.

    python tests/bench/bench_splice_spans.py [--spans 4] [--seed 1] [--only TEXT] [--work FOLDER]

Sources are all combinations of codec, bit depth, chroma, container, groups (short, with deep
reordering, open), constant and variable rate, start offset, interlacing. Of each, ``--spans``
random clips are written: one in five of two ranges, one in ten a single frame, one in ten from
the start and one in ten up to the end. Every clip is decoded by ffmpeg in a process of its own,
edit lists honoured and ignored, with ``-xerror``: the bar codes must be those of the frames
asked for, stderr silent, and every frame at its time. Prints how the clips were made and why,
and every clip that is wrong; exit code 1 where there is one. ffmpeg must be on the PATH.
"""

from __future__ import annotations

import argparse
import itertools
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from synthetic_clips import make_clip, read_number
from vidseg.media.read.probe import read_part
from vidseg.media.splice.many_clips import write_exact_clips
from vidseg.model.clip import Clip
from vidseg.model.recording import Recording
from vidseg.model.stretch import stretches

FRAMES, WIDTH, HEIGHT = 90, 320, 180
MS = 1_000_000
VARIABLE = [i * 33_333_333 + (0, 7, 15, 4)[i % 4] * MS for i in range(FRAMES)]
GROUPS: dict[str, dict[str, Any]] = {
    "short": {"gop": 12, "bframes": 2},
    "deep": {"gop": 30, "bframes": 5, "pyramid": True},
    "open": {"gop": 24, "bframes": 3, "open_gop": True},
}


def kinds() -> Iterator[tuple[str, dict[str, object]]]:
    """Yield (file name, arguments of make_clip) for every combination."""
    for codec, depth, chroma, suffix, group, variable, late, fields in itertools.product(
        ("libx264", "libx265"), (8, 10), (420, 422), (".mp4", ".mov", ".mkv", ".ts"), GROUPS,
        (False, True), (False, True), (False, True),
    ):  # fmt: skip
        if fields and codec == "libx265":
            continue
        chosen = dict(GROUPS[group])
        if chosen.pop("pyramid", False):
            own = {"libx264": "b-pyramid=normal", "libx265": "rc-lookahead=20"}[codec]
            chosen["options"] = {f"{codec[3:]}-params": own}
        arguments = {
            "codec": codec,
            "pixel_format": f"yuv{chroma}p" + ("10le" if depth == 10 else ""),
            "interlaced": fields,
            "start_offset_s": 12.5 if late else 0.0,
            **chosen,
        }
        arguments |= {"times_ns": VARIABLE} if variable else {"rate": Fraction(30000, 1001)}
        words = (codec[3:], depth, chroma, group, "vfr" if variable else "cfr",
                 "late" if late else "zero", "fields" if fields else "frames")  # fmt: skip
        yield "-".join(map(str, words)) + suffix, arguments


def spans(chosen: random.Random, count: int) -> Iterator[list[tuple[int, int]]]:
    """Yield lists of ranges."""
    for _ in range(count):
        first, last = sorted(chosen.sample(range(FRAMES + 1), 2))
        shape = chosen.random()
        if shape < 0.1:
            first = min(first, FRAMES - 1)
            yield [(first, first + 1)]
        elif shape < 0.2:
            yield [(0, last)]
        elif shape < 0.3:
            yield [(first, FRAMES)]
        elif shape < 0.5:
            a, b, c, d = sorted(chosen.sample(range(FRAMES + 1), 4))
            yield [(a, b), (c, d)]
        else:
            yield [(first, last)]


def bar_codes(path: Path, *options: str) -> list[int | None]:
    """Give the numbers of all frames that ffmpeg decodes. Raises ValueError where it complains."""
    done = subprocess.run(
        ["ffmpeg", "-v", "error", "-xerror", *options, "-noautorotate", "-i", str(path), "-map",
         "0:v:0", "-fps_mode", "passthrough", "-enc_time_base", "-1", "-f", "rawvideo",
         "-pix_fmt", "gray", "-"],
        capture_output=True, check=False,
    )  # fmt: skip
    if done.returncode or done.stderr:
        raise ValueError(done.stderr.decode(errors="replace").strip()[:200])
    pictures = np.frombuffer(done.stdout, np.uint8).reshape(-1, HEIGHT, WIDTH)
    return [read_number(picture) for picture in pictures]


def times(path: Path) -> list[float]:
    """Give the stored times of all pictures in s, in order."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        found = [p.pts * p.time_base for p in container.demux(stream) if p.size]  # type: ignore[operator]
    return sorted(map(float, found))


def wrong(recording: Recording, ranges: list[tuple[int, int]], out: Path) -> str | None:
    """Say what is wrong with a clip; None where nothing is."""
    wanted = [frame for first, last in ranges for frame in range(first, last)]
    for options in ((), ("-ignore_editlist", "1")):
        if options and out.suffix == ".mkv":
            continue
        try:
            found = bar_codes(out, *options)
        except ValueError as error:
            return f"ffmpeg {' '.join(options)}: {error}"
        if found != wanted:
            return f"ffmpeg {' '.join(options)} shows {len(found)} frames: {found}"
    expected, offset = [], 0
    for first, last in ranges:
        start = recording.frame_start(first)
        expected += [
            (recording.frame_start(frame) - start + offset) / 1e9 for frame in range(first, last)
        ]
        offset += recording.frame_start(last) - start
    stored = times(out)
    apart = max(abs(a - b) for a, b in zip(stored, expected, strict=True))
    return f"a frame is {apart:.4f} s from its time" if apart > 0.00101 else None


def main() -> int:
    """Run all, print, return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--spans", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    parser.add_argument("--work", type=Path)
    arguments = parser.parse_args()
    if shutil.which("ffmpeg") is None:
        sys.exit("ffmpeg is not on the PATH")
    work = arguments.work or Path(tempfile.mkdtemp(prefix="vidseg-spans-"))
    work.mkdir(parents=True, exist_ok=True)
    chosen = random.Random(arguments.seed)
    ways: Counter[tuple[str, str]] = Counter()
    copied: Counter[str] = Counter()
    faults = done = sources = 0
    began = time.monotonic()
    for name, options in kinds():
        if arguments.only not in name:
            continue
        source = work / name
        make_clip(source, frames=FRAMES, size=(WIDTH, HEIGHT), **options)  # type: ignore[arg-type]
        recording = Recording((read_part(source),))
        sources += 1
        for number, ranges in enumerate(spans(chosen, arguments.spans)):
            suffix = (".mp4", ".mkv", ".mov")[number % 3]
            out = work / f"clip{suffix}"
            try:
                (report,) = write_exact_clips([Clip(out.name, stretches(recording, ranges))], work)
                fault = wrong(recording, ranges, out)
            except Exception as error:
                fault, report = f"{type(error).__name__}: {error}", None
            done += 1
            if report is not None:
                ways[report.way, report.reason] += 1
                copied[report.way] += report.copied_frames
                copied["all"] += report.copied_frames + report.encoded_frames
            if fault is not None:
                faults += 1
                print(f"WRONG {name} {ranges} {suffix}: {fault}", flush=True)
        source.unlink()
        if sources % 48 == 0:
            print(f"... {done} spans, {faults} wrong, {time.monotonic() - began:.0f} s", flush=True)
    print(f"{done} spans of {sources} sources, {faults} wrong, {time.monotonic() - began:.0f} s")
    for (way, reason), count in sorted(ways.items()):
        print(f"{count:6} {way}{': ' + reason if reason else ''}")
    print(f"{copied['copied']} of {copied['all']} frames were copied")
    return 1 if faults or not done else 0


if __name__ == "__main__":
    sys.exit(main())
