"""Time: textual forms, exact pts conversion, SMPTE timecode."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.model import clock
from vidseg.model.clock import NS

NTSC = Fraction(30000, 1001)

# SMPTE ST 12-1 drop-frame counting; labels as published in worked tables of the standard's
# counting rule (two labels skipped each minute but every tenth; four at 59.94).
DROP_29 = [
    (1799, "00:00:59;29"),
    (1800, "00:01:00;02"),
    (3597, "00:01:59;29"),
    (3598, "00:02:00;02"),
    (17981, "00:09:59;29"),
    (17982, "00:10:00;00"),
    (19781, "00:10:59;29"),
    (19782, "00:11:00;02"),
    (107892, "01:00:00;00"),
    (2589408 - 1, "23:59:59;29"),
]
DROP_59 = [
    (3599, "00:00:59;59"),
    (3600, "00:01:00;04"),
    (35964, "00:10:00;00"),
    (215784, "01:00:00;00"),
]


@pytest.mark.parametrize(("frame", "label"), DROP_29)
def test_drop_frame_at_29_97(frame: int, label: str) -> None:
    assert clock.timecode_to_frame(label, NTSC) == frame


@pytest.mark.parametrize(("frame", "label"), DROP_59)
def test_drop_frame_at_59_94(frame: int, label: str) -> None:
    rate = Fraction(60000, 1001)
    assert clock.timecode_to_frame(label, rate) == frame


def test_one_hour_of_labels_lasts_what_the_standard_says() -> None:
    # 01:00:00;00 is 3599.9964 s, non-drop 01:00:00:00 is 3603.6 s (SMPTE ST 12-1 arithmetic).
    drop = clock.frame_to_ns(clock.timecode_to_frame("01:00:00;00", NTSC), NTSC)
    plain = clock.frame_to_ns(clock.timecode_to_frame("01:00:00:00", NTSC), NTSC)
    assert drop == 3_599_996_400_000
    assert plain == 3_603_600_000_000


@pytest.mark.parametrize("label", ["00:01:00;00", "00:01:00;01", "00:59:00;01"])
def test_labels_that_do_not_exist(label: str) -> None:
    with pytest.raises(ValueError, match="no such label"):
        clock.timecode_to_frame(label, NTSC)


@pytest.mark.parametrize(
    ("label", "rate"),
    [("00:00:00:25", Fraction(25)), ("00:60:00:00", Fraction(25)), ("1:2:3", Fraction(25))],
)
def test_malformed_timecode(label: str, rate: Fraction) -> None:
    with pytest.raises(ValueError, match="not a timecode"):
        clock.timecode_to_frame(label, rate)


def test_drop_frame_is_refused_at_25() -> None:
    with pytest.raises(ValueError, match=r"29\.97 and 59\.94"):
        clock.timecode_to_frame("00:00:01;00", Fraction(25))


@pytest.mark.parametrize(
    ("rate", "dropped"), [(NTSC, 2), (Fraction(60000, 1001), 4)], ids=["29.97", "59.94"]
)
def test_drop_frame_labels_count_on_by_one(rate: Fraction, dropped: int) -> None:
    """The rule of SMPTE ST 12-1, written out: labels in order, those it drops left out."""
    per_second = 15 * dropped
    frame = 0
    for minute in range(60):
        for second in range(60):
            for label in range(per_second):
                if minute % 10 and second == 0 and label < dropped:
                    continue
                text = f"00:{minute:02d}:{second:02d};{label:02d}"
                if second in (0, 59) or label in (0, per_second - 1):
                    assert clock.timecode_to_frame(text, rate) == frame
                frame += 1
    for hour in range(24):
        assert clock.timecode_to_frame(f"{hour:02d}:00:00;00", rate) == hour * frame


# The clock forms of Media Fragments URI 1.0 (W3C), section 4.2.1, in npt.
@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("10", "10"),
        ("0:02:00", "120"),
        ("120.1", "120.1"),
        ("0:02:01.5", "121.5"),
        ("05:10:10", "18610"),
        ("01:30.5", "90.5"),
        ("12,5", "12.5"),
        (" 4:10 ", "250"),
        ("90:00", "5400"),
    ],
)
def test_parse_time(text: str, seconds: str) -> None:
    assert clock.parse_time(text) == Fraction(seconds) * NS


@pytest.mark.parametrize(
    "text", ["", "4:60", "1:60:00", "-5", "1:2:3:4", "4:", "abc", "1e3", "1.2.3", "0.1234567891"]
)
def test_parse_time_refuses(text: str) -> None:
    with pytest.raises(ValueError, match="not a time"):
        clock.parse_time(text)


@given(st.integers(0, 400 * 3600 * NS))
def test_written_times_read_back(ns: int) -> None:
    assert clock.parse_time(clock.format_time(ns, 9)) == ns
    assert clock.parse_time(clock.format_seconds(ns)) == ns


def test_format_time_rounds_up_across_the_minute() -> None:
    assert clock.format_time(59_999_600_000) == "0:01:00.000"
    assert clock.format_time(-1_500_000_000, 1) == "-0:00:01.5"
    assert clock.format_time(3_661 * NS, 0) == "1:01:01"


BASES = [
    Fraction(1, 90000),
    Fraction(1, 1000),
    Fraction(1001, 30000),
    Fraction(1001, 60000),
    Fraction(1, 25),
    Fraction(1, 12800),
    Fraction(257, 7500),
    Fraction(1, 48000),
    Fraction(1, 44100),
    Fraction(1, 15360),
    Fraction(1, 1_000_000),
    Fraction(1, NS),
]


@given(st.sampled_from(BASES), st.integers(0, 12 * 3600))
def test_pts_survive_the_way_to_ns_and_back(base: Fraction, second: int) -> None:
    pts = int(second / base) + second % 97
    assert clock.ns_to_pts(clock.pts_to_ns(pts, base), base) == pts
