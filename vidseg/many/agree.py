"""How far annotators of the same cases agree, pair by pair and all together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations

import pandas as pd

from vidseg.export.shown_table import ShownTable
from vidseg.library.filters import Filter
from vidseg.library.read import Marked, read_annotated
from vidseg.library.store import Library
from vidseg.many.report import Report, noted
from vidseg.measure.agreement.agree import Agreement, agree, agree_all
from vidseg.measure.agreement.pooled import Limits, PooledAgreement, pool
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clock import NS
from vidseg.model.column import Column, Columns, columns, picked
from vidseg.model.problem import UsageError
from vidseg.model.procedure import Kind
from vidseg.model.span import Span, Spans

FEW_CASES = 10
"""Below this many cases a warning stands beside the figures (our choice)."""
HEAD = columns(
    Column("procedure", "code of the vocabulary"),
    Column("level", "phase, step or task"),
    Column("first", "annotator taken as the reference where a measure needs one"),
    Column("second", "the other annotator"),
)
PAIRS = HEAD | columns(
    Column("cases", "cases that both marked"),
    Column("observed_s", "time compared: recorded, less what either excludes"),
    Column("accuracy", "part (0 to 1) of the time in which both say the same, 'no step' included"),
    Column("kappa", "Cohen's kappa over all cases' time laid together, 'no step' being a label"),
    Column("kappa_mean", "mean of the cases' kappas"),
    Column("kappa_labelled", "kappa over the time in which both name a step", "kappa, labelled"),
    Column("edit", "edit score of the order of steps, mean of the cases (0 to 100)"),
    Column(
        "f1_10",
        "F1 of segments at an overlap of 10 %, counts of all cases summed (0 to 100)",
        "F1@10",
    ),
    Column("f1_25", "the same at 25 %", "F1@25"),
    Column("f1_50", "the same at 50 %", "F1@50"),
    Column("start_bias_s", "mean difference of first starts, second minus first"),
    Column("start_low_s", "lower limit of agreement of starts (Bland and Altman)", "from"),
    Column("start_high_s", "upper limit of agreement of starts", "to"),
    Column("end_bias_s", "mean difference of last ends, second minus first"),
    Column("end_low_s", "lower limit of agreement of ends", "from"),
    Column("end_high_s", "upper limit of agreement of ends", "to"),
    Column("note", "what to bear in mind"),
)
BOUNDARIES = HEAD | columns(
    Column("tolerance_s", "starts and ends this close count as the same"),
    Column("matched", "edges that match, one to one"),
    Column("agreement", "2 matched / (edges of first + edges of second), 0 to 1"),
)
STEPS = HEAD | columns(
    Column("step", "code of the step"),
    Column("cases", "cases in which either marks it"),
    Column(
        "dice", "twice the shared time over the sum of both times, over all cases (0 to 1)", "Dice"
    ),
    Column("dice_mean", "mean of the cases' Dice"),
    Column("start_n", "cases with a start by both"),
    Column("start_bias_s", "mean difference of first starts, second minus first"),
    Column("start_low_s", "lower limit of agreement", "from"),
    Column("start_high_s", "upper limit of agreement", "to"),
    Column("end_n", "cases with an end by both"),
    Column("end_bias_s", "mean difference of last ends"),
    Column("end_low_s", "lower limit of agreement", "from"),
    Column("end_high_s", "upper limit of agreement", "to"),
    Column("active_bias_s", "mean difference of the time in the step", "time bias s"),
    Column("active_low_s", "lower limit of agreement", "from"),
    Column("active_high_s", "upper limit of agreement", "to"),
    Column("reason", "why figures are missing", "not given, and why"),
)
TOGETHER = columns(
    Column("procedure", "code of the vocabulary"),
    Column("level", "phase, step or task"),
    Column("annotators", "annotators, all of whom marked these cases"),
    Column("cases", "cases that all of them marked"),
    Column("observed_s", "time compared"),
    Column("fleiss", "Fleiss' kappa, the cases laid end to end, weighted by time", "Fleiss' kappa"),
    Column("alpha", "Krippendorff's alpha (nominal), likewise", "Krippendorff's alpha"),
)


def agreement(
    library: Library,
    wanted: Filter,
    *,
    level: Kind = Kind.STEP,
    tolerances_ns: Sequence[int] = (NS, 2 * NS, 5 * NS, 10 * NS),
) -> Report:
    """Compare annotators; with ``wanted.annotators`` only these. Raises UsageError for none."""
    marked = read_annotated(library, wanted)
    if not marked:
        raise UsageError(
            f"no case has two annotators ({wanted.words()}); add a second annotation with "
            "`vidseg library add … --annotator NAME`"
        )
    pairs: list[dict[str, object]] = []
    edges: list[dict[str, object]] = []
    steps: list[dict[str, object]] = []
    together: list[dict[str, object]] = []
    for procedure in dict.fromkeys(case.procedure for case in marked):
        cases = [case for case in marked if case.procedure == procedure]
        who = _annotators(cases, wanted)
        for first, second in combinations(who, 2):
            found = list(_compared(cases, first, second, level, tolerances_ns))
            if not found:
                continue
            head = dict(zip(HEAD, (procedure, level.value, first, second), strict=True))
            pooled = pool(found)
            pairs.append(head | _pair(pooled))
            edges += [
                head
                | {
                    "tolerance_s": one.tolerance_ns / NS,
                    "matched": one.matched,
                    "agreement": one.agreement,
                }
                for one in pooled.boundaries
            ]
            steps += [head | row for row in _steps(pooled)]
        row = _together(cases, who, level)
        if row is not None:
            together.append({"procedure": procedure, "level": level.value, **row})
    tables = {
        "pairs": pd.DataFrame(pairs, columns=list(PAIRS)),
        "boundaries": pd.DataFrame(edges, columns=list(BOUNDARIES)),
        "steps": pd.DataFrame(steps, columns=list(STEPS)),
        "together": pd.DataFrame(together, columns=list(TOGETHER)),
    }
    schemas: dict[str, Columns] = {
        "pairs": PAIRS,
        "boundaries": BOUNDARIES,
        "steps": STEPS,
        "together": TOGETHER,
    }
    notes = noted(
        f"{len(marked)} cases with two annotators or more ({wanted.words()}), {level.value} level.",
        "Agreement says that annotators mark alike, not that they mark right. Differences are "
        "second minus first. Limits of agreement: bias and 1.96 standard deviations either side; "
        "they suppose differences that are roughly normal and do not grow with the step's length.",
        "Kappa depends on how common the steps are; look at it together with the times.",
    )
    return Report(tables, schemas, _shown(tables), notes)


def _annotators(cases: Sequence[Marked], wanted: Filter) -> list[str]:
    found = dict.fromkeys(one.annotator for case in cases for one in case.annotations)
    order = [name for name in wanted.annotators if name in found]
    return [*order, *sorted(name for name in found if name not in order)]


def _compared(
    cases: Sequence[Marked],
    first: str,
    second: str,
    level: Kind,
    tolerances_ns: Sequence[int],
) -> list[Agreement]:
    found = []
    for case in cases:
        own = {one.annotator: one for one in case.annotations}
        if first in own and second in own and case.recorded:
            found.append(agree(own[first], own[second], case.recorded, level, tolerances_ns))
    return found


def _pair(pooled: PooledAgreement) -> dict[str, object]:
    f1 = dict(pooled.f1_pooled)
    few = f"few: {pooled.cases} cases" if pooled.cases < FEW_CASES else ""
    reasons = dict.fromkeys(filter(None, (few, pooled.start.reason, pooled.end.reason)))
    return {
        "cases": pooled.cases,
        "observed_s": pooled.observed_ns / NS,
        "accuracy": pooled.accuracy_pooled,
        "kappa": pooled.kappa_pooled,
        "kappa_mean": pooled.kappa_mean,
        "kappa_labelled": pooled.kappa_labelled_pooled,
        "edit": pooled.edit_mean,
        "f1_10": f1[10],
        "f1_25": f1[25],
        "f1_50": f1[50],
        **_limits("start", pooled.start),
        **_limits("end", pooled.end),
        "note": "; ".join(reasons),
    }


def _limits(name: str, found: Limits) -> dict[str, object]:
    return {
        f"{name}_bias_s": found.bias_s,
        f"{name}_low_s": found.low_s,
        f"{name}_high_s": found.high_s,
    }


def _steps(pooled: PooledAgreement) -> list[dict[str, object]]:
    return [
        {
            "step": step.step,
            "cases": step.cases,
            "dice": step.dice_pooled,
            "dice_mean": step.dice_mean,
            "start_n": step.start.n,
            **_limits("start", step.start),
            "end_n": step.end.n,
            **_limits("end", step.end),
            **_limits("active", step.active),
            "reason": step.start.reason or step.end.reason or step.active.reason,
        }
        for step in pooled.steps
    ]


def _together(cases: Sequence[Marked], who: Sequence[str], level: Kind) -> dict[str, object] | None:
    """Lay the cases that all marked end to end, and compare all annotators over them."""
    shared = [
        case
        for case in cases
        if case.recorded and {one.annotator for one in case.annotations} >= set(who)
    ]
    if not shared or len(who) < 2:
        return None
    segments: dict[str, list[Segment]] = {name: [] for name in who}
    excluded: dict[str, list[Segment]] = {name: [] for name in who}
    windows: list[Span] = []
    start = 0
    for case in shared:
        windows += [_moved(span, start) for span in case.recorded]
        latest = case.recorded.items[-1].end
        for one in case.annotations:
            for target, rows in ((segments, one.segments), (excluded, one.excluded)):
                target[one.annotator] += [
                    replace(row, span=_moved(row.span, start)) for row in rows
                ]
                latest = max([latest, *(row.span.end for row in rows)])
        start += latest + NS
    found = agree_all(
        [
            Annotation(
                "all",
                cases[0].procedure,
                name,
                segments=tuple(segments[name]),
                excluded=tuple(excluded[name]),
            )
            for name in who
        ],
        Spans(windows),
        level,
    )
    return {
        "annotators": ", ".join(name or "(unnamed)" for name in who),
        "cases": len(shared),
        "observed_s": found.observed_ns / NS,
        "fleiss": found.fleiss,
        "alpha": found.alpha,
    }


def _moved(span: Span, by: int) -> Span:
    return Span(span.start + by, span.end + by)


def _shown(tables: Mapping[str, pd.DataFrame]) -> tuple[ShownTable, ...]:
    limits = [f"{edge}_{name}_s" for edge in ("start", "end") for name in ("bias", "low", "high")]
    active = ("active_bias_s", "active_low_s", "active_high_s", "reason")
    kappas = ("accuracy", "kappa", "kappa_labelled", "edit", "f1_10", "f1_25", "f1_50")
    who = ("first", "second")
    together = picked(TOGETHER, "annotators", "cases", "observed_s", "fleiss", "alpha")
    return (
        ShownTable(
            "Annotators, pair by pair",
            tables["pairs"],
            picked(PAIRS, *who, "cases", *kappas, *limits, "note"),
        ),
        ShownTable("All annotators together", tables["together"], together),
        ShownTable(
            "Edges within a tolerance",
            tables["boundaries"],
            picked(BOUNDARIES, *who, "tolerance_s", "matched", "agreement"),
        ),
        ShownTable(
            "Step by step",
            tables["steps"],
            picked(STEPS, *who, "step", "cases", "dice", *limits, *active),
        ),
    )
