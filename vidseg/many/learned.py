"""What a library teaches a draft: how long visits usually are, and what comes when."""

from __future__ import annotations

from collections.abc import Sequence

from vidseg.library.filters import Filter
from vidseg.library.read import list_cases, read_visits
from vidseg.library.store import Library
from vidseg.measure.draft.course import Course, Visits, learn_course
from vidseg.measure.draft.learn import learned_lengths
from vidseg.measure.draft.places import drafted_steps
from vidseg.model.clock import NS
from vidseg.model.procedure import LEVELS, Procedure
from vidseg.model.span import Span

FEWEST_CASES = 5
"""With fewer cases no course is learned (our choice)."""


def library_lengths(library: Library, procedure: Procedure) -> dict[str, float]:
    """Give the usual seconds of a visit by step code, from all cases of that vocabulary.

    Visits whose start or end the recording does not show are left out.
    """
    return learned_lengths(library_visits(library, procedure), procedure)


def library_visits(library: Library, procedure: Procedure) -> list[tuple[str, float]]:
    """Give code and seconds of every visit of that vocabulary whose edges are both seen."""
    visits, _ = read_visits(library, Filter(procedure=procedure.code))
    timed = visits["level"].isin([level.value for level in LEVELS])
    whole = visits[timed & ~(visits["open_start"] | visits["open_end"])]
    return list(zip(whole["step"].tolist(), whole["length_s"].tolist(), strict=True))


def library_course(
    library: Library, procedure: Procedure, surgeons: Sequence[str] = ()
) -> Course | None:
    """Learn the usual course of the library's complete cases of that vocabulary.

    ``surgeons`` takes only these surgeons' cases. Of a case with several annotators one is taken.
    None where fewer than ``FEWEST_CASES`` are there.
    """
    wanted = Filter(procedure=procedure.code, surgeons=tuple(surgeons), complete_only=True)
    known = {step.code for step in drafted_steps(procedure)}
    listed = list_cases(library, wanted).drop_duplicates("case")
    who = dict(zip(listed["case"], listed["annotator"], strict=True))
    recorded_s = dict(zip(listed["case"], listed["recorded_s"], strict=True))
    visits, _ = read_visits(library, wanted)
    visits = visits[visits["step"].isin(known)].sort_values("start_s")
    cases: list[Visits] = []
    for case, rows in visits.groupby("case", sort=False):
        own = rows[rows["annotator"] == who[case]]
        spans = [
            (str(code), Span(round(start * NS), round(end * NS)))
            for code, start, end in zip(own["step"], own["start_s"], own["end_s"], strict=True)
        ]
        cases.append(Visits(tuple(spans), round(float(recorded_s[case]) * NS)))
    if len(cases) < FEWEST_CASES:
        return None
    return learn_course(cases)
