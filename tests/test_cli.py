"""The door: what a user types, what is printed, and the exit code."""

import csv
import json
import os
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import pytest

from synthetic_clips import make_clip
from vidseg.cli import COMMANDS, main

ROOT = Path(__file__).resolve().parents[1]
EXAMPLE = ROOT / "annotations" / "example"
STEPS = """start,end,step,note
0:00.400,0:01.200,main incision,
0:01.200,0:02.400,rhexis,flap
0:02.600,0:03.000,viscoelastic,
0:03.000,0:03.800,rhexis,
0:02.000,,small pupil,seen
"""


@pytest.fixture(scope="module")
def footage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("footage") / "case.mp4"
    make_clip(path, frames=100, size=(320, 180), rate=Fraction(25), gop=25)
    return path


@pytest.fixture
def case(footage: Path, tmp_path: Path) -> tuple[str, str]:
    recording, steps = tmp_path / "case.mp4", tmp_path / "steps.csv"
    recording.write_bytes(footage.read_bytes())
    steps.write_text(STEPS, encoding="utf-8")
    return str(recording), str(steps)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([name, "--help"]) == 0
    text = capsys.readouterr().out
    assert "Example" in text
    assert f"vidseg {name}" in text


def test_version_and_module(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    version = capsys.readouterr().out
    done = subprocess.run(
        [sys.executable, "-m", "vidseg", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == version.split() == ["vidseg", version.split()[1]]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["durtaions", "x.csv"], "did you mean 'durations'"),
        (["check", "nowhere.csv"], "nowhere.csv"),
        (["run", "nowhere.mp4", "nowhere.csv"], "no such file: nowhere.mp4, nowhere.csv"),
        (["run", str(EXAMPLE / "steps.csv")], "a recording is expected"),
        (["inspect", str(EXAMPLE / "steps.csv")], "steps.csv"),
        (["procedures", "phacoo"], "phaco"),
        (["durations", str(EXAMPLE / "steps.csv"), "--rate", "fast"], "not a frame rate"),
        (["durations", str(EXAMPLE / "steps.csv"), "--length", "1:99"], "not a time"),
        (["check", str(ROOT / "README.md")], "names no annotation format"),
    ],
)
def test_what_cannot_be_used_gets_one_message_and_exit_code_2(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    captured = capsys.readouterr()
    assert words in captured.err
    assert "Traceback" not in captured.err
    assert captured.out == ""


def test_check_tells_line_and_exits_with_1(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(ROOT / "annotations" / "broken" / "near-miss-step.csv")]) == 1
    text = capsys.readouterr().err
    assert "near-miss-step.csv:5: error [near-miss-step]" in text


def test_check_of_a_sound_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(EXAMPLE / "steps.csv"), "--length", "11:20", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == []


def test_durations_table_json_and_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    steps = str(EXAMPLE / "steps.csv")
    assert main(["durations", steps, "--length", "11:20", "--out", str(tmp_path / "t")]) == 0
    text = capsys.readouterr().out
    assert "Capsulorhexis" in text
    assert "0:01:12.200" in text
    assert "≥ 0:01:00.000" in text
    assert "observed 0:10:35.000" in text
    with (tmp_path / "t" / "durations.csv").open(encoding="utf-8") as stream:
        rows = {row["step"]: row for row in csv.DictReader(stream)}
    assert rows["capsulorhexis"]["active_s"] == "72.200"
    assert rows["wound_closure"]["open_end"] == "1"
    assert main(["durations", steps, "--length", "11:20", "--json"]) == 0
    as_json = json.loads(capsys.readouterr().out)
    assert [row["active_s"] for row in as_json] == [row["active_s"] for row in rows.values()]


def test_a_console_that_cannot_hold_a_sign_is_no_fault() -> None:
    """As on Windows, where the code page lacks ≥: it is replaced, nothing stops."""
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "vidseg",
            "durations",
            str(EXAMPLE / "steps.csv"),
            "--length",
            "11:20",
        ],
        capture_output=True,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"},
    )
    assert done.returncode == 0, done.stderr
    assert b"? 0:01:00.000" in done.stdout


def test_durations_of_several_go_into_one_table(tmp_path: Path) -> None:
    closed = tmp_path / "a.csv"
    closed.write_text("start,end,step\n0:01,0:09,rhexis\n", encoding="utf-8")
    other = tmp_path / "b.csv"
    other.write_text("start,end,step\n0:01,0:12,rhexis\n", encoding="utf-8")
    out = tmp_path / "all.csv"
    assert main(["durations", str(closed), str(other), "--out", str(out), "--quiet"]) == 0
    with out.open(encoding="utf-8") as stream:
        rows = [(row["case"], row["active_s"]) for row in csv.DictReader(stream)]
    assert rows == [("a", "8.000"), ("b", "11.000")]


def test_a_vocabulary_of_the_users_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = tmp_path / "own.toml"
    assert main(["procedures", "--start", str(own)]) == 0
    assert main(["procedures", str(own)]) == 0
    own.write_text(
        own.read_text(encoding="utf-8").replace("\nrequired", "\nrequird", 1), encoding="utf-8"
    )
    capsys.readouterr()
    assert main(["procedures", str(own)]) == 2
    text = capsys.readouterr().err
    assert "requird" in text
    assert "required" in text
    assert main(["procedures", "--start", str(own)]) == 2


def test_convert_says_what_is_lost_and_never_overwrites(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "steps.json"
    source = str(EXAMPLE / "steps.csv")
    assert main(["convert", source, str(target)]) == 0
    before = target.read_bytes()
    assert main(["convert", source, str(target)]) == 2
    assert "--force" in capsys.readouterr().err
    assert target.read_bytes() == before
    assert main(["convert", str(target), str(tmp_path / "again.csv")]) == 0
    assert main(["durations", str(tmp_path / "again.csv"), "--length", "11:20"]) == 0
    assert main(["convert", source, str(tmp_path / "steps.xml")]) == 0
    assert "Not held" in capsys.readouterr().err


def test_inspect_in_words_and_json(
    case: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["inspect", case[0]]) == 0
    text = capsys.readouterr().out
    assert "100 frames, 25.000 frames/s (25) constant" in text
    assert "320x180" in text
    assert main(["inspect", case[0], "--json"]) == 0
    (facts,) = json.loads(capsys.readouterr().out)
    assert facts["frames"] == 100
    assert facts["parts"][0]["rate"] == "25"


def test_run_writes_everything_and_again_nothing(
    case: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", *case]) == 0
    out = Path(case[0]).with_name("case.vidseg")
    names = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    assert names == {
        "index.html", "case.chaptered.mp4", "durations.csv", "segments.csv", "events.csv",
        "data-dictionary.csv", "case.json", "chapters.vtt", "chapters.xml", "chapters.txt",
        "contact-sheet.jpg", "manifest.json", ".stamps.json", "stills/stills.csv",
        "stills/01-main_incision.jpg",
        "stills/02-capsulorhexis.jpg", "stills/03-viscoelastic_injection.jpg",
        "clips/01-main_incision.mp4", "clips/02-capsulorhexis.mp4",
        "clips/03-viscoelastic_injection.mp4", "clips/04-capsulorhexis-2.mp4", "clips/clips.csv",
    }  # fmt: skip
    record = json.loads((out / "case.json").read_text(encoding="utf-8"))
    assert [row["start_frame"] for row in record["segments"]] == [10, 30, 65, 75]
    assert [row["end_frame"] for row in record["segments"]] == [30, 60, 75, 95]
    assert record["events"][0]["at_s"] == "2.000"
    manifest = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
    assert {row["path"] for row in manifest["files"]} == names - {"manifest.json", ".stamps.json"}
    capsys.readouterr()
    assert main(["run", *case]) == 0
    assert "(0 file(s) made, 20 file(s) kept from before)" in capsys.readouterr().err
    assert not list(out.parent.glob(".case*"))


def test_run_redoes_only_what_changed(
    case: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", *case, "--quiet"]) == 0
    out = Path(case[0]).with_name("case.vidseg")
    before = {p.name: p.stat().st_mtime_ns for p in (out / "clips").iterdir()}
    steps = Path(case[1])
    steps.write_text(STEPS.replace("0:02.400,rhexis", "0:02.200,rhexis"), encoding="utf-8")
    assert main(["run", *case]) == 0
    after = {p.name: p.stat().st_mtime_ns for p in (out / "clips").iterdir()}
    changed = {name for name in before if before[name] != after[name]}
    assert changed == {"02-capsulorhexis.mp4", "clips.csv"}


def test_rows_in_error_stop_run_before_it_writes(
    case: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    Path(case[1]).write_text(STEPS + "0:03.9,0:20,wound closure,\n", encoding="utf-8")
    assert main(["run", *case]) == 1
    assert "outside-recording" in capsys.readouterr().err
    out = Path(case[0]).with_name("case.vidseg")
    assert not out.exists()
    assert main(["run", *case, "--despite-errors", "--quiet"]) == 1
    assert (out / "index.html").exists()


def test_ctrl_c_leaves_nothing_half_written_and_goes_on(
    case: tuple[str, str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from vidseg.export.folder import OutputFolder

    real, recorded = OutputFolder.record, []  # type: ignore[var-annotated]

    def stopping(folder, key, names, note=""):  # type: ignore[no-untyped-def]
        if len(recorded) == 2:
            recorded.append("stopped")
            raise KeyboardInterrupt
        recorded.extend(name for name in names if name.endswith(".mp4"))
        real(folder, key, names, note)

    monkeypatch.setattr(OutputFolder, "record", stopping)
    assert main(["clips", *case, "--cores", "1"]) == 130
    assert "stopped" in capsys.readouterr().err
    folder = Path(case[0]).parent
    assert not (folder / "case.clips").exists()
    assert not list((folder / ".case.clips.part" / "clips").glob(".*"))
    assert main(["clips", *case, "--cores", "1"]) == 0
    assert len({*recorded[:2], *recorded[3:]}) == len(recorded) - 1 == 4  # none is made twice
    assert len(list((folder / "case.clips" / "clips").iterdir())) == 5
    assert not (folder / ".case.clips.part").exists()


def test_steps_and_joined_visits(case: tuple[str, str], tmp_path: Path) -> None:
    out = tmp_path / "some"
    asked = ["--step", "Rhexis", "--join-visits", "--out", str(out)]
    assert main(["clips", *case, *asked]) == 0
    assert {path.name for path in (out / "clips").iterdir()} == {
        "02-capsulorhexis.mp4",
        "clips.csv",
    }
    import av

    with av.open(str(out / "clips" / "02-capsulorhexis.mp4")) as container:
        assert sum(1 for _ in container.decode(video=0)) == 50
    assert main(["clips", *case, "--step", "wound closure", "--out", str(out)]) == 2


def test_the_chaptered_recording_gives_the_annotation_back(
    case: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["chapters", *case, "--out", str(tmp_path / "c")]) == 0
    chaptered = tmp_path / "c" / "case.chaptered.mp4"
    capsys.readouterr()
    assert main(["run", str(chaptered), "--out", str(tmp_path / "again")]) == 0
    record = json.loads((tmp_path / "again" / "case.json").read_text(encoding="utf-8"))
    assert [(row["step"], row["start_frame"]) for row in record["segments"]] == [
        ("main_incision", 10),
        ("capsulorhexis", 30),
        ("viscoelastic_injection", 65),
        ("capsulorhexis", 75),
    ]


def test_recording_without_chapters_and_without_annotation(
    case: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", case[0]]) == 2
    assert "holds no chapters" in capsys.readouterr().err


def test_the_list_of_clips_says_how_each_was_made(case: tuple[str, str], tmp_path: Path) -> None:
    def ways(*more: str) -> dict[str, tuple[str, str, int, str]]:
        assert main(["clips", *case, "--out", str(tmp_path / "c"), *more]) == 0
        with (tmp_path / "c" / "clips" / "clips.csv").open(encoding="utf-8") as stream:
            return {
                row["file"]: (row["way"], row["reason"], int(row["copied_frames"]), row["verified"])
                for row in csv.DictReader(stream)
            }

    # groups of 25 frames: none begins in 65 to 74; 30 to 59 hold the start of the one at 50
    plain = ways()
    assert plain["03-viscoelastic_injection.mp4"][0] == "re-encoded"
    assert "start" in plain["03-viscoelastic_injection.mp4"][1]
    assert plain["02-capsulorhexis.mp4"][0] == "copied"
    padded = ways("--pad", "1", "--step", "rhexis")
    way, reason, copied, verified = padded["02-capsulorhexis.mp4"]
    assert (way, reason, verified) == ("copied", "", "edges")
    assert 25 <= copied < 80
    forced = ways("--pad", "1", "--step", "rhexis", "--reencode", "--quality", "23")
    assert forced["02-capsulorhexis.mp4"][:3] == ("re-encoded", "asked for", 0)


def test_case_toml(case: tuple[str, str]) -> None:
    folder = Path(case[0]).parent
    (folder / "case.toml").write_text(
        'id = "K-7"\nrecording = "case.mp4"\nannotation = "steps.csv"\nprocedure = "phaco"\n',
        encoding="utf-8",
    )
    assert main(["run", str(folder / "case.toml"), "--quiet"]) == 0
    record = json.loads((folder / "case.vidseg" / "case.json").read_text(encoding="utf-8"))
    assert record["case"] == "K-7"
    assert len(record["inputs"]) == 2


def test_no_output_names_a_folder_of_this_machine(case: tuple[str, str]) -> None:
    assert main(["run", *case, "--quiet"]) == 0
    out = Path(case[0]).with_name("case.vidseg")
    secret = str(Path(case[0]).parent).encode()
    for path in out.rglob("*"):
        if path.is_file():
            assert secret not in path.read_bytes(), path
