"""A case written is the case read, but for its consent."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from vidseg.formats.case_file import read_case
from vidseg.formats.case_writing import case_text
from vidseg.model.case import Case
from vidseg.model.consent import Answer, Consent
from vidseg.model.edits import Inserted, Pause, Removed, Speed
from vidseg.model.span import Span

CASE = Case(
    id="case-7f3a",
    recordings=(Path("one.mp4"), Path("more/two.mp4")),
    annotation=Path("steps.csv"),
    procedure="phaco",
    captions=Path("talk.vtt"),
    starts=(0, 600_000_000_001),
    edits=(
        Removed(1, 2_000_000_003, 'a "note"'),
        Pause(1, None),
        Speed(Span(5, 9), Fraction(4, 3)),
        Inserted(Span(20, 30)),
    ),
    surgeon="S3",
    role="trainee",
    case_number=4,
    covariates=(("age", "60-69"), ("pupil mm", "4.5"), ("toric", "true"), ("n", "007")),
    consent=Consent(Answer.YES, date="2031-05-13", document="form 7"),
)


def test_written_and_read_back(tmp_path: Path) -> None:
    (tmp_path / "more").mkdir()
    for name in ("one.mp4", "more/two.mp4", "steps.csv", "talk.vtt"):
        (tmp_path / name).touch()
    path = tmp_path / "case.toml"
    path.write_text(case_text(CASE), encoding="utf-8")
    text = path.read_text(encoding="utf-8")
    assert "form 7" not in text
    assert "2031" not in text
    assert read_case(path) == replace(
        CASE,
        recordings=(tmp_path / "one.mp4", tmp_path / "more" / "two.mp4"),
        annotation=tmp_path / "steps.csv",
        captions=tmp_path / "talk.vtt",
        consent=None,
    )


def test_a_case_with_one_recording_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "recording.mp4").touch()
    text = case_text(Case("x", (Path("recording.mp4"),), None))
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    text = (tmp_path / "case.toml").read_text(encoding="utf-8")
    assert text == 'id = "x"\nrecording = "recording.mp4"\n'
