"""Every command that writes, where the disk will not have it: one message, exit 2, nothing left.

Three troubles: a place below what is a file, a place whose name is too long, and a disk that takes
no more than a few kilobytes in a file (the system's own limit, RLIMIT_FSIZE, in a process of its
own; it says so by EFBIG where a full disk says ENOSPC). Given again with room, the same command
does its work.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from synthetic_clips import make_clip
from vidseg.cli import main

STEPS = "start,end,step\n0,0.9,main incision\n1,1.8,capsulorhexis\n"
CASE = """id = "one"
recordings = ["case.mp4"]
annotation = "steps.csv"
[consent]
teaching = "yes"
date = "2031-05-01"
document = "form 3"
"""
PLACES = ("steps.csv/out", "n" * 300)
LIMIT = 6_000
"""Bytes a file may have. Larger than any file of which a command writes the whole or nothing."""

COMMANDS: dict[str, tuple[str, ...]] = {
    "demo": ("demo", "{out}"),
    "run": ("run", "case.mp4", "steps.csv", "--out", "{out}"),
    "durations": ("durations", "steps.csv", "--recording", "case.mp4", "--out", "{out}"),
    "durations, one table": ("durations", "steps.csv", "--length", "9", "--out", "{out}.csv"),
    "durations, a workbook": ("durations", "steps.csv", "--length", "9", "--out", "{out}.xlsx"),
    "chapters": ("chapters", "case.mp4", "steps.csv", "--out", "{out}"),
    "clips": ("clips", "case.mp4", "steps.csv", "--out", "{out}"),
    "stills": ("stills", "case.mp4", "steps.csv", "--out", "{out}"),
    "page": ("page", "case.mp4", "steps.csv", "--out", "{out}"),
    "audit": ("audit", "case.mp4", "--out", "{out}"),
    "convert": ("convert", "steps.csv", "{out}.json"),
    "convert, a workbook": ("convert", "steps.csv", "{out}.xlsx"),
    "draft": ("draft", "talk.vtt", "-o", "{out}.json"),
    "draft, values": ("draft", "talk.vtt", "--measures", "{out}.csv"),
    "procedures": ("procedures", "--start", "{out}.toml"),
    "deidentify": (
        "deidentify", "case.toml", "--for", "teaching", "--out", "{out}", "--looked",
    ),
    "batch": ("batch", "list.csv", "--out", "{out}", "--only", "durations", "--jobs", "1"),
    "library add": ("library", "add", "case.toml", "--library", "{out}.sqlite"),
    "library durations": (
        "library", "durations", "--library", "cases.sqlite", "--out", "{out}.csv",
    ),
    "library page": ("library", "page", "--library", "cases.sqlite", "--out", "{out}.html"),
    "library export": ("library", "export", "--library", "cases.sqlite", "--out", "{out}"),
    "library export, parts": (
        "library", "export", "--library", "cases.sqlite", "--partition", "--out", "{out}",
    ),
    "mark": ("mark", "case.mp4", "{out}.json", "--no-browser", "--quiet"),
}  # fmt: skip
SMALL = {"convert", "draft", "draft, values", "procedures", "durations, one table", "durations",
         "durations, a workbook", "convert, a workbook", "batch", "mark", "audit",
         "library durations", "library export"}  # fmt: skip
"""What these write is below the limit, as are the tables and the audit of so short a case."""


@pytest.fixture(scope="session")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("troubles")
    make_clip(folder / "case.mp4")
    (folder / "steps.csv").write_text(STEPS, encoding="utf-8")
    (folder / "case.toml").write_text(CASE, encoding="utf-8")
    (folder / "list.csv").write_text("id,recording,annotation\none,case.mp4,steps.csv\n")
    (folder / "talk.vtt").write_text(
        "WEBVTT\n\n00:01.000 --> 00:04.000\nnow the main incision, the vacuum is 300\n\n"
        "00:30.000 --> 00:34.000\nand the capsulorhexis is round\n",
        encoding="utf-8",
    )
    library = folder / "cases.sqlite"
    assert main(["library", "add", str(folder / "case.toml"), "--library", str(library)]) == 0
    return folder


@pytest.fixture
def place(kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(kept, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def names(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*")}


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize("out", PLACES, ids=("below a file", "name too long"))
def test_a_place_that_cannot_be_written_to(
    name: str, out: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = names(place)
    assert main([part.format(out=out) for part in COMMANDS[name]]) == 2
    told = capsys.readouterr().err
    assert "Traceback" not in told
    assert "vidseg: " in told or "Error: " in told
    assert out[:9] in told
    assert names(place) == before


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="the limit is POSIX's")
@pytest.mark.parametrize("name", [name for name in COMMANDS if name not in SMALL])
def test_a_disk_that_takes_no_more(name: str, place: Path) -> None:
    before = names(place)
    given = [part.format(out="out") for part in COMMANDS[name]]
    code = (
        "import resource, sys; from vidseg.cli import main; "
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({LIMIT}, {LIMIT})); "
        "sys.exit(main(sys.argv[1:]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *given],
        capture_output=True, text=True, encoding="utf-8", check=False,
    )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert "vidseg: " in done.stderr
    files = {name for name in names(place) - before if (place / name).is_file()}
    final = {name for name in files if not name.startswith(".out")}
    assert final <= {"out.sqlite"}, "half-made; a library keeps itself whole"
    assert main(given) == 0
