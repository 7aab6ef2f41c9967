"""A batch notices every change of a vocabulary, whoever names it."""

import json
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from vidseg.batch import job as batch_job
from vidseg.batch.job import Ending
from vidseg.batch.whole import Told
from vidseg.formats.vocabulary import procedure_text

Batch = Callable[..., Told]
OLD_S = 60


@pytest.fixture
def given(footage: Path, tmp_path: Path) -> Path:
    """A recording, its annotation without and with a vocabulary of its own, and that vocabulary;
    none changed for a minute, so that they are trusted to be as they were."""
    folder = tmp_path / "given"
    folder.mkdir()
    own = folder / "own.toml"
    own.write_text(procedure_text("phaco"), encoding="utf-8")
    shutil.copyfile(footage / "r0.mp4", folder / "r.mp4")
    shutil.copyfile(footage / "s0.csv", folder / "s.csv")
    document = {
        "format": "vidseg annotation",
        "version": 1,
        "procedure": str(own),
        "marks": [{"label": "capsulorhexis", "start": "0:00.2", "end": "0:00.8"}],
    }
    (folder / "s.json").write_text(json.dumps(document), encoding="utf-8")
    for path in folder.iterdir():
        os.utime(path, (time.time() - OLD_S,) * 2)
    return folder


def listed(folder: Path, annotation: str, procedure: str = "") -> Path:
    source = folder / "list.csv"
    text = f"case,recording,annotation,procedure\nc,r.mp4,{annotation},{procedure}\n"
    source.write_text(text, encoding="utf-8")
    return source


@pytest.mark.parametrize("named_by", [("s.csv", "own.toml"), ("s.json", "")])
def test_an_own_vocabulary(
    named_by: tuple[str, str], given: Path, batch: Batch, tmp_path: Path
) -> None:
    source, own, out = listed(given, *named_by), given / "own.toml", tmp_path / "out"
    for wanted in (Ending.DONE, Ending.UNCHANGED):
        assert [row.outcome.ending for row in batch(source, out).rows] == [wanted]
    text = own.read_text(encoding="utf-8")
    own.write_text(text.replace('version = "', 'version = "9', 1), encoding="utf-8")
    assert [row.outcome.ending for row in batch(source, out).rows] == [Ending.DONE]
    record = json.loads((out / "cases" / "c" / "case.json").read_text(encoding="utf-8"))
    assert record["procedure"]["version"].startswith("9")


def test_a_built_in_vocabulary(
    given: Path, batch: Batch, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, out = listed(given, "s.csv"), tmp_path / "out"
    asked: list[str] = []
    real = batch_job._done

    def noted(job: Any) -> Any:
        asked.append(job.case.id)
        return real(job)

    monkeypatch.setattr(batch_job, "_done", noted)
    batch(source, out)
    batch(source, out)
    assert asked == ["c"]
    monkeypatch.setattr(batch_job, "builtin_texts", lambda: ("another",))
    batch(source, out)
    assert asked == ["c", "c"]
