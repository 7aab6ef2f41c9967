from pathlib import Path

import pytest

from vidseg.formats.case_file import read_case
from vidseg.formats.vocabulary import load_procedure, procedure_text
from vidseg.model.problem import FormatError

FULL = """\
id = "case-017"
recordings = ["part1.mp4", "more/part2.mp4"]
annotation = "steps.csv"
procedure = "own.toml"
captions = "talk.vtt"
surgeon = "S3"
role = "trainee"
case_number = 17

[covariates]
eye = "left"
pupil_mm = 6.5
grade = 3
toric = true
patient_age = 71
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "more").mkdir()
    for name in ("part1.mp4", "more/part2.mp4", "steps.csv", "talk.vtt"):
        (tmp_path / name).touch()
    (tmp_path / "own.toml").write_text(procedure_text("blank"), encoding="utf-8")
    return tmp_path


def written(folder: Path, text: str) -> Path:
    path = folder / "case.toml"
    path.write_text(text, encoding="utf-8")
    return path


def refused(folder: Path, text: str) -> FormatError:
    with pytest.raises(FormatError) as caught:
        read_case(written(folder, text))
    assert caught.value.source == str(folder / "case.toml")
    return caught.value


def test_everything_arrives_with_paths_relative_to_the_file(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder.parent)
    case = read_case(written(folder, FULL))
    assert case.id == "case-017"
    assert case.recordings == (folder / "part1.mp4", folder / "more" / "part2.mp4")
    assert (case.annotation, case.captions) == (folder / "steps.csv", folder / "talk.vtt")
    assert (case.surgeon, case.role, case.case_number) == ("S3", "trainee", 17)
    assert case.covariates == (
        ("eye", "left"),
        ("pupil_mm", "6.5"),
        ("grade", "3"),
        ("toric", "true"),
        ("patient_age", "71"),
    )
    assert case.procedure is not None
    assert load_procedure(case.procedure).code == "blank"


def test_little_is_needed(folder: Path) -> None:
    case = read_case(written(folder, 'id = "7"\nrecording = "part1.mp4"\nprocedure = "Phaco"\n'))
    assert case.recordings == (folder / "part1.mp4",)
    assert (case.annotation, case.captions, case.case_number) == (None, None, None)
    assert case.procedure == "Phaco"
    assert case.covariates == ()


def test_an_absolute_path_stays(folder: Path) -> None:
    video = (folder / "part1.mp4").as_posix()
    assert read_case(written(folder, f'id = "7"\nrecording = "{video}"\n')).recordings == (
        folder / "part1.mp4",
    )


def test_missing_files_are_all_named_with_the_nearest_name(folder: Path) -> None:
    text = FULL.replace("part1.mp4", "part_1.mp4").replace("steps.csv", "stesp.csv")
    error = refused(folder, text.replace("talk.vtt", "none.vtt").replace("own.toml", "gone.toml"))
    _, *rows = error.reason.splitlines()
    assert [row.split(":")[0].strip() for row in rows] == ["line 2", "line 3", "line 4", "line 5"]
    assert "'part_1.mp4'" in rows[0]
    assert "did you mean 'part1.mp4'" in rows[0]
    assert "did you mean 'steps.csv'" in rows[1]
    assert "'gone.toml'" in rows[2]
    assert "'none.vtt'" in rows[3]


@pytest.mark.parametrize(
    "key",
    [
        "patient_name", "Patient-ID", "MRN", "date_of_birth", "DOB", "nhs_number", "hospital_no",
        "name", "email", "home_address", "ssn", "postcode", "Geburtsdatum", "patientenname",
    ],
)  # fmt: skip
@pytest.mark.parametrize("top", [True, False])
def test_no_patient_identifier_is_taken_nor_repeated(folder: Path, key: str, top: bool) -> None:
    row = f'{key} = "Zebedee 4711"\n'
    error = refused(folder, row + FULL if top else FULL + row)
    assert error.line == (1 if top else 16)
    assert "no patient identifier belongs in this file" in error.reason
    assert key in error.reason
    assert "Zebedee" not in str(error)


def test_identifiers_and_other_faults_are_told_together(folder: Path) -> None:
    text = FULL.replace("surgeon", "surgon").replace("= 17", "= 0") + "mrn = 4711\n"
    rows = refused(folder, text).reason.splitlines()[1:]
    assert [row.split(":")[0].strip() for row in rows] == ["line 6", "line 8", "line 16"]
    assert "did you mean 'surgeon'" in rows[0]
    assert "at least 1" in rows[1]


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('id = "case-017"', "id = 17", 1, ["id", "text in quotes"]),
        ('id = "case-017"', 'id = "a/b"', 1, ["pseudonym"]),
        ('id = "case-017"', 'id = " "', 1, ["pseudonym"]),
        ("case_number = 17", 'case_number = "17"', 8, ["whole number"]),
        ("case_number = 17", "case_number = true", 8, ["whole number"]),
        ("pupil_mm = 6.5", "pupil_mm = nan", 12, ["covariates.pupil_mm", "finite"]),
        ("pupil_mm = 6.5", "pupil_mm = [6.5]", 12, ["covariates.pupil_mm", "a number"]),
        ("pupil_mm = 6.5", "day = 2024-05-01", 12, ["covariates.day", "dates"]),
        ('procedure = "own.toml"', 'procedure = "phacco"', 4, ["did you mean 'phaco'"]),
        ('"more/part2.mp4"', '"part1.mp4"', 2, ["named twice"]),
        ('"more/part2.mp4"', "2", 2, ["recordings[2]", "text in quotes"]),
        ('["part1.mp4", "more/part2.mp4"]', "[]", 2, ["empty"]),
        ('["part1.mp4", "more/part2.mp4"]', '"part1.mp4"', 2, ["must be a list"]),
        ('role = "trainee"', 'recording = "part1.mp4"', 2, ["one of the two"]),
        ('"part1.mp4"', r'"C:\Users\me\a.mp4"', 2, ["not valid TOML", "write a Windows path"]),
        ('"part1.mp4"', r'"C:\temp\new.mp4"', 2, ["write a Windows path"]),
    ],
)  # fmt: skip
def test_a_fault_is_named_with_line_key_and_remedy(
    folder: Path, old: str, new: str, line: int, words: list[str]
) -> None:
    assert FULL.count(old) == 1
    error = refused(folder, FULL.replace(old, new))
    assert error.line == line
    assert [word for word in words if word not in error.reason] == []


def test_a_case_without_a_recording_is_refused(folder: Path) -> None:
    assert "recording" in refused(folder, 'id = "7"\n').reason


def test_a_missing_case_file_is_an_error_and_not_a_crash(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="cannot be read"):
        read_case(tmp_path / "case.toml")


def test_consent_by_purpose(folder: Path) -> None:
    from vidseg.model.consent import Answer, Consent, Purpose

    head = 'id = "a"\nrecording = "part1.mp4"\n'
    case = read_case(
        written(
            folder,
            head + '[consent]\nteaching = "yes"\nresearch = "no"\ndate = 2031-05-13\n'
            'document = "form 7"\n',
        )
    )
    assert case.consent == Consent(Answer.YES, Answer.NO, Answer.UNKNOWN, "2031-05-13", "form 7")
    assert [case.consent.to(purpose) for purpose in Purpose] == ["yes", "no", "unknown"]
    assert read_case(written(folder, head)).consent is None
    assert read_case(written(folder, head + '[consent]\ndate = "May 2031"\n')).consent == Consent(
        date="May 2031"
    )
    error = refused(folder, head + '[consent]\nteaching = "maybe"\nteachings = "yes"\n')
    assert "consent.teaching: must be one of yes, no, unknown, not 'maybe'" in error.reason
    assert "consent.teachings: no such key; did you mean 'teaching'?" in error.reason
    assert "must be a date" in refused(folder, head + "[consent]\ndate = 2031\n").reason
