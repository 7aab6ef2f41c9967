"""How time, memory and disk of a library grow, beside a script by hand and DuckDB.

Run: ``python tests/bench/bench_library.py [1000 10000 100000 …]`` (DuckDB: ``pip install duckdb``).
Cases are made up, 14 steps each. Every figure is taken in a process of its own; memory is the most
that process held, "at work" its processor time. The script by hand and DuckDB read the same steps
from a CSV file.
"""

from __future__ import annotations

import importlib.util
import math
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clock import NS
from vidseg.model.procedure import Procedure, Step
from vidseg.model.record import CaseFacts, Record
from vidseg.model.span import Span, Spans
from vidseg.model.timing import StepTiming

STEPS = tuple(Step(f"step_{number:02d}", f"Step {number}") for number in range(14))
PROCEDURE = Procedure("bench", "Made up", "1", "bench", STEPS)
ORDER = tuple(step.code for step in STEPS)
SURGEONS = 40


def records(count: int) -> Iterator[Record]:
    """Make cases one by one; one in fifty is cut off at its end."""
    chance = random.Random(1)
    for number in range(count):
        at, segments, timings = 0, [], []
        learnt = (number // SURGEONS + 1) ** -0.1
        for place, step in enumerate(STEPS):
            length = int((20 + 8 * place) * learnt * math.exp(chance.gauss(0, 0.3)) * NS)
            cut = place == 13 and number % 50 == 0
            segment = Segment(step, Span(at, at + length), open_end=cut)
            segments.append(segment)
            timings.append(
                StepTiming(step, (segment,), length, length, 0, 0, at, at + length, False, cut)
            )
            at += length
        yield Record(
            Annotation(f"case-{number:07d}", PROCEDURE.code, "", segments=tuple(segments)),
            PROCEDURE.name,
            ORDER,
            Spans([Span(0, at)]),
            at,
            0,
            tuple(timings),
            CaseFacts(
                surgeon=f"S{number % SURGEONS:02d}",
                experience="high" if number % SURGEONS < 20 else "low",
                case_number=number // SURGEONS + 1,
            ),
        )


def fill(folder: Path, count: int) -> None:
    """Fill a library through its own door, and write the CSV for the others."""
    from vidseg.library.store import AT_ONCE, Library

    with Library(str(folder / "library.sqlite"), make=True) as library:
        waiting: list[Record] = []
        for record in records(count):
            waiting.append(record)
            if len(waiting) == 10 * AT_ONCE:
                library.add(waiting)
                waiting.clear()
        library.add(waiting)


def table(folder: Path, count: int) -> None:
    """Write steps.csv: case, surgeon, step, seconds, cut."""
    with (folder / "steps.csv").open("w", encoding="utf-8") as stream:
        stream.write("case,surgeon,step,active_s,cut\n")
        for record in records(count):
            stream.writelines(
                f"{record.annotation.case},{record.facts.surgeon},{found.step.code},"
                f"{found.active_ns / NS},{int(found.open_end)}\n"
                for found in record.steps
            )


def annotations(folder: Path, count: int) -> None:  # type: ignore[no-redef]
    """Add annotation files, each read, checked and timed: the whole way in."""
    from synthetic_clips.case_series import made_up_cases, steps_text
    from vidseg.cli import main

    made = made_up_cases()
    source = folder / "annotations"
    source.mkdir(exist_ok=True)
    if not any(source.iterdir()):
        for number in range(count):
            (source / f"c{number:06d}.csv").write_text(steps_text(made[number % len(made)]))
    paths = [str(path) for path in sorted(source.iterdir())]
    place = str(folder / "in.sqlite")
    start = time.perf_counter()
    main(["library", "add", *paths, "--length", "1:00:00", "--library", place, "--quiet"])
    print(f"RATE {count / (time.perf_counter() - start):.0f}")


def durations(folder: Path, count: int) -> None:
    """The command, to the table on the screen."""
    from vidseg.cli import main

    main(["library", "durations", "--library", str(folder / "library.sqlite")])


def one_surgeon(folder: Path, count: int) -> None:
    """The command for one surgeon of forty."""
    from vidseg.cli import main

    place = str(folder / "library.sqlite")
    main(["library", "durations", "--library", place, "--surgeon", "S01"])


def page(folder: Path, count: int) -> None:
    """The page with its figures."""
    from vidseg.cli import main

    out = str(folder / "library.html")
    main(["library", "page", "--library", str(folder / "library.sqlite"), "--out", out])


def by_hand(folder: Path, count: int) -> None:
    """What one would write for plain figures: no interval, no Kaplan-Meier."""
    import pandas as pd

    steps = pd.read_csv(folder / "steps.csv")
    times = steps.groupby("step")["active_s"]
    print(times.describe(percentiles=[0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95]))


def duckdb(folder: Path, count: int) -> None:
    """The same figures by DuckDB from the same CSV."""
    import duckdb as engine

    print(
        engine.sql(
            "SELECT step, count(*), avg(active_s), stddev_samp(active_s), min(active_s), "
            "quantile_cont(active_s, [0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95]), max(active_s) "
            f"FROM '{folder / 'steps.csv'}' GROUP BY step ORDER BY step"
        ).fetchall()
    )


PARTS: dict[str, Callable[[Path, int], None]] = {
    "fill": fill,
    "table": table,
    "durations": durations,
    "one_surgeon": one_surgeon,
    "page": page,
    "by_hand": by_hand,
    "duckdb": duckdb,
    "annotations": annotations,  # type: ignore[dict-item]
}


def measured(name: str, folder: Path, count: int) -> tuple[float, float, float, str]:
    """Run one part in a process of its own: seconds, of these at work, megabytes, the output."""
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, __file__, "--part", name, str(folder), str(count)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    lines = done.stdout.strip().splitlines()
    peak, work = map(float, next(line for line in lines if line.startswith("PEAK")).split()[1:])
    return time.perf_counter() - start, work, peak, done.stdout


def run(sizes: list[int]) -> None:
    """Print a row per size and part."""
    parts = ["fill", "table", "durations", "one_surgeon", "page", "by_hand"]
    if importlib.util.find_spec("duckdb"):
        parts.append("duckdb")
    for count in sizes:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            for part in parts:
                seconds, work, peak, _ = measured(part, folder, count)
                note = ""
                if part == "fill":
                    size = (folder / "library.sqlite").stat().st_size / 1e6
                    note = f"{size:.1f} MB on disk, {count / seconds:.0f} cases/s"
                row = f"{count:>9,} {part:<12} {seconds:8.2f} s, at work {work:8.2f} s"
                print(f"{row}, {peak:6.0f} MB  {note}", flush=True)
    with tempfile.TemporaryDirectory() as name:
        _, work, peak, printed = measured("annotations", Path(name), 10_000)
        rate = next(line.split()[1] for line in printed.splitlines() if line.startswith("RATE"))
        print(
            f"   10,000 annotation files added: {rate} cases/s, at work {work:.2f} s, {peak:.0f} MB"
        )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--part"]:
        PARTS[sys.argv[2]](Path(sys.argv[3]), int(sys.argv[4]))
        used = resource.getrusage(resource.RUSAGE_SELF)
        print(f"PEAK {used.ru_maxrss / 1024:.0f} {used.ru_utime + used.ru_stime:.2f}")
    else:
        run([int(size) for size in sys.argv[1:]] or [1_000, 10_000, 100_000])
