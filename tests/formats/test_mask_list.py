"""Masks as text: what is written reads back, and what is wrong is told with its line."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.formats.mask_list import parse_mask, read_masks, write_masks
from vidseg.model.mask import Mask
from vidseg.model.problem import FormatError
from vidseg.model.span import Span

px = st.integers(0, 8000)
size = st.integers(1, 8000)
spans = st.none() | st.builds(
    lambda start, length: Span(start, start + length),
    st.integers(0, 10**14),
    st.integers(1, 10**13),
)
masks = st.builds(Mask, px, px, size, size, spans)


@given(written=st.lists(masks, max_size=5))
def test_what_is_written_reads_back(
    written: list[Mask], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("masks") / "masks.csv"
    write_masks(written, path)
    assert read_masks(path) == tuple(written)


def test_the_short_form() -> None:
    assert parse_mask("0,0,320,48") == Mask(0, 0, 320, 48)
    span = Span(190_000_000_000, 240_500_000_000)
    assert parse_mask("900, 640,200,60@0:03:10-0:04:00.5") == Mask(900, 640, 200, 60, span)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0,0,320", "no rectangle"),
        ("0,0,wide,48", "width 'wide'"),
        ("0,0,0,48", "no area"),
        ("-1,0,10,10", "outside the picture"),
        ("0,0,10,10@0:10", "no span"),
        ("0,0,10,10@0:10-0:05", "not after the start"),
        ("0,0,10,10@ten-0:05", "ten"),
    ],
)
def test_what_is_wrong_is_told(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        parse_mask(text)


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("a,b,c\n", 1, "expected the columns"),
        ("x,y,width,height,start,end\n0,0,5,5,,\n0,0,5\n", 3, "3 cells"),
        ("x,y,width,height,start,end\n0,0,5,5,0:10,\n", 2, "both start and end"),
        (f"x,y,width,height\n0,0,5,{'5' * 200_000}\n", 2, "cannot be split"),
        (f"x,y,width,height\n0,0,5,{'5' * 9_000}\n", 2, "px, 100,000 at most"),
    ],
)
def test_a_bad_table_is_told_with_its_line(tmp_path: Path, text: str, line: int, said: str) -> None:
    path = tmp_path / "masks.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FormatError, match=said) as told:
        read_masks(path)
    assert told.value.line == line


def test_a_table_without_times_is_for_the_whole_recording(tmp_path: Path) -> None:
    path = tmp_path / "masks.csv"
    path.write_text("x,y,width,height\n1,2,3,4\n", encoding="utf-8")
    assert read_masks(path) == (Mask(1, 2, 3, 4),)
