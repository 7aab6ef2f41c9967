"""Several files, edits and the timecode clock, from the command line."""

import csv
import json
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import av
import pytest

from synthetic_clips import make_clip, read_number
from vidseg.cli import main


@pytest.fixture(scope="module")
def footage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four seconds of frames 0 to 99, then four of frames 100 to 199."""
    folder = tmp_path_factory.mktemp("parts")
    for name, first in (("one.mp4", 0), ("two.mp4", 100)):
        make_clip(
            folder / name, frames=100, size=(320, 180), rate=Fraction(25), gop=25,
            first_number=first,
        )  # fmt: skip
    return folder


@pytest.fixture
def parts(footage: Path, tmp_path: Path) -> Path:
    for name in ("one.mp4", "two.mp4"):
        (tmp_path / name).write_bytes((footage / name).read_bytes())
    return tmp_path


def written(folder: Path, steps: str, more: str = "") -> str:
    (folder / "steps.csv").write_text(steps, encoding="utf-8")
    (folder / "case.toml").write_text(
        'id = "P-1"\nrecordings = ["one.mp4", "two.mp4"]\nannotation = "steps.csv"\n' + more,
        encoding="utf-8",
    )
    return str(folder / "case.toml")


def durations(folder: Path) -> dict[str, dict[str, str]]:
    with (folder / "durations.csv").open(encoding="utf-8") as stream:
        return {row["step"]: row for row in csv.DictReader(stream)}


def numbers(path: Path) -> list[int | None]:
    with av.open(str(path)) as container:
        return [read_number(f.to_ndarray(format="gray")) for f in container.decode(video=0)]


ACROSS = "start,end,step\n0:01,0:02,main incision\n0:03,part2 0:01,rhexis\n"


def test_parts_that_touch_and_a_clip_across_the_join(
    parts: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (parts / "steps.csv").write_text(ACROSS, encoding="utf-8")
    given = [str(parts / name) for name in ("one.mp4", "two.mp4", "steps.csv")]
    assert main(["run", *given]) == 0
    assert "joined-without-clock" in capsys.readouterr().err
    out = parts / "one.vidseg"
    assert durations(out)["capsulorhexis"]["active_s"] == "2.000"
    assert numbers(out / "clips" / "02-capsulorhexis.mp4") == list(range(75, 125))
    assert numbers(out / "one.chaptered.mp4") == list(range(200))
    with av.open(str(out / "one.chaptered.mp4")) as container:
        starts = [
            chapter["start"] * Fraction(chapter["time_base"] or 0)
            for chapter in container.chapters()
        ]
    assert starts == [0, 1, 3, 5]  # the gap of a second after the incision goes to it


def test_declared_starts_leave_a_hole_that_is_not_recorded(parts: Path) -> None:
    case = written(
        parts,
        "start,end,step\n0:03,part2 0:01,rhexis\npart2 0:01,0:12,fragment removal\n",
        'starts = ["9:00:00", "9:00:10"]\n',
    )
    assert main(["run", case, "--quiet"]) == 0
    rows = durations(parts / "one.vidseg")
    # rhexis: 3 s to 11 s on the case clock, of which 4 s to 10 s were not recorded
    assert rows["capsulorhexis"]["active_s"] == "2.000"
    assert rows["capsulorhexis"]["last_end_s"] == "11.000"
    assert rows["fragment_removal"]["active_s"] == "1.000"
    record = json.loads((parts / "one.vidseg" / "case.json").read_text(encoding="utf-8"))
    assert record["clock"] == "declared"
    assert record["recording"]["recorded_s"] == [["0.000", "4.000"], ["10.000", "14.000"]]


def test_edits_give_operative_time_with_the_recording_time_beside(parts: Path) -> None:
    case = written(
        parts,
        "start,end,step\n0:01,0:03,rhexis\n0:04,0:06,fragment removal\n0:06,0:08,cortex removal\n",
        'starts = ["0:00", "0:04"]\n'
        '[[edits]]\nkind = "removed"\nat = "0:02"\nlength = "0:30"\n'
        '[[edits]]\nkind = "speed"\nstart = "0:04"\nend = "0:06"\nfactor = 4\n'
        '[[edits]]\nkind = "removed"\nat = "0:07"\nlength = "unknown"\n',
    )
    assert main(["run", case, "--quiet"]) == 0
    rows = durations(parts / "one.vidseg")
    assert (rows["capsulorhexis"]["active_s"], rows["capsulorhexis"]["recording_active_s"]) == (
        "32.000",
        "2.000",
    )
    assert rows["fragment_removal"]["active_s"] == "8.000"
    assert rows["cortex_removal"]["open_end"] == "1"
    page = (parts / "one.vidseg" / "index.html").read_text(encoding="utf-8")
    assert "speed x4 0:00:04.000 to 0:00:06.000" in page
    assert "In the recording" in page
    assert rows["capsulorhexis"]["open_end"] == "0"


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ('starts = ["0:10", "0:05"]\n', "does not come after"),
        ('starts = ["0:10"]\n', "1 start(s) for 2 recording(s)"),
        ('[[edits]]\nkind = "removed"\nat = "1:00"\nlength = "0:30"\n', "outside the recording"),
        (
            '[[edits]]\nkind = "inserted"\nstart = "0:01"\nend = "0:03"\n'
            '[[edits]]\nkind = "speed"\nstart = "0:02"\nend = "0:04"\nfactor = 2\n',
            "overlaps",
        ),
        ('[[edits]]\nkind = "speed"\nstart = "0:02"\nend = "0:04"\n', "speed takes"),
        ('[[edits]]\nkind = "speed"\nstart = "0:02"\nend = "0:04"\nfactor = 0\n', "above 0"),
        ('[[edits]]\nkind = "faster"\nat = "0:02"\n', "edits"),
    ],
)
def test_bad_declarations_get_one_message_and_write_nothing(
    parts: Path, more: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    case = written(parts, ACROSS, more)
    before = sorted(path.name for path in parts.iterdir())
    assert main(["run", case]) == 2
    captured = capsys.readouterr()
    assert words in captured.err
    assert "Traceback" not in captured.err
    assert sorted(path.name for path in parts.iterdir()) == before


def test_a_part_given_twice_or_of_another_size(
    parts: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (parts / "steps.csv").write_text(ACROSS, encoding="utf-8")
    one, steps = str(parts / "one.mp4"), str(parts / "steps.csv")
    assert main(["run", one, one, steps]) == 2
    assert "given twice" in capsys.readouterr().err
    make_clip(parts / "small.mp4", frames=10, size=(160, 90))
    assert main(["run", one, str(parts / "small.mp4"), steps]) == 2
    assert "160x90" in capsys.readouterr().err


def test_a_time_in_a_part_that_is_not_there(
    parts: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = written(parts, "start,end,step\n0:01,part3 0:01,rhexis\n")
    assert main(["run", case]) == 1
    assert "there is no part 3" in capsys.readouterr().err


def test_parts_that_overlap_are_said_and_counted_once(
    parts: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    make_clip(parts / "two.mp4", frames=100, size=(320, 180), gop=25, first_number=75)
    case = written(parts, "start,end,step\n0:03,0:06,rhexis\n", 'starts = ["0:00", "0:03"]\n')
    assert main(["run", case]) == 0
    text = capsys.readouterr().err
    assert "parts-overlap" in text
    assert "cannot be joined by copying" in text
    out = parts / "one.vidseg"
    assert durations(out)["capsulorhexis"]["active_s"] == "3.000"
    assert numbers(out / "clips" / "01-capsulorhexis.mp4") == list(range(75, 150))
    assert "chapters-not-joined" in (out / "index.html").read_text(encoding="utf-8")


def test_times_on_the_recorders_timecode(parts: Path, capsys: pytest.CaptureFixture[str]) -> None:
    if shutil.which("ffmpeg") is None:
        pytest.skip("ffmpeg, which writes the timecode track, is not installed")
    stamped = parts / "stamped.mov"
    subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(parts / "one.mp4"), "-c", "copy", "-timecode",
         "09:14:03:10", str(stamped)],
        check=True,
    )  # fmt: skip
    steps = parts / "steps.csv"
    # the first frame bears 09:14:03:10, so 09:14:04:00 is frame 15
    steps.write_text(
        "start,end,step\n09:14:04:00,09:14:05:00,rhexis\n9:14:05.4,9:14:06,fragment removal\n",
        encoding="utf-8",
    )
    command = ["durations", str(steps), "--recording", str(stamped), "--json"]
    assert main([*command, "--clock", "timecode"]) == 0
    rows = {row["step"]: row for row in json.loads(capsys.readouterr().out)}
    assert rows["capsulorhexis"]["first_start_s"] == "0.600"
    assert rows["capsulorhexis"]["last_end_s"] == "1.600"
    assert rows["fragment_removal"]["first_start_s"] == "2.000"
    assert main(command) == 1
    assert (
        main(
            ["durations", str(steps), "--recording", str(parts / "one.mp4"), "--clock", "timecode"]
        )
        == 1
    )
    assert "no timecode track" in capsys.readouterr().err
