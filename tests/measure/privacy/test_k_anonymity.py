"""Groups of cases that share their values, against Sweeney's own example.

Source: L. Sweeney, k-anonymity: a model for protecting privacy, Int J Uncertain Fuzz 2002;10:557,
figure 2 (from memory): race, birth, gender and ZIP of eleven persons, k = 2.
"""

from collections import Counter
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.measure.privacy.k_anonymity import Group, coarse, group_sizes

NAMES = ("race", "birth", "gender", "zip")
FIGURE_2 = [
    dict(zip(NAMES, row.split(), strict=True))
    for row in (
        "Black 1965 m 0214*", "Black 1965 m 0214*", "Black 1965 f 0213*", "Black 1965 f 0213*",
        "Black 1964 f 0213*", "Black 1964 f 0213*", "White 1964 m 0213*", "White 1964 m 0213*",
        "White 1964 m 0213*", "White 1967 m 0213*", "White 1967 m 0213*",
    )
]  # fmt: skip


def smallest(table: list[dict[str, str]]) -> int:
    """k of a table: the size of its smallest group by all values."""
    return min(
        group_sizes(row, table[:place] + table[place + 1 :])[-1].size
        for place, row in enumerate(table)
    )


def test_sweeneys_figure_2_is_2_anonymous() -> None:
    assert smallest(FIGURE_2) == 2
    assert smallest([{"gender": row["gender"]} for row in FIGURE_2]) == 4


def test_the_group_of_one_row_by_each_value_and_by_all() -> None:
    own, others = FIGURE_2[6], FIGURE_2[:6] + FIGURE_2[7:]
    assert group_sizes(own, others) == (
        Group(("race",), 5),
        Group(("birth",), 5),
        Group(("gender",), 7),
        Group(("zip",), 9),
        Group(NAMES, 3),
    )
    assert group_sizes({}, others) == ()
    assert group_sizes({"mm": "4.50"}, [{"mm": "4.5"}, {"mm": "4"}]) == (Group(("mm",), 2),)
    assert group_sizes({"eye": "left"}, []) == (Group(("eye",), 1),)


@given(st.lists(st.tuples(*[st.sampled_from("ab")] * 3), min_size=1, max_size=20))
def test_the_smallest_of_all_groups_is_k(rows: list[tuple[str, ...]]) -> None:
    """The definition of k, by another way: counts of equal rows."""
    table = [dict(zip("xyz", row, strict=True)) for row in rows]
    assert smallest(table) == min(Counter(rows).values())


@pytest.mark.parametrize(
    ("name", "value", "width", "expected"),
    [
        ("age", "64", "10", "60-69"),
        ("age", "60", "10", "60-69"),
        ("age", "89", "10", "80-89"),
        ("age", "90", "10", "90 or older"),  # (C): one category of age 90 or older
        ("age_years", "104", None, "90 or older"),
        ("age", "89", None, "89"),
        ("patient_age", "93.5", "5", "90 or older"),
        ("stage", "95", None, "95"),
        ("pupil_mm", "4.7", "0.5", "4.5 to under 5"),
        ("pupil_mm", "5", "0.5", "5 to under 5.5"),
        ("grade", "3", "1", "3"),
        ("shift", "-3", "5", "-5--1"),
        ("eye", "left", "10", "left"),
    ],
)
def test_coarse(name: str, value: str, width: str | None, expected: str) -> None:
    assert coarse(name, value, None if width is None else Decimal(width)) == expected


def test_a_range_has_a_width() -> None:
    with pytest.raises(ValueError, match="wider than 0"):
        coarse("age", "64", Decimal(0))
