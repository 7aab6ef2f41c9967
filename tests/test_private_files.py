"""What is written is for its owner alone; what identifies is told on the screen, not in files."""

import os
import sys
from pathlib import Path

import pytest

from synthetic_clips import make_clip
from vidseg.cli import main

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="permissions of POSIX")
STEPS = "start,end,step,note\n0:00.2,0:01.5,hydrodissection,Mr Smith 12.03.1950\n"
PLACE = "+59.9139+010.7522/"


@pytest.fixture
def inputs(tmp_path: Path) -> list[str]:
    clip = tmp_path / "clip.mp4"
    make_clip(clip, frames=50, size=(160, 120), audio=False, metadata={"location": PLACE})
    (tmp_path / "steps.csv").write_text(STEPS, encoding="utf-8")
    return [str(clip), str(tmp_path / "steps.csv")]


@POSIX
@pytest.mark.parametrize(("extra", "others"), [((), False), (("--group-readable",), True)])
def test_others_read_what_is_written_only_if_asked(
    inputs: list[str], tmp_path: Path, extra: tuple[str, ...], others: bool
) -> None:
    before = os.umask(0o022)
    try:
        assert main([*extra, "run", *inputs, "--quiet"]) == 0
        library = tmp_path / "cases.sqlite"
        added = [str(tmp_path / "clip.vidseg"), "--library", str(library)]
        assert main([*extra, "library", "add", *added]) == 0
        assert os.umask(0o022) == 0o022
    finally:
        os.umask(before)
    made = [library, tmp_path / "clip.vidseg", *(tmp_path / "clip.vidseg").rglob("*")]
    assert len(made) > 8
    for path in made:
        assert bool(path.stat().st_mode & 0o077) is others, path


@POSIX
def test_the_environment_says_it_for_all_commands(
    inputs: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("VIDSEG_GROUP_READABLE", "1")
    before = os.umask(0o027)
    try:
        assert main(["run", *inputs, "--quiet"]) == 0
    finally:
        os.umask(before)
    assert (tmp_path / "clip.vidseg").stat().st_mode & 0o777 == 0o750


def test_a_place_is_told_on_the_screen_and_stands_in_no_file(
    inputs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", *inputs]) == 0
    assert capsys.readouterr().err.count(PLACE) == 1
    files = [path for path in (tmp_path / "clip.vidseg").rglob("*") if path.is_file()]
    assert len(files) > 8
    assert [path.name for path in files if PLACE.encode() in path.read_bytes()] == []
    page = (tmp_path / "clip.vidseg" / "index.html").read_text(encoding="utf-8")
    assert "told on the screen alone" in page


@pytest.mark.parametrize("command", ["check", "run"])
def test_a_note_that_names_someone_is_told_once(
    inputs: list[str], command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([command, *(inputs if command == "run" else inputs[1:])]) == 0
    said = capsys.readouterr().err
    assert said.count("identifying-text") == 1
    assert (
        "steps.csv:2: warning [identifying-text] a note may give away a name (A): 'Mr Smith" in said
    )
