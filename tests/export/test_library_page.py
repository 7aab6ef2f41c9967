"""The library page: what stands in it, and what it does in a browser when opened from disk."""

import html
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from vidseg.cli import main
from vidseg.export.figures import Series, curve_figure, durations_figure
from vidseg.export.library_page import (
    PageFigure,
    PageSection,
    write_library_page,
)
from vidseg.export.shown_table import ShownTable
from vidseg.model.column import Column

HOSTILE = '</style><script>alert(1)</script><img src=x onerror="alert(1)">'


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("page") / "demo"
    assert main(["demo", str(folder), "--library", "--quiet"]) == 0
    return folder / "library.html"


@pytest.fixture(scope="module")
def page(page_file: Path, browser: Any) -> Iterator[Any]:
    opened = browser.new_page(viewport={"width": 1280, "height": 900})
    opened.told = []
    opened.on("console", lambda message: opened.told.append(message.text))
    opened.on("pageerror", lambda error: opened.told.append(str(error)))
    opened.on("request", lambda request: opened.told.append(request.url))
    opened.goto(page_file.as_uri())
    yield opened
    opened.close()


def test_opens_from_disk_without_errors_and_fetches_nothing(page: Any, page_file: Path) -> None:
    assert page.told == [page_file.as_uri()]
    assert page.locator("h1").inner_text() == "Sixty made-up operations"
    for words in ("Time is not skill", "Small samples mislead", "Not for credentialing"):
        assert page.locator(".banner").get_by_text(words).is_visible()


def test_figures_are_drawn_and_told_in_words(page: Any) -> None:
    figures = page.locator("figure")
    assert figures.count() >= 7
    for place in range(figures.count()):
        picture = figures.nth(place).locator(".picture")
        assert picture.get_attribute("role") == "img"
        assert len(picture.get_attribute("aria-label") or "") > 40
        box = picture.locator("svg").bounding_box()
        assert box["width"] > 600
        assert box["height"] > 50
    # Colours come through although the policy forbids style attributes.
    filled = page.evaluate(
        "[...document.querySelectorAll('figure svg path')]"
        ".map(p => getComputedStyle(p).fill).filter(f => f === 'rgb(207, 227, 241)').length"
    )
    assert filled >= 11


def test_the_data_of_every_figure_is_a_click_away(page: Any) -> None:
    details = page.locator("figure details")
    assert details.count() == page.locator("figure").count()
    for place in range(details.count()):
        table = details.nth(place).locator("table")
        assert not table.is_visible()
        details.nth(place).locator("summary").click()
        assert table.is_visible()
        assert table.locator("tbody tr").count() >= 1
        details.nth(place).locator("summary").click()


def test_nothing_sticks_out_on_a_narrow_screen(page: Any) -> None:
    page.set_viewport_size({"width": 390, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    page.set_viewport_size({"width": 1280, "height": 900})


def test_axe_finds_nothing_on_the_library_page(page: Any, axe: str) -> None:
    page.evaluate(axe)
    found = page.evaluate("axe.run().then(r => [r.passes.length, r.violations.map(v => v.id)])")
    assert found[0] > 10
    assert found[1] == []


def test_no_script_no_style_attribute_no_address(page_file: Path) -> None:
    text = page_file.read_text(encoding="utf-8")
    assert "<script" not in text
    assert 'style="' not in text
    assert "default-src 'none'" in html.unescape(text)
    assert not re.findall(r'(?:src|href)="(?!#)[^"]*"', text)
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    for target in re.findall(r'(?:xlink:)?href="#([^"]+)"', text):
        assert target in ids or target == "content"


def test_the_same_library_gives_the_same_page(page_file: Path, tmp_path: Path) -> None:
    again = tmp_path / "again.html"
    arguments = [
        *("library", "page", "--annotator", "A", "--annotator", "B", "--quiet"),
        *("--title", "Sixty made-up operations", "--out", str(again)),
        *("--library", str(page_file.with_name("library.vidseg.sqlite"))),
    ]
    assert main(arguments) == 0
    assert again.read_bytes() == page_file.read_bytes()


def test_hostile_texts_stay_texts(tmp_path: Path) -> None:
    table = pd.DataFrame({"name": [HOSTILE], "time_s": [1.5]})
    shown = ShownTable(
        HOSTILE, table, (Column("name", "the name", HOSTILE), Column("time_s", "a time", "s"))
    )
    series = Series(HOSTILE, np.array([1.0, 2]), np.array([3.0, 4]), np.array([]), np.array([]))
    other = Series("$x_1$", np.array([1.0, 2]), np.array([3.0, 4]), np.array([]), np.array([]))
    figure = PageFigure(HOSTILE, curve_figure([series, other], "f"), HOSTILE, shown)
    section = PageSection("part", HOSTILE, HOSTILE, (figure,), (shown,), (HOSTILE,))
    out = tmp_path / "page.html"
    write_library_page(
        out,
        title=HOSTILE,
        chosen=HOSTILE,
        sections=[section],
        cautions=["care"],
        schemas={HOSTILE: {HOSTILE: Column(HOSTILE, HOSTILE)}},
    )
    text = out.read_text(encoding="utf-8")
    assert "<script" not in text
    assert "<img" not in text
    assert text.count("</style>") == 2


def test_a_figure_without_quartiles_or_interval_is_drawn() -> None:
    nan = float("nan")
    row = {"name": "A step", "cases": 2, "censored": 1, "min_s": 1.0, "max_s": 3.0}
    row |= {"median_s": 2.0, "q1_s": nan, "q3_s": nan, "median_low_s": nan, "median_high_s": nan}
    text = durations_figure(pd.DataFrame([row]), "x")
    assert "A step (2)" in text
    assert "≥" in text
