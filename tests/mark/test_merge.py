"""The merge of two sides' changes, row by row."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from vidseg.mark.merge import in_file, merged, paired
from vidseg.mark.rows import MarkRow

A = MarkRow("a", "capsulorhexis", 0, 400)
B = MarkRow("b", "hydrodissection", 400, 800)
C = MarkRow("c", "nucleus_division", 800, 900)
TABLES = st.dictionaries(
    st.sampled_from("abcd"),
    st.builds(MarkRow, st.just(""), st.sampled_from("xyz"), st.integers(0, 3)),
).map(lambda table: {name: replace(row, id=name) for name, row in table.items()})


def table(*rows: MarkRow) -> dict[str, MarkRow]:
    return {row.id: row for row in rows}


@given(TABLES, TABLES, TABLES)
def test_laws_of_a_three_way_merge(
    base: dict[str, MarkRow], mine: dict[str, MarkRow], theirs: dict[str, MarkRow]
) -> None:
    """The laws that a three-way merge obeys (Khanna, Kunal and Pierce, A formal investigation of
    diff3, FSTTCS 2007): the same change on both sides, and a side without changes, are no conflict;
    a row that only one side touched is that side's."""
    assert merged(base, mine, base).rows == mine
    assert merged(base, base, theirs).rows == theirs
    assert merged(base, mine, mine).rows == mine
    for sides in ((mine, base), (base, theirs), (mine, mine)):
        assert not merged(base, *sides).conflicts
    found, other = merged(base, mine, theirs), merged(base, theirs, mine)
    assert found.conflicts.keys() == other.conflicts.keys()
    for name in {*base, *mine, *theirs} - found.conflicts.keys():
        assert found.rows.get(name) == other.rows.get(name)
        assert found.rows.get(name) in (mine.get(name), theirs.get(name))
    for name in found.conflicts:
        assert len({base.get(name), mine.get(name), theirs.get(name)}) == 3
        assert found.rows.get(name) == mine.get(name)
    written = in_file(found.rows, found.conflicts)
    for name in found.conflicts:
        assert written.get(name) == theirs.get(name)


def test_rows_of_a_changed_file_are_found_again() -> None:
    base = table(A, B, C)
    theirs = [
        replace(B, id="1", end_ns=760),
        replace(C, id="2", label="cortex_removal"),
        MarkRow("3", "iol_insertion", 1000, 1200),
        replace(A, id="4"),
    ]
    assert paired(base, base, theirs) == {"1": "b", "2": "c", "4": "a"}


def test_a_row_that_is_mine_alone_is_paired_with_an_equal_one_only() -> None:
    assert paired({}, table(A), [replace(A, id="1")]) == {"1": "a"}
    assert paired({}, table(A), [replace(A, id="1", end_ns=440)]) == {}


def test_twins_are_paired_one_to_one() -> None:
    base = table(A, replace(A, id="a2"))
    pairs = paired(base, base, [replace(A, id="1"), replace(A, id="2"), replace(A, id="3")])
    assert sorted(pairs.values()) == ["a", "a2"]
