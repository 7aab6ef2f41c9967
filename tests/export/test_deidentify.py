"""The record of a shared copy: its JSON, its statement without values, its one sheet of paper."""

import html
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from vidseg.export.deidentify import (
    Pair,
    SharingRecord,
    record_json,
    statement,
    write_json,
    write_record_page,
)
from vidseg.measure.privacy.disclosure import (
    DICOM_OPTIONS,
    SAFE_HARBOR,
    Sharing,
    dicom_options,
    safe_harbor,
)
from vidseg.measure.privacy.k_anonymity import Group
from vidseg.measure.privacy.sifting import Sieve
from vidseg.model.consent import Answer, Consent, Purpose
from vidseg.model.mask import Mask
from vidseg.model.screening import Overlay, Screening, UnlikeView
from vidseg.model.span import Span

NS = 1_000_000_000
HOSTILE = '</style><script>alert(1)</script><img src="https://a.example/x.png">'


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> SharingRecord:
    """A record with something of everything, hostile texts among it."""
    folder = tmp_path_factory.mktemp("frames")
    pairs = []
    for number, colour in enumerate(("sienna", "teal", "olive")):
        before, after = folder / f"{number}-before.jpg", folder / f"{number}-after.jpg"
        Image.new("RGB", (640, 360), colour).save(before)
        Image.new("RGB", (640, 360), "black").save(after)
        pairs.append(Pair(number * NS, before, after))
    sieve = Sieve(allowed=["Anna"])
    sieve.passes("thank you, Anna", "caption at 0:00:01.000")
    sieve.passes("MRN 00123456", "note at 0:00:02.000")
    sharing = Sharing(
        found={"H": 1, "C": 2},
        allowed={"A": 1},
        captions=True,
        masks=2,
        overlays=2,
        overlays_gone=2,
        views=1,
        covariates=3,
        coarsened=1,
        group=2,
    )
    hashes = {name: f"{number}" * 64 for number, name in enumerate(("case.mp4", "steps.csv"))}
    return SharingRecord(
        purpose=Purpose.TEACHING,
        case=f"Person {HOSTILE}",
        new_id="case-7f3a",
        consent=Consent(Answer.YES, date="2031-05-13", document="form 7"),
        safe_harbor=safe_harbor(sharing),
        dicom=dicom_options(sharing),
        done=tuple(f"Something of what is done, number {n}." for n in range(12)),
        notes=("a note", HOSTILE),
        masks=(Mask(0, 0, 32, 16), Mask(9, 9, 9, 9, Span(0, 2 * NS))),
        look=Screening(
            (Overlay(1, 2, 30, 10, Span(0, 4 * NS), 0.9, (3,)),),
            (UnlikeView(Span(NS, 2 * NS), 0.5, "brighter", 7),),
            ("a remark",),
        ),
        words=tuple(sieve.found),
        groups=(Group(("age",), 5), Group(("age", "eye"), 1)),
        before=hashes,
        after={"recording.mp4": "a" * 64, "stills/01.jpg": "b" * 64, "steps.csv": "c" * 64},
        pairs=tuple(pairs),
    )


@pytest.fixture(scope="module")
def path(record: SharingRecord, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("record") / "deidentification.html"
    write_record_page(record, path)
    return path


def test_both_lists_stand_whole_in_page_and_json(record: SharingRecord, path: Path) -> None:
    document = record_json(record)
    lists = [document["safe_harbor_45_cfr_164_514_b_2_i"], document["dicom_cid_7050"]]
    assert [line["key"] for line in lists[0]] == list("ABCDEFGHIJKLMNOPQR")
    assert {line["key"]: line["name"] for line in lists[1]} == DICOM_OPTIONS
    page = path.read_text(encoding="utf-8")
    for key, name in (*SAFE_HARBOR.items(), *DICOM_OPTIONS.items()):
        assert re.search(rf'<td class="key">{key}</td><th scope="row">{re.escape(name)}: ', page)


def test_what_goes_along_holds_no_value_that_was_found(record: SharingRecord) -> None:
    text = json.dumps(statement(record))
    for value in ("Person", "Anna", "00123456", "form 7", "2031", "0" * 64):
        assert value not in text
    assert "case-7f3a" in text


def test_the_record_keeps_what_leads_back(record: SharingRecord, tmp_path: Path) -> None:
    write_json(record_json(record), tmp_path / "record.json")
    found = json.loads((tmp_path / "record.json").read_text(encoding="utf-8"))
    assert found["original"]["consent"] == {
        "answer": "yes",
        "date": "2031-05-13",
        "document": "form 7",
    }
    assert [(one["text"], one["category"], one["left"]) for one in found["words"]] == [
        ("Anna", "A", True),
        ("MRN 00123456", "H", False),
    ]
    assert found["masks"][0]["span_s"] is None
    assert [float(edge) for edge in found["masks"][1]["span_s"]] == [0, 2]
    assert [float(edge) for edge in found["burnt_in"][0]["span_s"]] == [0, 4]
    assert found["unlike"][0]["why"] == "brighter"
    assert found["groups"] == [
        {"covariates": ["age"], "cases": 5},
        {"covariates": ["age", "eye"], "cases": 1},
    ]
    assert found["sha256_before"]["case.mp4"] == "0" * 64


def test_the_page_is_whole_in_itself_and_harmless(path: Path) -> None:
    page = path.read_text(encoding="utf-8")
    assert "<script" not in page
    assert 'src="http' not in page
    assert page.count('src="data:image/jpeg;base64,') == 6
    assert "default-src 'none'; img-src data:; style-src 'sha256-" in html.unescape(page)
    assert "anonym" not in page.lower()
    for words in ("never goes along with the copy", "local law", "data protection officer"):
        assert words in page
    for line in ("Role", "Date", "Signature"):
        assert f"<p>{line}</p>" in page


@pytest.fixture(scope="module")
def page(path: Path, browser: Any) -> Iterator[Any]:
    shown = browser.new_page(viewport={"width": 1100, "height": 900}, bypass_csp=True)
    shown.goto(path.as_uri())
    yield shown
    shown.close()


def test_it_prints_on_one_sheet_of_a4(page: Any) -> None:
    pdf = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 1
    (box,) = set(re.findall(rb"/MediaBox\s*\[([^\]]*)\]", pdf))
    assert [round(float(edge)) for edge in box.split()] == pytest.approx([0, 0, 595, 842], abs=1)


def test_pictures_are_shown_and_nothing_runs_over(page: Any) -> None:
    widths = page.evaluate("[...document.images].map(i => i.naturalWidth)")
    assert widths == [300] * 6
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_axe_finds_nothing(page: Any, axe: str) -> None:
    page.add_script_tag(content=axe)
    passes, violations = page.evaluate("axe.run().then(r => [r.passes.length, r.violations])")
    assert passes > 10
    assert [(one["id"], one["nodes"][0]["html"]) for one in violations] == []
