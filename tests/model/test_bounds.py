"""What is too large is told at once where it is read, with its bound."""

from fractions import Fraction

import pytest

from vidseg.formats.moment import days_to_ns, parse_frame, parse_moment, seconds_to_ns
from vidseg.model.bounds import (
    LONGEST_NS,
    MOST_FRAMES,
    MOST_ROWS,
    at_most_rows,
    parse_factor,
    parse_rate,
    usable_path,
    whole_number,
)
from vidseg.model.clock import parse_time
from vidseg.model.edits import EditMap, Removed
from vidseg.model.problem import FormatError

H = 3_600_000_000_000


def test_the_longest_time_is_read_and_no_longer_one() -> None:
    assert parse_time("1000:00:00") == LONGEST_NS == 1_000 * H
    for text in ("1000:00:00.001", "3600001", "9" * 30):
        with pytest.raises(ValueError, match=r"no recording is longer than 1,000 h"):
            parse_time(text)
    with pytest.raises(ValueError, match="not a time"):
        parse_time("9" * 5_000)
    with pytest.raises(ValueError, match="1,000 h"):
        seconds_to_ns(1e300)
    with pytest.raises(ValueError, match="1,000 h"):
        days_to_ns(42.0)
    assert seconds_to_ns(3_600_000.0) == LONGEST_NS


def test_digits_of_other_scripts_are_no_digits() -> None:
    """Digits to a regular expression, and superscripts to ``str.isdigit``."""
    for text in ("٣:10", "１２", "1²", "²"):
        with pytest.raises(ValueError, match="not a time"):
            parse_moment(text)
        assert whole_number(text, 100) is None
    assert whole_number("0041", 100) == 41
    assert whole_number("101", 100) is None
    assert whole_number("9" * 5_000, 100) is None


def test_frames() -> None:
    assert parse_frame(str(MOST_FRAMES)) is not None
    for text in (str(MOST_FRAMES + 1), f"f{MOST_FRAMES + 1}"):
        with pytest.raises(ValueError, match="no recording is longer"):
            parse_frame(text)


@pytest.mark.parametrize("text", ["1e999999999", "1E3", "-25", "0", "1/0", "nan", "inf", "²", ""])
def test_what_is_no_rate_and_no_factor(text: str) -> None:
    with pytest.raises(ValueError, match="write"):
        parse_rate(text)
    with pytest.raises(ValueError, match="write"):
        parse_factor(text)


def test_rates_and_factors() -> None:
    assert parse_rate("29.97") == Fraction(30000, 1001)
    assert parse_rate(" 10000 ") == 10_000
    assert parse_factor("4/3") == Fraction(4, 3)
    for text in ("10001", "0.0001"):
        with pytest.raises(ValueError, match="rates go from"):
            parse_rate(text)
    for text in ("1001", "1/1001"):
        with pytest.raises(ValueError, match="goes from"):
            parse_factor(text)


def test_edits_make_no_operation_longer_than_any() -> None:
    with pytest.raises(ValueError, match=r"1498:00:01\.000, and none is longer than 1,000 h"):
        EditMap([Removed(0, 999 * H), Removed(5, 499 * H)], 1_000_000_000)


def test_rows() -> None:
    """A header may stand above them."""
    assert sum(1 for _ in at_most_rows(range(MOST_ROWS + 1), "x.csv", 5)) == MOST_ROWS + 1
    with pytest.raises(FormatError, match=r"x.csv: holds more than 100,000 rows \(2\.5 MB\)"):
        list(at_most_rows(range(MOST_ROWS + 2), "x.csv", 2_500_000))


def test_names_of_files() -> None:
    assert usable_path("folder/" + "x" * 255) == "folder/" + "x" * 255
    with pytest.raises(ValueError, match="longer than the name of any file"):
        usable_path("folder/" + "ü" * 128)
    with pytest.raises(ValueError, match="not UTF-8 text"):
        usable_path("caf\udce9.csv")
