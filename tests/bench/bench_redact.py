"""Copies fit to share by vidseg and by ffmpeg: wall and CPU time, memory, bytes, in one run.

    python tests/bench/bench_redact.py [--minutes 10] [--size 1920x1080] [--group 60]
        [--encoded 60] [--work FOLDER]

A recording (30 frames/s, H.264) is made with ffmpeg, 30 s over and over. Then, each in a process
of its own: vidseg with nothing but the metadata to take out, with one mask over one minute in
the middle, and with everything encoded anew; ffmpeg's plain copy without metadata (which leaves
what lies within the pictures); ffmpeg painting the same mask and encoding anew (libx264,
veryfast, crf 18). Of the
ways that encode everything, the first ``--encoded`` seconds are done and the rest reckoned from
the length. vidseg's times hold its checks of the written file. ffmpeg must be on the PATH.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

from bench_run import Cost, make_recording, measured

from vidseg.media.read.probe import open_recording
from vidseg.media.redact.redact import redact
from vidseg.media.redact.redact_plan import Redaction
from vidseg.model.mask import Mask
from vidseg.model.span import Span, Spans

NS = 1_000_000_000
PIECE_S = 30
BOX = (100, 80, 400, 60)


def write(source: Path, out: Path, way: str, minutes: float) -> None:
    """Write one copy in this process."""
    recording = open_recording([source])
    middle = round(minutes * 30 * NS)
    masked = Span(middle - 30 * NS, middle + 30 * NS)
    given = {
        "metadata": Redaction(),
        "mask": Redaction(masks=(Mask(*BOX, masked),)),
        "anew": Redaction(Spans(), masks=(Mask(*BOX),), reencode=True),
    }[way]
    done = redact(recording, given, out)
    print(*done.ways, sep="; ", file=sys.stderr)


def ours(source: Path, out: Path, way: str, minutes: float) -> Cost:
    """Write one copy in a process of its own."""
    return measured(
        sys.executable, __file__, "--write", way, "--source", str(source), "--out", str(out),
        "--minutes", str(minutes),
    )  # fmt: skip


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--size", default="1920x1080")
    parser.add_argument("--group", type=int, default=60)
    parser.add_argument("--encoded", type=float, default=60)
    parser.add_argument("--work", type=Path)
    parser.add_argument("--write", help=argparse.SUPPRESS)
    parser.add_argument("--source", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--out", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.write:
        write(given.source, given.out, given.write, given.minutes)
        return
    if shutil.which("ffmpeg") is None:
        sys.exit("ffmpeg is not on the PATH")
    work = given.work or Path(tempfile.mkdtemp(prefix="vidseg-redact-"))
    work.mkdir(parents=True, exist_ok=True)
    ffmpeg = ("ffmpeg", "-v", "error", "-y")
    piece = work / f"bench-{PIECE_S}s-{given.size}-{given.group}.mp4"
    make_recording(piece, PIECE_S / 60, given.size, given.group)
    source = work / f"bench-{given.minutes:g}min-{given.size}-{given.group}.mp4"
    if not source.exists():
        again = str(round(given.minutes * 60 / PIECE_S) - 1)
        measured(*ffmpeg, "-stream_loop", again, "-i", str(piece), "-c", "copy", str(source))
    head = work / f"head-{given.encoded:g}.mp4"
    measured(*ffmpeg, "-i", str(source), "-t", str(given.encoded), "-c", "copy", str(head))
    scale = given.minutes * 60 / given.encoded
    paint = f"drawbox=x={BOX[0]}:y={BOX[1]}:w={BOX[2]}:h={BOX[3]}:color=black:t=fill"
    outs = {name: work / f"out-{name}.mp4" for name in ("metadata", "mask", "anew", "copy", "full")}
    costs = {
        "metadata": ours(source, outs["metadata"], "metadata", given.minutes),
        "mask": ours(source, outs["mask"], "mask", given.minutes),
        "copy": measured(
            *ffmpeg, "-i", str(source), "-map", "0:v", "-map_metadata", "-1", "-c", "copy",
            str(outs["copy"]),
        ),
        "anew": ours(head, outs["anew"], "anew", given.encoded / 60),
        "full": measured(
            *ffmpeg, "-i", str(head), "-an", "-vf", paint, "-c:v", "libx264", "-preset",
            "veryfast", "-crf", "18", "-map_metadata", "-1", str(outs["full"]),
        ),
    }  # fmt: skip
    names = {
        "metadata": "vidseg, metadata only",
        "mask": "vidseg, mask over 1 min",
        "anew": "vidseg, all anew",
        "copy": "ffmpeg -c copy (leaves SEI)",
        "full": "ffmpeg veryfast crf 18",
    }
    print(f"{source.name}: {source.stat().st_size / 1e6:.0f} MB")
    print(f"{'':30}{'wall s':>9}{'CPU s':>9}{'peak MB':>9}{'MB':>9}")
    for name, cost in costs.items():
        times = scale if name in ("anew", "full") else 1.0
        size = outs[name].stat().st_size / 1e6 * times
        print(
            f"{names[name]:30}{cost.wall_s * times:9.1f}{cost.cpu_s * times:9.1f}"
            f"{cost.peak_mb:9.0f}{size:9.1f}" + (" (reckoned)" if times != 1 else "")
        )
    full = costs["full"]
    for name in ("metadata", "mask"):
        wall = costs[name].wall_s / (full.wall_s * scale)
        cpu = costs[name].cpu_s / (full.cpu_s * scale)
        print(f"{names[name]}: {wall:.3f} of ffmpeg's full encoding (CPU {cpu:.3f})")


if __name__ == "__main__":
    main()
