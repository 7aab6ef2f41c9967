"""Which column of a table is which: header words, in any order and case.

A frame column counts from 0, and ``end_frame`` is the first frame that is out again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from vidseg.model.procedure import fold

HEADER_WORDS: dict[str, tuple[str, ...]] = {
    "start": (
        *("start", "begin", "from", "time", "onset", "start time", "begin time", "start at"),
        *("start (s)", "time (s)", "onset (s)", "begin (s)"),
    ),
    "end": (
        *("end", "stop", "to", "offset", "end time", "stop time", "until", "finish"),
        *("end (s)", "stop (s)", "offset (s)"),
    ),
    "length": ("length", "duration", "length (s)", "duration (s)"),
    "start_frame": ("frame", "FrameNo", "frame number", "start frame", "from frame", "frames"),
    "end_frame": ("end frame", "stop frame", "to frame"),
    "step": ("step", "label", "phase", "code", "event", "steps", "step code", "chapter"),
    "note": ("note", "comment", "remark", "notes", "comments", "remarks"),
    "case": ("case", "video", "VideoID", "case id", "video name"),
}
"""Every word that names a column, by what it names; case, spaces and punctuation do not count."""

NEEDED = (
    "a table needs a header row with a column for the start (start, begin, from, time, onset, or "
    "frame) and one for the step (step, label, phase, code, event); further columns it may have: "
    "end, length, note, case"
)

_ROLES = {fold(word): role for role, words in HEADER_WORDS.items() for word in words}


@dataclass(frozen=True, slots=True)
class ColumnPlaces:
    """Where the columns of one table stand, from 0. ``places`` goes by the keys of HEADER_WORDS.

    ``extras`` are the columns that no word names; they become attributes.
    """

    names: tuple[str, ...]
    places: dict[str, int]
    extras: tuple[int, ...] = ()

    @property
    def starts_only(self) -> bool:
        """Whether the table has no column from which an end could come."""
        return not {"end", "end_frame", "length"} & self.places.keys()

    @property
    def fewest(self) -> int:
        """How many cells a row must have: all but notes and extra columns at its end."""
        return 1 + max(place for role, place in self.places.items() if role != "note")


def role_of(name: str) -> str | None:
    """Say what a header word names (a key of HEADER_WORDS), None for any other word."""
    return _ROLES.get(fold(name))


def count_roles(names: Sequence[str]) -> int:
    """Count the different roles that the cells of a row name: a header row has two or more."""
    return len({role for name in names if (role := role_of(name)) is not None})


def find_columns(names: Sequence[str], case_column: str | None = None) -> ColumnPlaces:
    """Sort the cells of a header row. ``case_column`` names the column of the case, if given.

    Where a table has both a time and a frame for one edge, the time counts and the frame is
    kept as an extra column. Raises ValueError where start or step has no column, or where two
    columns have the same name or name the same thing.
    """
    cells = tuple(name.strip() for name in names)
    twice = [name for name, times in Counter(filter(None, cells)).items() if times > 1]
    if twice:
        raise ValueError(f"two columns are named {twice[0]!r}; rename one of them")
    places: dict[str, int] = {}
    for place, name in enumerate(cells):
        if case_column is None:
            role = role_of(name)
        elif fold(name) == fold(case_column):
            role = "case"
        else:
            role = role_of(name) if role_of(name) != "case" else None
        if role is None:
            continue
        if role in places:
            raise ValueError(
                f"the columns {cells[places[role]]!r} and {name!r} both stand for the {role}; "
                "rename the one that does not"
            )
        places[role] = place
    found = ", ".join(repr(name) for name in cells if name) or "nothing"
    if "step" not in places or not {"start", "start_frame"} & places.keys():
        missing = "step" if "step" not in places else "start"
        raise ValueError(f"no column for the {missing} among {found}: {NEEDED}")
    if case_column is not None and "case" not in places:
        raise ValueError(f"no column {case_column!r} among {found}")
    for time, frame in (("start", "start_frame"), ("end", "end_frame")):
        if time in places:
            places.pop(frame, None)
    taken = set(places.values())
    return ColumnPlaces(
        tuple(name or f"column {place + 1}" for place, name in enumerate(cells)),
        places,
        tuple(place for place in range(len(cells)) if place not in taken),
    )
