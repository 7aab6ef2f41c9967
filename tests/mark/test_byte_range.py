"""Ranges of bytes: the examples and rules of RFC 9110, section 14."""

import pytest

from vidseg.mark.byte_range import Unsatisfiable, byte_range


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        # RFC 9110, 14.1.2: the examples for a representation of 10 000 bytes
        ("bytes=0-499", (0, 500)),
        ("bytes=500-999", (500, 1000)),
        ("bytes=-500", (9500, 10_000)),
        ("bytes=9500-", (9500, 10_000)),
        # 14.1.2: a last position beyond the end is the end; a suffix longer than all is all
        ("bytes=9500-99999999999999999999", (9500, 10_000)),
        ("bytes=-99999", (0, 10_000)),
        # 14.1: names of units do not depend on case
        ("Bytes=0-0", (0, 1)),
        # 14.2: a server may ignore Range; an invalid one, another unit, many: passed over
        (None, None),
        ("bytes=5-2", None),
        ("bytes=0-0,-1", None),
        ("bytes=" + ",".join(["0-1"] * 5000), None),
        ("bytes=", None),
        ("bytes=-", None),
        ("bytes=a-b", None),
        ("bytes=0-1x", None),
        ("bytes=٠-١", None),
        ("lines=0-1", None),
        ("bytes 0-1", None),
        ("bytes=--5", None),
    ],
)
def test_ranges(header: str | None, expected: tuple[int, int] | None) -> None:
    assert byte_range(header, 10_000) == expected


@pytest.mark.parametrize("header", ["bytes=10000-", "bytes=99999-100000", "bytes=-0"])
def test_ranges_without_a_byte(header: str) -> None:
    """RFC 9110, 14.1.2: satisfiable is what starts before the end, or a suffix that is not zero."""
    with pytest.raises(Unsatisfiable):
        byte_range(header, 10_000)


def test_an_empty_file_has_no_range() -> None:
    with pytest.raises(Unsatisfiable):
        byte_range("bytes=0-", 0)
    with pytest.raises(Unsatisfiable):
        byte_range("bytes=-5", 0)
