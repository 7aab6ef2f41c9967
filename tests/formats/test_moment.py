import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.formats.moment import (
    days_to_ns,
    is_moment,
    moment_text,
    parse_frame,
    parse_moment,
    seconds_to_ns,
)
from vidseg.model.annotation import Edge, Frame, Timecode

MOMENTS = st.one_of(
    st.integers(0, 10**15),
    st.builds(Frame, st.integers(0, 10**7)),
    st.builds(
        lambda h, m, s, sign, f: Timecode(f"{h:02d}:{m:02d}:{s:02d}{sign}{f:02d}"),
        *(st.integers(0, 23), st.integers(0, 59), st.integers(0, 59), st.sampled_from(":;")),
        st.integers(0, 59),
    ),
    st.just(Edge.OPEN),
)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12.5", 12_500_000_000),
        ("12,5", 12_500_000_000),
        (" 4:10 ", 250_000_000_000),
        ("0:04:10.250", 250_250_000_000),
        ("0.000000001", 1),
        ("00:04:10:12", Timecode("00:04:10:12")),
        ("00:04:10;12", Timecode("00:04:10;12")),
        ("f1234", Frame(1234)),
        ("Frame 12", Frame(12)),
        ("OPEN", Edge.OPEN),
    ],
)
def test_forms_of_a_moment(text: str, expected: object) -> None:
    assert parse_moment(text) == expected


@pytest.mark.parametrize(
    "text",
    ["", "-5", "4:7x", "0:75", "1:60:00", "1e3", "0:75:00:00", "f", "f-1", "٤:١٠", "9" * 5000],
)
def test_what_is_no_moment(text: str) -> None:
    assert not is_moment(text)
    with pytest.raises(ValueError, match="not a time"):
        parse_moment(text)


def test_frame_column() -> None:
    assert parse_frame("68") == Frame(68)
    assert parse_frame("f68") == Frame(68)
    assert parse_frame("open") is Edge.OPEN
    for text in ("-1", "6.5", "0:10", ""):
        with pytest.raises(ValueError, match="frame number"):
            parse_frame(text)


@given(MOMENTS)
def test_written_moments_read_back(moment: object) -> None:
    assert parse_moment(moment_text(moment)) == moment  # type: ignore[arg-type]


def test_numbers_of_a_spreadsheet() -> None:
    assert seconds_to_ns(12.1) == 12_100_000_000
    assert seconds_to_ns(0.1 + 0.2) == 300_000_000
    # 250 s as the fraction of a day in the 17, and in the 15 digits, that programs store
    assert days_to_ns(0.0028935185185185184) == 250_000_000_000
    assert days_to_ns(0.00289351851851852) == 250_000_000_000
    for bad in (-1.0, float("inf"), float("nan")):
        with pytest.raises(ValueError, match="not a time"):
            seconds_to_ns(bad)
        with pytest.raises(ValueError, match="not a time"):
            days_to_ns(bad)


@given(st.integers(0, 86_399_999))
def test_a_time_of_day_to_the_millisecond_is_exact(ms: int) -> None:
    assert days_to_ns(ms / 86_400_000) == ms * 1_000_000
