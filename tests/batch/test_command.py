"""``vidseg batch`` from the command line."""

import csv
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from synthetic_clips import make_clip
from vidseg.cli import main

ROWS = [("good", "r.mp4", "s.csv"), ("bad rows", "r.mp4", "bad.csv"), ("cut", "cut.mp4", "s.csv"),
        ("=1+1", "r.mp4", "s.csv"), ("lost", "nine.mp4", "s.csv")]  # fmt: skip


@pytest.fixture(scope="module")
def share(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("share")
    make_clip(folder / "r.mp4", frames=50, size=(96, 64), gop=25)
    (folder / "cut.mp4").write_bytes((folder / "r.mp4").read_bytes()[:3000])
    (folder / "s.csv").write_text("start,end,step\n0.2,0.8,main incision\n1,1.8,rhexis\n", "utf-8")
    (folder / "bad.csv").write_text("start,end,step\n0.2,0.8,plumbing\n", encoding="utf-8")
    text = "".join(f"{','.join(row)}\n" for row in [("case", "recording", "annotation"), *ROWS])
    (folder / "list.csv").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def night(share: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A batch with a case for every way to end, done by two processes."""
    out = tmp_path_factory.mktemp("night") / "out"
    library = str(out.parent / "l.sqlite")
    command = ["batch", str(share / "list.csv"), "--out", str(out), "--jobs", "2"]
    assert main([*command, "--only", "durations,page", "--library", library, "--quiet"]) == 1
    return out


def test_one_bad_case_stops_no_other(night: Path) -> None:
    with (night / "batch.csv").open(encoding="utf-8", newline="") as stream:
        rows = {row["case"].lstrip("'"): row for row in csv.DictReader(stream)}
    assert {name: row["outcome"] for name, row in rows.items()} == {
        "good": "done",
        "bad rows": "rows in error",
        "cut": "failed",
        "=1+1": "done",
        "lost": "refused",
    }
    assert "plumbing" in rows["bad rows"]["reason"]
    assert "no index" in rows["cut"]["reason"]
    assert "no file 'nine.mp4'" in rows["lost"]["reason"]
    assert rows["good"]["listed"] == "list.csv:2"
    assert rows["good"]["recorded_s"] == "2.000"
    assert "'=1+1," in (night / "batch.csv").read_text(encoding="utf-8")
    assert sorted(path.name for path in (night / "cases").iterdir()) == ["=1+1", "good"]


def test_the_page_leads_to_the_cases_and_runs_nothing(night: Path) -> None:
    page = (night / "index.html").read_text(encoding="utf-8")
    assert 'href="cases/good/index.html"' in page
    assert 'href="cases/%3D1%2B1/index.html"' in page
    assert (night / "cases" / "good" / "index.html").exists()
    assert "<script" not in page
    assert "style=" not in page
    assert "default-src &#39;none&#39;" in page
    assert page.index("bad rows") < page.index(">good<")
    assert "Time is not skill" in page


def test_what_is_done_is_in_the_library(night: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["library", "list", "--library", str(night.parent / "l.sqlite")]) == 0
    listed = capsys.readouterr().out
    assert "good" in listed
    assert "cut" not in listed


def test_a_dry_run_with_nothing_to_do_guesses_no_time(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "list.csv").write_text("recording,annotation\nno.mp4,no.csv\n", "utf-8")
    out = tmp_path / "out"
    assert main(["batch", str(tmp_path / "list.csv"), "--out", str(out), "--dry-run"]) == 1
    told = capsys.readouterr().out
    assert told.splitlines() == ["0 to do (0.0 GB), 0 not to be done again, 1 refused"]


def test_a_dry_run_tells_and_writes_nothing(
    share: Path, night: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "new"
    assert main(["batch", str(share / "list.csv"), "--out", str(out), "--dry-run"]) == 1
    told = capsys.readouterr()
    assert "4 to do" in told.out
    assert "1 refused" in told.out
    assert "a rough guess" in told.out
    assert "GB are free" in told.out
    assert "nine.mp4" in told.err
    assert not out.exists()
    command = ["batch", str(share / "list.csv"), "--out", str(night), "--dry-run"]
    assert main([*command, "--only", "durations,page"]) == 1
    assert "as earlier cases took" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--only", "durations,songs"], "audit, durations, chapters, clips, stills, page"),
        (["--jobs", "2", "--local-cluster", "2"], "give one of them"),
        (["--only", "stills", "--library", "l.sqlite"], "--library needs durations"),
        (["--scheduler", "tcp://127.0.0.1:1", "--jobs", "1"], "give one of them"),
    ],
)
def test_requests_that_cannot_be_met(
    share: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    words: str,
) -> None:
    command = ["batch", str(share / "list.csv"), "--out", str(tmp_path / "out"), *arguments]
    assert main(command) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="a console's Ctrl-C cannot be sent to one process")
def test_control_c_finishes_what_runs_and_again_goes_on(
    share: Path, tmp_path: Path, gate: Any, wait_for: Callable[..., None]
) -> None:
    rows = "".join(f"c{n},r.mp4,s.csv\n" for n in range(40))
    path, out = share / "long.csv", tmp_path / "out"
    path.write_text("case,recording,annotation\n" + rows, encoding="utf-8")
    command = [sys.executable, "-m", "vidseg", "batch", str(path), "--out", str(out), "--jobs", "1"]
    gate.hold("c3")
    with subprocess.Popen(
        [*command, "--only", "durations,stills"], stderr=subprocess.PIPE, text=True
    ) as batch:
        wait_for(lambda: gate.process_at("c3") is not None)
        batch.send_signal(signal.SIGINT)
        assert batch.stderr is not None
        told = ""
        for line in batch.stderr:
            told += line
            if "finishing the cases that run" in line:
                break
        gate.release("c3")
        told += batch.communicate(timeout=300)[1]
    assert batch.returncode == 130, told
    assert "the same command goes on from here" in told
    assert "Traceback" not in told
    assert sorted(path.name for path in (out / "cases").glob("c*")) == ["c0", "c1", "c2", "c3"]
    assert not list((out / "cases").glob(".*"))
