"""`vidseg mark` as a command: what cannot be met is said, before anything is made."""

import socket
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from vidseg.cli import main
from vidseg.formats import write_sheet
from vidseg.mark.serve import bind
from vidseg.model.annotation import Mark, Sheet


def refused(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    assert main(["mark", *map(str, arguments), "--no-browser"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    return said.err


def test_what_cannot_be_met(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    steps = tmp_path / "steps.json"
    write_sheet(Sheet("steps.json", (Mark("capsulorhexis", 0, 40_000_000),), annotator="A"), steps)
    before = sorted(tmp_path.iterdir())
    assert "no such file" in refused(capsys, tmp_path / "absent.mp4")
    assert "no such file" in refused(capsys, clip, "--draft", tmp_path / "absent.json")
    assert "a recording is expected" in refused(capsys, steps)
    assert "one annotation is expected" in refused(capsys, clip, steps, "--annotation", steps)
    assert "by 'A'" in refused(capsys, clip, steps, "--blind", "--annotator", "B")
    absent = tmp_path / "absent" / "steps.json"
    assert "no journal can be kept" in refused(capsys, clip, "--annotation", absent)
    assert "sinister" in refused(capsys, clip, steps, "--procedure", "sinister")
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        assert f"port {port}" in refused(capsys, clip, steps, "--port", port)
    assert sorted(tmp_path.iterdir()) == before


def test_a_port_is_asked_for_and_is_free_again_afterwards() -> None:
    with bind() as first:
        port = first.getsockname()[1]
    with bind(port) as second:
        assert second.getsockname() == ("127.0.0.1", port)


def test_library_lengths_are_hints(clip: Path, tmp_path: Path) -> None:
    """Three cases with a visit of 60 s each: the hint lies between that and the vocabulary's own
    length, to which few visits are drawn (tests/measure, learned_lengths)."""
    from vidseg.formats.vocabulary import load_procedure
    from vidseg.library.store import Library
    from vidseg.many.gather import GatherOptions, gather
    from vidseg.mark.start import MarkingRequest
    from vidseg.model.case import Case

    second = 1_000_000_000
    sources = []
    for number in range(3):
        path = tmp_path / f"case{number}.json"
        marks = (Mark("capsulorhexis", second, 61 * second),)
        write_sheet(Sheet(path.name, marks, procedure="phaco"), path)
        sources.append(path)
    with Library(str(tmp_path / "library.sqlite"), make=True) as library:
        met = gather(sources, GatherOptions(), lambda stage, done: None)
        library.add(one.record for one in met if one.record is not None)
        wanted = MarkingRequest(Case("clip", (clip,), None), "phaco").with_lengths(library)
    usual = wanted.usual["capsulorhexis"]
    own = load_procedure("phaco").step("capsulorhexis").usual_ns
    assert own is not None
    assert (usual.visits, usual.source) == (3, "library")
    assert min(own, 60 * second) <= usual.length_ns <= max(own, 60 * second)


def test_help_is_quick() -> None:
    """The page's server is not loaded to print help."""
    code = (
        "import sys; from vidseg.cli import main; main(['mark', '--help']); "
        "print(sorted({'starlette', 'uvicorn', 'av', 'jinja2'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith("[]")


def test_the_end_says_what_became_of_the_rows(clip: Path, tmp_path: Path) -> None:
    def ended(*arguments: object) -> str:
        process = subprocess.Popen(
            [sys.executable, "-m", "vidseg", "mark", *map(str, arguments), "--no-browser"],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        assert process.stdout is not None
        address = next(line.strip() for line in process.stdout if line.startswith("http"))
        origin = address.rsplit("/", 2)[0]
        httpx.post(f"{address}stop", json={}, headers={"Origin": origin}, trust_env=False)
        said, _ = process.communicate(timeout=300)
        assert process.returncode == 0, said
        return said

    kept = tmp_path / "mine.json"
    draft = tmp_path / "draft.json"
    write_sheet(Sheet("draft.json", (Mark("capsulorhexis", 0, 400_000_000),)), draft)
    assert "nothing was marked, and no mine.json was made" in ended(clip, "--annotation", kept)
    assert not kept.exists()
    said = ended(clip, "--annotation", kept, "--draft", draft)
    assert "not confirmed, yet counted like the others: 1 of the draft" in said
    assert f"saved: {kept} (1 rows)" in said
