"""How well `vidseg audit` finds planted faults, how often it cries wolf, and what it costs.

    python tests/bench/bench_audit.py [--recordings 50] [--seed 9000] [--clean-minutes 12]
        [--cost-minutes 2] [--only findings|cost] [--work FOLDER]

Made-up operations of about 25 s (320 by 180, 25 frames/s, real-time work, no bar code) with
faults and harmless events planted, each at one of three levels of grain and compression. Prints for
every kind of fault recall, precision of its code and error in time, then false alarms per hour
on clean footage, then wall time and memory beside ``ffmpeg -f null``.

Left out are the moments at which the drawing itself jumps: the change to the drape and back (69.4
and 72.4 s of the scenario, and the still cloth between) and two in which a drawn instrument changes
within a frame (32.8 and 80.76 s). Drawn footage is not camera footage: the numbers compare versions
of the detector, they do not promise the same on real recordings.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

from synthetic_clips import Scenario, load_scenario
from synthetic_clips.faults import FAULTS, Fault, Planted, Reel, plant, write_reel
from vidseg.measure.audit.audit import audit
from vidseg.media.picture.survey import survey
from vidseg.media.read.probe import open_recording
from vidseg.model.finding import Finding
from vidseg.model.recording import Recording

LEVELS = {"fine": (0.0, 20), "middle": (3.0, 26), "rough": (6.0, 33)}
"""Grain (luma steps) and x264 crf."""

CODE = {
    "cut": "hard-cut", "freeze": "frozen-span", "black": "black-span", "blank": "blank-span",
    "repeat": "duplicated-frames", "drop": "dropped-frames", "pause": "time-gap",
    "fast": "speeded-up", "slow": "slowed-down", "fade": "fade", "slide": "still-picture",
    "join with a hole": "jump-at-join", "overlap": "overlapping-parts",
}  # fmt: skip
PLANS = (
    ("cut", "flash", "cut", "nudge", "cut"),
    ("freeze", "light", "repeat", "cut", "sweep"),
    ("black", "cut", "slide", "repeat"),
    ("fade", "freeze", "blank", "cut"),
    ("drop", "nudge", "pause", "flash", "repeat"),
    ("slide", "cut", "flash", "freeze", "drop"),
    ("fast",),
    ("slow",),
    ("join with a hole",),
    ("overlap",),
)
OWN_JUMPS_S = (32.8, 69.4, 72.4, 80.76)
SPANS_S = ((0.0, 32.4), (33.2, 69.0), (73.0, 80.4))
RATE = 25
NEAR_NS = 130_000_000


def scenario(seed: int, size: tuple[int, int] = (320, 180)) -> Scenario:
    """Give the demo at its own pace with another eye and other movement."""
    rng = random.Random(seed)
    demo = load_scenario("demo")
    look = replace(
        demo.look,
        seed=seed,
        pupil=rng.uniform(0.5, 0.75),
        iris=(rng.randrange(60, 150), rng.randrange(60, 130), rng.randrange(40, 140)),
        red_reflex=rng.uniform(0.6, 1.2),
        density=rng.uniform(0.4, 0.9),
    )
    return replace(demo, size=size, look=look)


def random_fault(kind: str, at: int, rng: random.Random) -> Fault:
    """Give one fault or distractor of usual length."""
    lengths = {
        "cut": (25, 200), "freeze": (15, 60), "black": (2, 30), "blank": (6, 30),
        "repeat": (1, 3), "drop": (1, 4), "pause": (25, 200), "fast": (240, 400),
        "slow": (60, 120), "fade": (16, 40), "slide": (20, 60), "flash": (1, 3), "light": (4, 10),
        "nudge": (4, 8), "sweep": (6, 12),
    }  # fmt: skip
    factor = rng.choice((2, 4)) if kind == "fast" else 2
    return Fault(kind, at, rng.randint(*lengths[kind]), factor)


@dataclass
class Tally:
    """Counts of one kind of fault at one level."""

    planted: int = 0
    found: int = 0
    start_ms: list[float] = field(default_factory=list)
    end_ms: list[float] = field(default_factory=list)


def make(seed: int, plan: tuple[str, ...], level: str, work: Path) -> tuple[list[Path], list[Reel]]:
    """Draw one recording; two files where the plan is about a join."""
    rng = random.Random(seed)
    operation = scenario(seed)
    # three faults or more need the longest stretches between the drawing's own jumps
    low, high = SPANS_S[rng.randrange(2)]
    first, last = round(low * RATE), round(high * RATE)
    start = rng.randrange(first, max(first + 1, last - 700))
    grain, crf = LEVELS[level]
    split = plan[0] in ("join with a hole", "overlap")
    if split:
        reels = _two(plan[0], start, min(last, start + 500), rng)
    else:
        at, faults = start + rng.randrange(80, 130), []
        for kind in plan:
            fault = random_fault(kind, at, rng)
            if at + fault.length + 20 >= last:
                break
            faults.append(fault)
            at += fault.length + rng.randrange(45, 90)
        reels = [plant(min(last, at + 90), faults, start)]
    paths = []
    for number, reel in enumerate(reels):
        path = work / f"{seed}-{level}-{number}.mp4"
        write_reel(operation, reel, path, grain=grain, numbered=False, options={"crf": str(crf)})
        paths.append(path)
    return paths, reels


def _two(kind: str, start: int, last: int, rng: random.Random) -> list[Reel]:
    middle = (start + last) // 2
    if kind == "overlap":
        again = middle - rng.randrange(10, 100)
        return [plant(middle, (), start), plant(last, (), again)]
    return [plant(middle, (), start), plant(last, (), middle + rng.randrange(25, 150))]


def truth(reels: list[Reel], plan: tuple[str, ...]) -> tuple[Planted, ...]:
    """Give what was planted, frames counted over all files."""
    if len(reels) == 1:
        return reels[0].planted
    seam = len(reels[0].shots)
    shared = reels[0].shots[-1].number + 1 - reels[1].shots[0].number
    return (Planted(plan[0], seam, seam + max(0, shared), max(0, -shared)),)


def matched(
    planted: tuple[Planted, ...], found: tuple[Finding, ...], recording: Recording
) -> Iterator[tuple[Planted, Finding | None, float, float]]:
    """Pair every planted fault with the finding of its code that lies there; errors in ms."""
    used: set[int] = set()
    for fault in planted:
        start, end = (recording.frame_start(f) for f in (fault.first, fault.last))
        if fault.kind in ("drop", "pause"):
            start = recording.frame_start(fault.first - 1)
        best = None
        for number, finding in enumerate(found):
            if number in used or finding.code != CODE[fault.kind]:
                continue
            shared = min(end, finding.end) - max(start, finding.start)
            hit = shared > 0.5 * (end - start) or abs(finding.start - start) <= NEAR_NS
            if hit or (fault.kind.startswith("join") and abs(finding.end - start) <= NEAR_NS):
                best = number
                break
        if best is None:
            yield fault, None, 0.0, 0.0
        else:
            used.add(best)
            hit = found[best]  # type: ignore[assignment]
            yield fault, hit, abs(hit.start - start) / 1e6, abs(hit.end - end) / 1e6  # type: ignore[attr-defined, misc]


def false_alarms(
    found: tuple[Finding, ...], hits: list[Finding], reels: list[Reel], recording: Recording
) -> list[Finding]:
    """Give the findings that belong to no planted fault and to no jump of the drawing itself."""
    shots = [shot for reel in reels for shot in reel.shots]
    wrong = []
    for finding in found:
        if any(finding is hit for hit in hits):
            continue
        frame = min(recording.frame_at(finding.start), len(shots) - 1)
        near = {shot.number for shot in shots[max(0, frame - 2) : frame + 3]}
        if not any(round(jump * RATE) in near for jump in OWN_JUMPS_S):
            wrong.append(finding)
    return wrong


def findings_bench(count: int, seed: int, work: Path) -> None:
    """Print recall, precision and time error per kind."""
    tallies: dict[tuple[str, str], Tally] = defaultdict(Tally)
    said: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0, 0])
    length: dict[str, int] = defaultdict(int)
    for number in range(count):
        plan, level = PLANS[number % len(PLANS)], list(LEVELS)[number % len(LEVELS)]
        paths, reels = make(seed + number, plan, level, work)
        recording = open_recording(paths)
        found = audit(survey(recording), recording)
        length[level] += recording.length
        hits = []
        for fault, hit, start_ms, end_ms in matched(truth(reels, plan), found, recording):
            name = fault.kind
            if name == "fast":
                factor = 2 if fault.lost < 1.5 * (fault.last - fault.first) else 4
                name = f"fast x{factor}"
            tally = tallies[name, level]
            tally.planted += 1
            if hit is not None:
                hits.append(hit)
                tally.found += 1
                tally.start_ms.append(start_ms)
                tally.end_ms.append(end_ms)
            else:
                print(f"  missed: {seed + number} {level} {fault}", flush=True)
        wrong = false_alarms(found, hits, reels, recording)
        for finding in found:
            said[finding.code, level][0] += 1
        for finding in wrong:
            said[finding.code, level][1] += 1
            at = finding.start / 1e9
            print(f"  false: {seed + number} {level} {finding.code} {at:.2f} s {finding.score:.2f}")
        for path in paths:
            path.unlink()
    print(f"\n{count} recordings, {sum(length.values()) / 6e10:.1f} min in all")
    print(f"{'planted':18}" + "".join(f"{level:>10}" for level in LEVELS) + "   start ms / end ms")
    kinds = [*FAULTS, "fast x2", "fast x4", "join with a hole", "overlap"]
    for kind in kinds:
        rows = [tallies[kind, level] for level in LEVELS]
        if not sum(row.planted for row in rows):
            continue
        starts = sorted(x for row in rows for x in row.start_ms)
        ends = sorted(x for row in rows for x in row.end_ms)
        cells = "".join(f"{f'{row.found}/{row.planted}':>10}" for row in rows)
        error = f"   {starts[len(starts) // 2]:.0f}, worst {starts[-1]:.0f} / " if starts else ""
        error += f"{ends[len(ends) // 2]:.0f}, worst {ends[-1]:.0f}" if ends else ""
        print(f"{kind:18}{cells}{error}")
    print(f"\n{'said, of which wrong':24}" + "".join(f"{level:>12}" for level in LEVELS))
    for code in sorted({code for code, _ in said}):
        cells = "".join(f"{f'{said[code, lv][0]}, {said[code, lv][1]}':>12}" for lv in LEVELS)
        print(f"{code:24}{cells}")


def clean_bench(minutes: float, seed: int, work: Path) -> None:
    """Print false alarms per hour on footage without faults, but with harmless events."""
    for level, (grain, crf) in LEVELS.items():
        wrong: dict[str, int] = defaultdict(int)
        total = 0
        number = 0
        while total < minutes * 6e10 / len(LEVELS):
            rng = random.Random(seed + 500 + number)
            low, high = SPANS_S[number % 2]
            start, last = round(low * RATE), round(high * RATE)
            at, events = start + 60, []
            while at < last - 60:
                kind = rng.choice(("flash", "light", "nudge", "sweep"))
                events.append(random_fault(kind, at, rng))
                at += rng.randrange(120, 260)
            reel = plant(last, events, start)
            path = work / f"clean-{number}.mp4"
            operation = scenario(seed + 500 + number)
            write_reel(operation, reel, path, grain=grain, numbered=False,
                       options={"crf": str(crf)})  # fmt: skip
            recording = open_recording([path])
            found = audit(survey(recording), recording)
            for finding in false_alarms(found, [], [reel], recording):
                wrong[finding.code] += 1
            total += recording.length
            number += 1
            path.unlink()
        hours = total / 3.6e12
        per_hour = ", ".join(f"{code} {n / hours:.0f} ({n})" for code, n in sorted(wrong.items()))
        print(f"clean, {level}: {hours * 60:.1f} min; false alarms per hour: {per_hour or 'none'}")


def cost_bench(minutes: float, work: Path) -> None:
    """Print wall time beside ffmpeg's decoding of the same file, and memory at two lengths."""
    if shutil.which("ffmpeg") is None:
        print("ffmpeg is not on the PATH: no cost measured")
        return
    path = work / f"cost-{minutes:g}.mp4"
    short = work / f"cost-{minutes / 4:g}.mp4"
    for target, length in ((path, minutes), (short, minutes / 4)):
        if not target.exists():
            _make_full_hd(target, length)
    walls: dict[str, list[float]] = {"ffmpeg": [], "survey": [], "audit": [], "fCPU": [], "CPU": []}
    peaks = {}
    for _ in range(3):
        begin, before = time.perf_counter(), _cpu(resource.RUSAGE_CHILDREN)
        subprocess.run(["ffmpeg", "-v", "error", "-i", str(path), "-map", "0:v", "-f", "null", "-"],
                       check=True)  # fmt: skip
        walls["ffmpeg"].append(time.perf_counter() - begin)
        walls["fCPU"].append(_cpu(resource.RUSAGE_CHILDREN) - before)
        survey_s, audit_s, cpu_s, peaks[path] = _one(path)
        walls["CPU"].append(cpu_s)
        walls["survey"].append(survey_s)
        walls["audit"].append(audit_s)
    peaks[short] = _one(short)[3]
    middle = {name: sorted(values)[1] for name, values in walls.items()}
    print(f"1080p30, {minutes:g} min, median of 3 rounds: ffmpeg -f null {middle['ffmpeg']:.1f} s, "
          f"survey {middle['survey']:.1f} s ({middle['survey'] / middle['ffmpeg']:.2f} times), "
          f"judging {middle['audit']:.2f} s; CPU {middle['fCPU']:.1f} and {middle['CPU']:.1f} s "
          f"({middle['CPU'] / middle['fCPU']:.2f} times)")  # fmt: skip
    print(f"peak memory: {peaks[short]:.0f} MB for {minutes / 4:g} min, {peaks[path]:.0f} MB for "
          f"{minutes:g} min")  # fmt: skip


def _make_full_hd(path: Path, minutes: float) -> None:
    aside = path.with_suffix(".part.mp4")
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", "-f", "lavfi", "-i",
         "testsrc2=size=1920x1080:rate=30,noise=alls=6:allf=t", "-t", f"{minutes * 60:g}",
         "-c:v", "libx264", "-preset", "veryfast", "-crf", "23", "-g", "60", "-bf", "2",
         "-pix_fmt", "yuv420p", str(aside)],
        check=True,
    )  # fmt: skip
    aside.rename(path)


def _cpu(whose: int) -> float:
    used = resource.getrusage(whose)
    return used.ru_utime + used.ru_stime


def _one(path: Path) -> tuple[float, float, float, float]:
    """Survey and audit ``path`` in a process of its own: seconds, CPU seconds of survey, MB."""
    code = [sys.executable, __file__, "--one", str(path)]
    out = subprocess.run(code, capture_output=True, text=True, check=True, env=os.environ).stdout
    survey_s, audit_s, cpu_s, peak = (float(word) for word in out.split())
    return survey_s, audit_s, cpu_s, peak


def one(path: Path) -> None:
    """Print seconds of survey and audit, CPU seconds of the survey, and peak memory in MB."""
    recording = open_recording([path])
    begin, before = time.perf_counter(), _cpu(resource.RUSAGE_SELF)
    seen = survey(recording)
    middle, used = time.perf_counter(), _cpu(resource.RUSAGE_SELF) - before
    audit(seen, recording)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(middle - begin, time.perf_counter() - middle, used, peak)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--recordings", type=int, default=50)
    parser.add_argument("--seed", type=int, default=9000)
    parser.add_argument("--clean-minutes", type=float, default=12)
    parser.add_argument("--cost-minutes", type=float, default=2)
    parser.add_argument("--only", choices=("findings", "cost"))
    parser.add_argument("--work", type=Path)
    parser.add_argument("--one", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.one is not None:
        one(arguments.one)
        return
    assert load_scenario("demo").rate == Fraction(RATE)
    work = arguments.work or Path(tempfile.mkdtemp(prefix="vidseg-audit-"))
    work.mkdir(parents=True, exist_ok=True)
    if arguments.only != "cost":
        findings_bench(arguments.recordings, arguments.seed, work)
        clean_bench(arguments.clean_minutes, arguments.seed, work)
    if arguments.only != "findings":
        cost_bench(arguments.cost_minutes, work)


if __name__ == "__main__":
    main()
