"""What a library teaches a draft: how long visits to each step usually are."""

from __future__ import annotations

from vidseg.library.filters import Filter
from vidseg.library.read import read_visits
from vidseg.library.store import Library
from vidseg.measure.draft.learn import learned_lengths
from vidseg.model.procedure import LEVELS, Procedure


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
