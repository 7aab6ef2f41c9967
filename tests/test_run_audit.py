"""``vidseg audit`` and ``run --audit`` on footage with a planted cut."""

import json
from pathlib import Path

import pytest

from synthetic_clips import draw_operation, load_scenario
from vidseg.cli import main

CUT_AT = 250


@pytest.fixture(scope="module")
def footage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nineteen seconds of the demo operation; 38 seconds are cut out after the tenth."""
    folder = tmp_path_factory.mktemp("cut")
    shown = [*range(300, 300 + CUT_AT), *range(1500, 1725)]
    draw_operation(
        load_scenario("demo"), folder / "case.mp4", source_frames=shown, beside=False, audio=False
    )
    return folder


@pytest.fixture
def case(footage: Path, tmp_path: Path) -> Path:
    (tmp_path / "case.mp4").write_bytes((footage / "case.mp4").read_bytes())
    (tmp_path / "steps.csv").write_text(
        "start,end,step\n0:02,0:08,hydrodissection\n0:08,0:18,nucleus division\n", encoding="utf-8"
    )
    return tmp_path


def test_the_cut_is_found_and_told_by_step(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["audit", str(case / "case.mp4"), "--annotation", str(case / "steps.csv")]
    assert main([*command, "--out", str(case / "audit")]) == 0
    captured = capsys.readouterr()
    assert "hard-cut" in captured.out
    assert "unexplained-finding" in captured.err
    assert "Nucleus division, by an unknown time" in captured.err
    rows = json.loads((case / "audit" / "audit.json").read_text(encoding="utf-8"))["findings"]
    cuts = [row for row in rows if row["code"] == "hard-cut"]
    assert [row["start_frame"] for row in cuts] == [CUT_AT]
    text = (case / "audit" / "audit.txt").read_text(encoding="utf-8")
    assert "0:00:10.000  hard-cut" in text
    pictures = sorted(path.name for path in (case / "audit" / "audit").iterdir())
    number = cuts[0]["number"]
    assert f"{number:02d}-hard-cut-before.jpg" in pictures
    assert f"{number:02d}-hard-cut-after.jpg" in pictures


def test_a_declared_edit_explains_it(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (case / "case.toml").write_text(
        'id = "A-1"\nrecording = "case.mp4"\nannotation = "steps.csv"\n'
        '[[edits]]\nkind = "removed"\nat = "0:10"\nlength = "0:38"\n',
        encoding="utf-8",
    )
    assert main(["audit", str(case / "case.toml")]) == 0
    assert "unexplained-finding" not in capsys.readouterr().err


def test_run_with_audit_shows_findings_on_the_page_and_keeps_them(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = ["run", str(case / "case.mp4"), str(case / "steps.csv"), "--audit"]
    assert main(command) == 0
    out = case / "case.vidseg"
    page = (out / "index.html").read_text(encoding="utf-8")
    assert 'aria-label="hard-cut at' in page
    assert "hard-cut-before.jpg" in page
    record = json.loads((out / "case.json").read_text(encoding="utf-8"))
    assert "unexplained-finding" in {problem["code"] for problem in record["problems"]}
    capsys.readouterr()
    assert main(command) == 0
    assert "(0 file(s) made" in capsys.readouterr().err
