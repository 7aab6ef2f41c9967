"""Findings as text, CSV and JSON, and the pictures around them."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from synthetic_clips import make_clip, read_number
from vidseg.export.audit_files import (
    COLUMNS,
    audit_csv,
    audit_json,
    audit_lines,
    audit_text,
    write_thumbnails,
)
from vidseg.media.read.probe import open_recording
from vidseg.model.finding import FINDINGS, Finding
from vidseg.model.recording import Recording

CUT = Finding("hard-cut", 2_000_000_000, 2_000_000_000, 0.75, 'jumps by "9,1" luma steps')
FROZEN = Finding("frozen-span", 1_000_000_000, 1_400_000_000, 0.9, "10 frames alike")
SHORT = Finding("cut-short", 4_000_000_000, 4_000_000_000, 1.0, "promises more")


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    path = tmp_path_factory.mktemp("audit") / "clip.mp4"
    make_clip(path, frames=100, audio=False)
    return open_recording([path])


def test_csv_holds_every_finding(recording: Recording, tmp_path: Path) -> None:
    path = tmp_path / "audit.csv"
    path.write_text(audit_csv([FROZEN, CUT], recording), encoding="utf-8", newline="")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == list(COLUMNS)
    assert [(r["code"], r["start_s"], r["end_s"]) for r in rows] == [
        ("frozen-span", "1.000", "1.400"),
        ("hard-cut", "2.000", "2.000"),
    ]
    # by hand: 25 frames a second
    assert [(r["start_frame"], r["end_frame"]) for r in rows] == [("25", "35"), ("50", "50")]
    assert rows[1]["evidence"] == CUT.evidence
    assert rows[1]["effect"] == FINDINGS["hard-cut"][1]


def test_json_names_the_codes_and_no_folder(recording: Recording) -> None:
    text = audit_json([CUT], recording)
    document = json.loads(text)
    assert document["findings"][0]["score"] == 0.75
    assert set(document["codes"]) == set(FINDINGS)
    assert document["recording"]["frames"] == 100
    assert str(recording.parts[0].path.parent) not in text


def test_text_says_span_evidence_and_effect() -> None:
    lines = audit_lines([FROZEN, CUT])
    assert lines[0].startswith("0:00:01.000 to 0:00:01.400  frozen-span (0.90)")
    assert lines[1].startswith("0:00:02.000  hard-cut")
    assert FROZEN.evidence in lines[0]
    assert FROZEN.effect in lines[0]
    assert "Nothing was found" in audit_text([])


def test_thumbnails_show_the_frames_before_and_after(recording: Recording, tmp_path: Path) -> None:
    written = write_thumbnails(recording, [FROZEN, CUT, SHORT], tmp_path)
    assert [path.name for path in written] == [
        "01-frozen-span-after.jpg",
        "01-frozen-span-before.jpg",
        "02-hard-cut-after.jpg",
        "02-hard-cut-before.jpg",
    ]
    assert sorted(path.name for path in tmp_path.iterdir()) == [path.name for path in written]

    def number(name: str) -> int | None:
        with Image.open(tmp_path / name) as picture:
            assert picture.size == (320, 180)
            return read_number(np.asarray(picture.convert("L")))

    # by hand: 1.0 s is frame 25, 1.4 s frame 35, 2.0 s frame 50
    assert [number(path.name) for path in written] == [35, 24, 50, 49]


def test_findings_guard_their_values() -> None:
    with pytest.raises(ValueError, match="no finding"):
        Finding("hard_cut", 0, 0, 1.0, "")
    with pytest.raises(ValueError, match="0 to 1"):
        Finding("hard-cut", 0, 0, 1.5, "")
    with pytest.raises(ValueError, match="ends before"):
        Finding("fade", 5, 4, 1.0, "")
    assert (FROZEN.length, CUT.length) == (400_000_000, 0)
