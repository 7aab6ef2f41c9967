"""``vidseg draft`` from the command line."""

import csv
import json
from pathlib import Path

import pytest

from vidseg.cli import main
from vidseg.formats import read_sheet

ROOT = Path(__file__).resolve().parents[1]
NARRATION = ROOT / "tests" / "narration"


def test_a_draft_can_be_checked_and_timed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, values = tmp_path / "draft.json", tmp_path / "values.csv"
    captions = str(NARRATION / "leading.vtt")
    assert main(["draft", captions, "-o", str(out), "--measures", str(values)]) == 0
    printed = capsys.readouterr()
    assert "Capsulorhexis" in printed.out
    assert "look at every row" in printed.out
    sheet = read_sheet(out)
    assert not sheet.problems
    assert sheet.procedure == "phaco"
    for mark in sheet.marks:
        attributes = dict(mark.attributes)
        assert 0 < float(attributes["confidence"]) < 1
        assert attributes["evidence"]
        assert "draft" in mark.note
    assert main(["check", str(out)]) == 0
    assert main(["durations", str(out), "--length", "12:45"]) == 0
    with values.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert {"quantity": "iol_power", "value": "22", "unit": "D"}.items() <= next(
        row for row in rows if row["quantity"] == "iol_power"
    ).items()


def test_explain_gives_every_caption_its_reason(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["draft", str(NARRATION / "noisy.vtt"), "--explain"]) == 0
    out = capsys.readouterr().out
    assert "“parrot sentences” ≈" in out
    assert "→ row 1 (paracentesis)" in out


def test_json_lists_rows_and_what_is_missing(capsys: pytest.CaptureFixture[str]) -> None:
    talk = str(NARRATION / "questions.vtt")
    assert main(["draft", talk, "--json"]) == 0
    offered = json.loads(capsys.readouterr().out)
    assert offered["missing"] == []
    (row,) = [row for row in offered["rows"] if row["label"] == "capsule_polishing"]
    assert row["evidence"] == "not spoken of; usual here"
    assert main(["draft", talk, "--json", "--spoken-only"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["missing"] == ["capsule_polishing"]
    assert found["rows"][0]["label"] == "paracentesis"
    assert found["refusal"] == ""


def test_captions_of_something_else_write_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    captions, out = tmp_path / "talk.vtt", tmp_path / "draft.json"
    captions.write_text(
        "WEBVTT\n\n00:01.000 --> 00:04.000\nGood evening, here is the weather.\n", encoding="utf-8"
    )
    assert main(["draft", str(captions), "-o", str(out)]) == 1
    assert "nothing recognised" in capsys.readouterr().err
    assert not out.exists()


def test_an_existing_file_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "draft.json"
    out.write_text("mine", encoding="utf-8")
    assert main(["draft", str(NARRATION / "sparse.vtt"), "-o", str(out)]) == 2
    assert "--force" in capsys.readouterr().err
    assert out.read_text(encoding="utf-8") == "mine"


def test_lengths_are_learned_from_a_library(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    library = str(tmp_path / "own.sqlite")
    steps = ROOT / "annotations" / "example" / "steps.csv"
    table = tmp_path / "cases.csv"
    table.write_text("case,length\nsteps,11:20\n", encoding="utf-8")
    add = ["library", "add", str(steps), "--cases", str(table), "--library", library]
    assert main([*add, "--procedure", "phaco"]) == 0
    capsys.readouterr()
    talk = str(ROOT / "annotations" / "example" / "narration.vtt")
    assert main(["draft", talk, "--length", "11:20", "--library", library]) == 0
    captured = capsys.readouterr()
    # eleven steps and four phases are marked; wound closure and its phase are cut off
    assert "lengths of 13 steps learned" in captured.err
    assert "Capsulorhexis" in captured.out
    assert main(["draft", talk, "--library", str(tmp_path / "none.sqlite")]) == 2
