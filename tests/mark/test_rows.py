"""Rows and changes: pure, and read from JSON with care."""

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.mark.rows import (
    Batch,
    Change,
    MarkRow,
    Stale,
    batch_from,
    batch_json,
    changed,
    difference,
    in_order,
)

TEXT = st.text(st.characters(blacklist_categories=("Cs",)), max_size=12)  # type: ignore[arg-type]
LABEL = TEXT.filter(str.strip)
TIMES = st.one_of(st.none(), st.integers(0, 2**53 - 1))
ROWS = st.builds(
    MarkRow,
    st.sampled_from("abcdef"),
    LABEL,
    TIMES,
    TIMES,
    st.booleans(),
    st.booleans(),
    TEXT,
    st.lists(st.tuples(LABEL, TEXT), max_size=2).map(tuple),
    st.booleans(),
)
TABLES = st.dictionaries(st.sampled_from("abcd"), ROWS, max_size=3).map(
    lambda table: {name: replace(row, id=name) for name, row in table.items()}
)


@given(TABLES, TABLES)
def test_a_difference_leads_there_and_back(
    old: dict[str, MarkRow], new: dict[str, MarkRow]
) -> None:
    changes = difference(old, new)
    assert changed(old, changes) == new
    turned = [Change(change.after, change.before) for change in reversed(changes)]
    assert changed(new, turned) == old


@given(TABLES, TABLES)
def test_a_batch_comes_back_from_json_as_it_was(
    old: dict[str, MarkRow], new: dict[str, MarkRow]
) -> None:
    batch = Batch("b", "c", difference(old, new))
    text = json.loads(json.dumps(batch_json(batch)))
    assert batch_from(text, "c") == batch


def test_a_change_of_a_row_that_is_otherwise_now_is_refused_whole() -> None:
    a, b = MarkRow("a", "capsulorhexis", 0, 40), MarkRow("b", "hydrodissection", 40, 80)
    rows = {"a": a}
    with pytest.raises(Stale):
        changed(rows, [Change(None, b), Change(replace(a, note="old"), None)])
    with pytest.raises(Stale):
        changed(rows, [Change(None, a)])
    assert rows == {"a": a}


def test_the_order_is_by_start_and_rows_without_place_come_last() -> None:
    rows = [
        MarkRow("x", "s", None),
        MarkRow("b", "s", 5, 9),
        MarkRow("a", "s", 5, 20),
        MarkRow("c", "s", 0, None),
    ]
    assert [row.id for row in in_order({row.id: row for row in rows})] == ["c", "a", "b", "x"]


@pytest.mark.parametrize(
    "row",
    [
        {},
        {"id": "a", "label": " "},
        {"id": "", "label": "s"},
        {"id": "a" * 201, "label": "s"},
        {"id": "a", "label": "s", "start_ns": -1},
        {"id": "a", "label": "s", "start_ns": 1.5},
        {"id": "a", "label": "s", "start_ns": True},
        {"id": "a", "label": "s", "start_ns": 2**53},
        {"id": "a", "label": "s", "draft": 1},
        {"id": "a", "label": "s", "note": None},
        {"id": "a", "label": "s", "note": "\ud83d"},
        {"id": "a", "label": "s", "attributes": [["x"]]},
        {"id": "a", "label": "s", "attributes": {"x": "y"}},
        [],
        "row",
    ],
)
def test_rows_that_are_none_are_refused(row: object) -> None:
    with pytest.raises(ValueError, match=r"must be|holds half"):
        batch_from({"id": "b", "changes": [{"before": None, "after": row}]}, "c")


@pytest.mark.parametrize(
    "batch",
    [
        None,
        {"id": "b"},
        {"id": "b", "changes": [{}]},
        {"id": 4, "changes": []},
        {
            "id": "b",
            "changes": [{"before": {"id": "a", "label": "s"}, "after": {"id": "b", "label": "s"}}],
        },
    ],
)
def test_batches_that_are_none_are_refused(batch: object) -> None:
    with pytest.raises(ValueError, match=r"must be|has a list|names no row|keeps the id"):
        batch_from(batch, "c")
