"""How good drafts from narration are: a table of every narrated case beside three baselines.

    python tests/bench/bench_draft.py [--each] [FOLDER ...]

A folder holds ``NAME.vtt`` and ``NAME.truth.csv`` (start, end, phase). Without one: the
narrations of the tests, and the folder ``shared/narration`` beside the project where it is
present. ``held`` marks those on which no weight was tuned. See ``UNSCORED``.
"""

from __future__ import annotations

import argparse
import csv
import statistics
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from vidseg.formats import read_captions
from vidseg.formats.vocabulary import load_procedure
from vidseg.measure.agreement.agree import agree
from vidseg.measure.draft import DraftWeights, draft
from vidseg.measure.draft.effort import Run, effort
from vidseg.measure.draft.places import course_of, drafted_steps, usual_length_s
from vidseg.model.annotation import Annotation, Cue, Segment
from vidseg.model.clock import NS, parse_time
from vidseg.model.procedure import Procedure, fold
from vidseg.model.span import Span, Spans

HERE = Path(__file__).resolve().parents[1] / "narration"
SHARED = Path(__file__).resolve().parents[3] / "shared" / "narration"
HELD = frozenset({"noisy", "tunnel"})
UNSCORED = frozenset(
    {
        "pupil_expansion",
        "anterior_vitrectomy",
        "bridle_suture",
        "cautery",
        "draping",
        "iol_preparation",
        "chamber_wash",
        "toric_marking",
    }
)
"""Labels that the shared truths leave as gaps; left out of every truth and draft alike."""


@dataclass(frozen=True)
class Narrated:
    """One case: its captions, its vocabulary and its true rows."""

    name: str
    cues: tuple[Cue, ...]
    procedure: Procedure
    truth: list[Run]

    @property
    def end(self) -> int:
        """The captions' end or the last true end, whichever is later, in ns."""
        return max(*(cue.span.end for cue in self.cues), *(run[2] for run in self.truth))


def narrated(folder: Path) -> Iterator[Narrated]:
    """Yield the cases of a folder."""
    for path in sorted(folder.glob("*.vtt")):
        beside = path.with_name(path.stem + ".truth.csv")
        with beside.open(encoding="utf-8-sig", newline="") as handle:
            rows = list(csv.DictReader(handle))
        truth = [(r["phase"], parse_time(r["start"]), parse_time(r["end"])) for r in rows]
        manual = any(code in ("scleral_tunnel", "nucleus_delivery") for code, _, _ in truth)
        procedure = load_procedure("msics" if manual else "phaco")
        kept = [run for run in truth if run[0] not in UNSCORED]
        yield Narrated(path.stem, read_captions(path).cues, procedure, kept)


def drafted(case: Narrated, settings: DraftWeights | None = None) -> list[Run]:
    """Give the rows of the draft."""
    made = draft(case.cues, case.procedure, case.end, settings=settings)
    runs = [(row.step.code, row.span.start, row.span.end) for row in made.rows]
    return [run for run in runs if run[0] not in UNSCORED]


def exact_terms(case: Narrated) -> list[Run]:
    """Baseline: a label written exactly starts its step, which lasts until the next one."""
    steps = drafted_steps(case.procedure)
    labels = sorted(
        ((fold(t), s.code) for s in steps for t in (s.name, *s.aliases)), key=lambda x: -len(x[0])
    )
    starts: list[tuple[int, str]] = []
    for cue in case.cues:
        words = [fold(word) for word in cue.text.split()]
        pairs = [*words, *("".join(p) for p in pairwise(words))]
        hit = next((code for label, code in labels if label in pairs), None)
        if hit and (not starts or starts[-1][1] != hit):
            starts.append((cue.span.start, hit))
    ends = [start for start, _ in starts[1:]] + [case.end]
    runs = [(code, start, end) for (start, code), end in zip(starts, ends, strict=True)]
    return [run for run in runs if run[0] not in UNSCORED and run[2] > run[1]]


def timetable(case: Narrated) -> list[Run]:
    """Baseline: the usual course at usual lengths with pauses, stretched to the recording."""
    course = course_of(case.procedure)
    lengths = [usual_length_s(case.procedure.step(code), {}) for code in course]
    pause = 9.0
    total = sum(lengths) + pause * len(lengths) + 30
    scale = case.end / NS / total
    runs, at = [], 30 * scale
    for code, length in zip(course, lengths, strict=True):
        runs.append((code, round(at * NS), round((at + length * scale) * NS)))
        at += (length + pause) * scale
    return runs


def annotation(case: Narrated, runs: Sequence[Run]) -> Annotation:
    """Make an annotation of rows."""
    segments = tuple(
        Segment(case.procedure.step(code), Span(start, end)) for code, start, end in runs
    )
    return Annotation(case.name, case.procedure.code, segments=segments)


def score(case: Narrated, runs: Sequence[Run]) -> dict[str, float]:
    """Score rows against the truth; percents, and seconds for the median start error."""
    found = agree(annotation(case, case.truth), annotation(case, runs), Spans([Span(0, case.end)]))
    f1 = {percent: hits.f1 for percent, hits in found.hits}
    true, own = {run[0] for run in case.truth}, {run[0] for run in runs}
    errors = []
    for code in sorted(true & own):
        first = min(run[1] for run in case.truth if run[0] == code)
        errors.append(abs(min(run[1] for run in runs if run[0] == code) - first) / NS)
    return {
        "F1@10": f1[10],
        "F1@25": f1[25],
        "F1@50": f1[50],
        "edit": found.edit,
        "acc": 100 * found.accuracy,
        "P": 100 * len(true & own) / len(own) if own else 100.0,
        "R": 100 * len(true & own) / len(true),
        "start": statistics.median(errors) if errors else float("nan"),
        "fix10": effort(case.truth, runs),
    }


METHODS: dict[str, Callable[[Narrated], list[Run]]] = {
    "draft": drafted,
    "exact": exact_terms,
    "timetable": timetable,
    "empty": lambda case: [],
}


def main(arguments: Sequence[str]) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Score drafts from narration.")
    parser.add_argument("--each", action="store_true", help="all scores of every baseline")
    parser.add_argument("folders", type=Path, nargs="*")
    asked = parser.parse_args(arguments)
    cases = [
        case
        for folder in asked.folders or [SHARED, HERE]
        if folder.is_dir()
        for case in narrated(folder)
    ]
    keys = ("F1@10", "F1@25", "F1@50", "edit", "acc", "P", "R", "start", "fix10")
    print(
        f"{'case':14} {'method':10}" + "".join(f"{key:>7}" for key in keys) + "  fix10 of others; s"
    )
    sums: dict[str, list[dict[str, float]]] = {name: [] for name in METHODS}
    for case in cases:
        began = time.perf_counter()
        runs = METHODS["draft"](case)
        took = time.perf_counter() - began
        scores = {name: score(case, METHODS[name](case)) for name in METHODS if name != "draft"}
        scores = {"draft": score(case, runs), **scores}
        for name, values in scores.items():
            sums[name].append(values)
        tail = " ".join(
            f"{name} {scores[name]['fix10']:.0f}" for name in METHODS if name != "draft"
        )
        mark = case.name + (" (held)" if case.name in HELD else "")
        for name in METHODS if asked.each else ["draft"]:
            cells = "".join(f"{scores[name][key]:7.1f}" for key in keys)
            print(f"{mark:14} {name:10}{cells}  {tail}; {took:.2f}")
    for name, rows in sums.items():
        cells = "".join(
            f"{statistics.fmean([r[key] for r in rows if r[key] == r[key]] or [0]):7.1f}"
            for key in keys
        )
        print(f"{'mean':14} {name:10}{cells}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
