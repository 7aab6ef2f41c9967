"""Clips of a case by vidseg and by ffmpeg: wall and CPU time, memory, bytes, in one run.

    python tests/bench/bench_clips.py [--minutes 10] [--size 1920x1080] [--groups 30,60,300]
        [--reencoded 14] [--work FOLDER]

For each length of the groups of pictures a recording (30 frames/s, H.264) with 14 segments is
made with ffmpeg. Then the clips are written, each way in a process of its own: by vidseg on all
cores, on one, and without its check; by ffmpeg as a plain copy (which is not exact: it starts
at a key frame); by ffmpeg encoding the segments anew (libx264, medium, crf 18), of which the
first ``--reencoded`` are done and the rest reckoned from their length. The floor is ffmpeg's copy
plus its encoding of only those frames that vidseg encodes. At last, where vidseg's time on one
core goes. ffmpeg must be on the PATH.
"""

from __future__ import annotations

import argparse
import cProfile
import os
import pstats
import shutil
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

from bench_run import Cost, make_recording, measured, segments

from vidseg.media.read.probe import open_recording
from vidseg.media.splice.many_clips import write_exact_clips
from vidseg.media.splice.splice import splice_clip
from vidseg.media.splice.splicing import Sources, Splice
from vidseg.model.clip import Clip
from vidseg.model.cutting import AS_USUAL, Cutting
from vidseg.model.recording import Recording
from vidseg.model.stretch import stretches

NS = 1_000_000_000
STAGES = {
    "decoding pictures": ("method 'decode' of 'av.video", "method 'decode' of 'av.packet"),
    "encoding edges": ("method 'encode' of 'av.codec.context",),
    "sound": ("'av.audio", "audio/frame", "audio.frame"),
    "opening files": ("core.open",),
    "hashing": ("sha256",),
    "comparing frames": ("{norm}", "array_equal"),
    "writing packets": ("method 'mux'",),
}


def frames_of(
    recording: Recording, rows: Iterable[tuple[float, float, str]]
) -> list[tuple[int, int]]:
    """Give the frames of each segment."""
    return [
        (recording.frame_at(round(start * NS)), recording.frame_at(round(end * NS)))
        for start, end, _ in rows
    ]


def clips(recording: Recording, minutes: float) -> list[Clip]:
    """Give the clips to be written."""
    ranges = frames_of(recording, segments(minutes))
    return [Clip(f"{n:02}.mp4", stretches(recording, [r])) for n, r in enumerate(ranges)]


def write(source: Path, minutes: float, folder: Path, cores: int, verify: str) -> None:
    """Write the clips."""
    folder.mkdir(parents=True, exist_ok=True)
    how = Cutting(verify=verify)  # type: ignore[arg-type]
    done = write_exact_clips(clips(open_recording([source]), minutes), folder, how, cores=cores)
    wrong = [report.reason for report in done if report.way != "copied"]
    if wrong:
        sys.exit(f"not copied: {wrong}")


def ours(source: Path, minutes: float, folder: Path, cores: int, verify: str) -> Cost:
    """Write the clips in a process of its own."""
    return measured(
        sys.executable, __file__, "--write", str(source), "--minutes", str(minutes),
        "--work", str(folder), "--cores", str(cores), "--verify", verify,
    )  # fmt: skip


def total(costs: Iterable[Cost]) -> Cost:
    """Add costs up."""
    whole = Cost(0, 0, 0)
    for cost in costs:
        whole += cost
    return whole


def ffmpeg_encoded(source: Path, start: float, frames: int, out: Path) -> Cost:
    """Encode ``frames`` frames from ``start`` (s) on as most would."""
    return measured(
        "ffmpeg", "-v", "error", "-y", "-ss", f"{start:.6f}", "-i", str(source), "-frames:v",
        str(frames), "-t", f"{frames / 30:.6f}", "-c:v", "libx264", "-preset", "medium", "-crf",
        "18", "-c:a", "aac", str(out),
    )  # fmt: skip


def size_mb(folder: Path) -> float:
    """Add up the files of a folder, MB."""
    return sum(path.stat().st_size for path in folder.iterdir()) / 1e6


def profile(source: Path, minutes: float, folder: Path) -> None:
    """Print where the time goes: the first four clips, one core, in this thread."""
    recording = open_recording([source])
    profiler = cProfile.Profile()
    profiler.enable()
    folder.mkdir(parents=True, exist_ok=True)
    for clip in clips(recording, minutes)[:4]:
        sources = Sources(1)
        splice_clip(clip, folder, AS_USUAL, sources, None)
        sources.close()
    profiler.disable()
    stats = pstats.Stats(profiler)
    spent = dict.fromkeys([*STAGES, "all else"], 0.0)
    whole = 0.0
    for (file, _, name), (_, _, own, _, _) in stats.stats.items():  # type: ignore[attr-defined]
        where = next(
            (s for s, marks in STAGES.items() if any(m in f"{file} {name}" for m in marks)),
            "all else",
        )
        spent[where] += own
        whole += own
    for stage, seconds in sorted(spent.items(), key=lambda item: -item[1]):
        print(f"    {stage:20}{seconds / 4:7.2f} s a clip{100 * seconds / whole:6.0f} %")


def compare(source: Path, minutes: float, work: Path, reencoded: int) -> None:
    """Measure and print all ways for one recording."""
    recording = open_recording([source])
    rows = segments(minutes)
    ranges = frames_of(recording, rows)
    lengths = [last - first for first, last in ranges]
    folders = {name: work / name for name in ("ours", "one", "unchecked", "copy", "floor", "anew")}
    for folder in folders.values():
        folder.mkdir(parents=True, exist_ok=True)
    cores = os.cpu_count() or 1
    costs = {
        f"vidseg, {cores} cores": ours(source, minutes, folders["ours"], cores, "edges"),
        "vidseg, 1 core": ours(source, minutes, folders["one"], 1, "edges"),
        "vidseg, unchecked": ours(source, minutes, folders["unchecked"], cores, "none"),
        "ffmpeg copy, inexact": total(
            measured(
                "ffmpeg", "-v", "error", "-y", "-ss", str(start), "-to", str(end), "-i",
                str(source), "-c", "copy", str(folders["copy"] / f"{n:02}.mp4"),
            )
            for n, (start, end, _) in enumerate(rows)
        ),
    }  # fmt: skip
    edges = edge_frames(recording, ranges)
    floor = costs["ffmpeg copy, inexact"]
    for n, (first, last, head, tail) in enumerate(edges):
        for place, start, count in (("a", first, head), ("b", last - tail, tail)):
            if count:
                out = folders["floor"] / f"{n:02}{place}.mp4"
                floor += ffmpeg_encoded(source, start / 30, count, out)
    costs["floor: copy + edges"] = floor
    part = total(
        ffmpeg_encoded(source, first / 30, last - first, folders["anew"] / f"{n:02}.mp4")
        for n, (first, last) in enumerate(ranges[:reencoded])
    )
    scale = sum(lengths) / sum(lengths[:reencoded])
    costs["ffmpeg medium crf 18"] = Cost(part.wall_s * scale, part.cpu_s * scale, part.peak_mb)
    sizes = [size_mb(folders[k]) for k in ("ours", "one", "unchecked", "copy", "floor", "anew")]
    sizes[4] += sizes[3]
    sizes[5] *= scale
    print(f"{'':24}{'wall s':>9}{'CPU s':>9}{'peak MB':>9}{'clips MB':>10}")
    for (name, cost), size in zip(costs.items(), sizes, strict=True):
        print(f"  {name:22}{cost.wall_s:9.1f}{cost.cpu_s:9.1f}{cost.peak_mb:9.0f}{size:10.1f}")
    mine, anew = costs[f"vidseg, {cores} cores"], costs["ffmpeg medium crf 18"]
    if reencoded < len(ranges):
        print(f"  (medium: {reencoded} of {len(ranges)} segments encoded, the rest reckoned)")
    encoded = sum(head + tail for _, _, head, tail in edges)
    print(
        f"  {sum(lengths)} frames, {encoded} of them encoded; vidseg takes "
        f"{mine.wall_s / anew.wall_s:.3f} of ffmpeg's encoding (CPU {mine.cpu_s / anew.cpu_s:.3f}) "
        f"and {mine.wall_s / floor.wall_s:.2f} of the floor (CPU {mine.cpu_s / floor.cpu_s:.2f})"
    )
    profile(source, minutes, work / "profile")
    for folder in (*folders.values(), work / "profile"):
        shutil.rmtree(folder)


def edge_frames(
    recording: Recording, ranges: Iterable[tuple[int, int]]
) -> list[tuple[int, int, int, int]]:
    """Give (first, last, encoded at the start, encoded at the end) of each clip."""
    found = []
    sources = Sources(1)
    for first, last in ranges:
        splice = Splice(stretches(recording, [(first, last)]), sources, 18)
        start = splice.starts[0]
        assert start is not None
        assert start.index is not None
        copied = sum(1 for _ in splice._copied(splice.lead, start, last))
        found.append((first, last, start.index - first, last - start.index - copied))
    sources.close()
    return found


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--size", default="1920x1080")
    parser.add_argument("--groups", default="30,60,300")
    parser.add_argument("--reencoded", type=int, default=14)
    parser.add_argument("--work", type=Path)
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--cores", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--verify", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.write:
        write(given.write, given.minutes, given.work, given.cores, given.verify)
        return
    if shutil.which("ffmpeg") is None:
        sys.exit("ffmpeg is not on the PATH")
    work = given.work or Path(tempfile.mkdtemp(prefix="vidseg-clips-"))
    work.mkdir(parents=True, exist_ok=True)
    for group in map(int, given.groups.split(",")):
        source = work / f"bench-{given.minutes:g}min-{given.size}-{group}.mp4"
        make_recording(source, given.minutes, given.size, group)
        megabytes = source.stat().st_size / 1e6
        print(f"groups of {group / 30:g} s: {source.name}, {megabytes:.0f} MB", flush=True)
        compare(source, given.minutes, work / "clips", given.reencoded)


if __name__ == "__main__":
    main()
