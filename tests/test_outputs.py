"""Change anything that goes into a case and run again: the folder is as if made from nothing.

Fields come from the schemas, the rows' dataclass and the command itself, so that a new one is met
here: it fails until this file says how to change it.
"""

from __future__ import annotations

import copy
import csv
import io
import json
import shutil
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from fnmatch import fnmatch
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from synthetic_clips import make_clip
from vidseg.cli import main
from vidseg.cli.run import run as run_command
from vidseg.export import folder as export_folder
from vidseg.formats.schema import CaseFile, ConsentTable, EditTable, StepTable, VocabularyFile
from vidseg.model.annotation import Mark
from vidseg.pipeline.outputs import OUTPUTS

pytestmark = pytest.mark.slow

REMOVED = {"kind": "removed", "at": "0:01.72", "length": "0:30", "note": "a page turned"}
SPEED = {"kind": "speed", "start": "0:00.4", "end": "0:01", "factor": 2}
CASE: dict[str, Any] = {
    "id": "P-1",
    "recordings": ["one.mp4"],
    "annotation": "steps.csv",
    "procedure": "words.toml",
    "captions": "talk.vtt",
    "surgeon": "S1",
    "role": "trainee",
    "case_number": 3,
    "covariates": {"pupil_mm": 6.5},
    "edits": [REMOVED],
    "consent": {"teaching": "yes"},
}
VOCABULARY: dict[str, Any] = {
    "code": "made_up",
    "name": "A made-up operation",
    "version": "1",
    "source": "this test",
    "steps": [
        {"code": "opening", "name": "Opening", "kind": "phase"},
        {"code": "cut", "name": "First cut", "aliases": ["the cut"], "parent": "opening"},
        {"code": "turn", "name": "Turning", "longest": "0:50"},
        {"code": "tear", "name": "Small tear", "kind": "event", "category": "complication"},
        {"code": "pause", "name": "Pause", "kind": "excluded"},
    ],
}
ROWS = [
    {"start": "0:00.2", "end": "0:00.8", "step": "First cut", "note": "slow", "hand": "left"},
    {"start": "0:00.8", "end": "0:01.6", "step": "Turning", "note": "", "hand": "right"},
    {"start": "0:01.0", "end": "", "step": "Small tear", "note": "seen late", "hand": ""},
    {"start": "0:01.2", "end": "0:01.4", "step": "Pause", "note": "", "hand": ""},
    {"start": "0:01.6", "end": "0:01.9", "step": "First cut", "note": "", "hand": ""},
]
TALK = "WEBVTT\n\n00:00.300 --> 00:01.100\nNow the cut\n"


@dataclass
class World:
    """All files of a case but its footage, and the options of the command."""

    case: dict[str, Any] = field(default_factory=lambda: copy.deepcopy(CASE))
    vocabulary: dict[str, Any] = field(default_factory=lambda: copy.deepcopy(VOCABULARY))
    rows: list[dict[str, str]] = field(default_factory=lambda: copy.deepcopy(ROWS))
    after_rows: str = ""
    talk: str = TALK
    options: tuple[str, ...] = ()

    def with_case(self, **changes: Any) -> World:
        return replace(copy.deepcopy(self), case={**self.case, **changes})

    def with_vocabulary(self, **changes: Any) -> World:
        return replace(copy.deepcopy(self), vocabulary={**self.vocabulary, **changes})

    def with_step(self, code: str, /, **changes: Any) -> World:
        steps = [{**s, **changes} if s["code"] == code else s for s in self.vocabulary["steps"]]
        return self.with_vocabulary(steps=steps)

    def with_row(self, number: int, /, **changes: str) -> World:
        rows = [{**row, **changes} if n == number else row for n, row in enumerate(self.rows)]
        return replace(copy.deepcopy(self), rows=rows)

    def write(self, folder: Path) -> None:
        other = {**self.vocabulary, "name": "Another operation"}
        for name, text in {
            "case.toml": toml(self.case),
            "words.toml": toml(self.vocabulary),
            "other.toml": toml(other),
            "steps.csv": table(self.rows) + self.after_rows,
            "other.csv": table(self.rows[:2]),
            "talk.vtt": self.talk,
            "other.vtt": self.talk.replace("Now", "Later"),
        }.items():
            (folder / name).write_text(text, encoding="utf-8")


def toml(document: Mapping[str, Any]) -> str:
    lines, below = [], []
    for key, value in document.items():
        if isinstance(value, dict):
            below.append(f"[{key}]\n{toml(value)}")
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            below += [f"[[{key}]]\n{toml(item)}" for item in value]
        elif value is not None:
            lines.append(f"{key} = {json.dumps(value)}\n")
    return "".join([*lines, *below])


def table(rows: Iterable[Mapping[str, str]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(ROWS[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


W = World()
CASE_CHANGES: dict[str, World] = {
    "id": W.with_case(id="P-2"),
    "recording": W.with_case(recording="two.mp4", recordings=None),
    "recordings": W.with_case(recordings=["one.mp4", "two.mp4"]),
    "starts": W.with_case(recordings=["one.mp4", "two.mp4"], starts=["9:00:00", "9:00:09"]),
    "annotation": W.with_case(annotation="other.csv"),
    "procedure": W.with_case(procedure="other.toml"),
    "captions": W.with_case(captions="other.vtt"),
    "surgeon": W.with_case(surgeon="S2"),
    "role": W.with_case(role="assistant"),
    "case_number": W.with_case(case_number=4),
    "covariates": W.with_case(covariates={"pupil_mm": 7}),
    "edits": W.with_case(edits=[]),
    "consent": W.with_case(consent={"teaching": "no"}),
}
SPED = W.with_case(edits=[SPEED])
EDIT_CHANGES: dict[str, tuple[World, World]] = {
    "kind": (W, W.with_case(edits=[{**REMOVED, "kind": "pause"}])),
    "at": (W, W.with_case(edits=[{**REMOVED, "at": "0:00.4"}])),
    "length": (W, W.with_case(edits=[{**REMOVED, "length": "unknown"}])),
    "note": (W, W.with_case(edits=[{**REMOVED, "note": "a coat hung up"}])),
    "start": (SPED, W.with_case(edits=[{**SPEED, "start": "0:00.2"}])),
    "end": (SPED, W.with_case(edits=[{**SPEED, "end": "0:01.2"}])),
    "factor": (SPED, W.with_case(edits=[{**SPEED, "factor": 4}])),
}
CONSENT_CHANGES: dict[str, World] = {
    "teaching": W.with_case(consent={"teaching": "unknown"}),
    "research": W.with_case(consent={"teaching": "yes", "research": "no"}),
    "publication": W.with_case(consent={"teaching": "yes", "publication": "yes"}),
    "date": W.with_case(consent={"teaching": "yes", "date": "May 2031"}),
    "document": W.with_case(consent={"teaching": "yes", "document": "form 7"}),
}
VOCABULARY_CHANGES: dict[str, World] = {
    "code": W.with_vocabulary(code="made_over"),
    "name": W.with_vocabulary(name="A made-over operation"),
    "version": W.with_vocabulary(version="2"),
    "source": W.with_vocabulary(source="another test"),
    "idle": W.with_vocabulary(idle=["nothing"]),
    "course": W.with_vocabulary(course=["turn", "cut"]),
    "quantity": W.with_vocabulary(
        quantity=[
            {"name": "load", "units": ["mmHg"], "spoken": ["load"], "lowest": 1.0, "highest": 9.0}
        ]
    ),
    "steps": W.with_vocabulary(steps=VOCABULARY["steps"][1:2] + VOCABULARY["steps"][:1]
                               + VOCABULARY["steps"][2:]),
}  # fmt: skip
STEP_CHANGES: dict[str, World] = {
    "code": W.with_step("turn", code="twist"),
    "name": W.with_step("turn", name="Twisting", aliases=["turning"]),
    "kind": W.with_step("turn", kind="task"),
    "aliases": W.with_step("cut", aliases=["the first cut of all"]),
    "parent": W.with_step("turn", parent="opening"),
    "required": W.with_step("opening", required=True),
    "repeats": W.with_step("cut", repeats=True),
    "overlaps": W.with_step("cut", overlaps=["turn"]),
    "after": W.with_step("cut", after=["turn"]),
    "shortest": W.with_step("cut", shortest="0:30"),
    "longest": W.with_step("turn", longest="0:00.1"),
    "usual": W.with_step("turn", usual="0:00.1"),
    "spoken": W.with_step("cut", spoken=["here we go"]),
    "category": W.with_step("tear", category="finding"),
    "definition": W.with_step("cut", definition="the first time the knife goes in"),
    "source": W.with_step("cut", source="yet another test"),
}
MARK_CHANGES: dict[str, World] = {
    "label": W.with_row(1, step="First cut"),
    "start": W.with_row(0, start="0:00.4"),
    "end": W.with_row(4, end="0:01.96"),
    "note": W.with_row(1, note="quick"),
    "source": W.with_case(annotation="other.csv"),
    "line": replace(W, rows=[ROWS[1], ROWS[0], *ROWS[2:]]),
    "attributes": W.with_row(0, hand="both"),
}
OPTION_CHANGES: dict[str, tuple[str, ...]] = {
    "captions": ("--captions", "other.vtt", "--procedure", "words.toml"),
    "procedure": ("--procedure", "other.toml"),
    "clock": ("--clock", "timecode", "--despite-errors"),
    "despite_errors": ("--despite-errors",),
    "quality": ("--quality", "40"),
    "reencode": ("--reencode",),
    "verify": ("--verify", "full"),
    "cores": ("--cores", "1"),
    "join_visits": ("--join-visits",),
    "pad_ns": ("--pad", "0:00.12"),
    "steps": ("--step", "First cut"),
    "paths": (),
    "out": (),
    "quiet": ("--quiet",),
    "share": (),
    "transcribe": (),
    "audit": (),
}
"""Of ``paths`` the fields of the case tell, of ``transcribe`` captions; ``out`` names the folder;
``share`` only refuses, here for good reason; every run here is one with an audit."""
OTHER_CHANGES: dict[str, World] = {
    "a comment": replace(W, after_rows="# reviewed in May\n"),
    "a caption": replace(W, talk=TALK.replace("Now", "Then")),
    "a caption's time": replace(W, talk=TALK.replace("00:01.100", "00:01.900")),
    **{f"row {n}": replace(W, rows=[*ROWS[:n], *ROWS[n + 1 :]]) for n in range(len(ROWS))},
}


def pairs() -> dict[str, tuple[World, World]]:
    """Every change by name: the case before and after."""
    found: dict[str, tuple[World, World]] = {}
    for kind, known, given in (
        ("case", CaseFile.model_fields, CASE_CHANGES),
        ("edit", EditTable.model_fields, EDIT_CHANGES),
        ("consent", ConsentTable.model_fields, CONSENT_CHANGES),
        ("vocabulary", VocabularyFile.model_fields, VOCABULARY_CHANGES),
        ("step", StepTable.model_fields, STEP_CHANGES),
        ("row", [own.name for own in fields(Mark)], MARK_CHANGES),
        ("option", [option.name for option in run_command.params], OPTION_CHANGES),
        ("other", OTHER_CHANGES, OTHER_CHANGES),
    ):
        assert set(known) == set(given), f"{kind}: say how to change {set(known) ^ set(given)}"
        for name, change in given.items():
            if isinstance(change, tuple) and not any(isinstance(c, World) for c in change):
                change = replace(W, options=change)  # type: ignore[arg-type]
            found[f"{kind}: {name}"] = change if isinstance(change, tuple) else (W, change)  # type: ignore[assignment]
    return found


def run(world: World, folder: Path, out: Path) -> None:
    world.write(folder)
    given = [folder / "case.toml"]
    if "--captions" in world.options:  # goes with files named one by one
        given = [folder / "one.mp4", folder / "steps.csv"]
    options = [str(folder / o) if (folder / o).is_file() else o for o in world.options]
    code = main(["run", *map(str, given), "--audit", "--quiet", "--out", str(out), *options])
    assert code in (0, 1 if "--despite-errors" in options else 0)


def contents(out: Path) -> dict[str, bytes]:
    """All files but the one that remembers times of files."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and path.name != ".stamps.json"
    }


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A case, run once: files in ``given``, outputs in ``out``."""
    top = tmp_path_factory.mktemp("outputs")
    (top / "given").mkdir()
    for name, first in (("one.mp4", 0), ("two.mp4", 50)):
        make_clip(
            top / "given" / name, frames=50, size=(128, 96), gop=25, rate=Fraction(25),
            first_number=first, audio=False,
        )  # fmt: skip
    run(W, top / "given", top / "out")
    return top


@pytest.fixture
def again(ran: Path, tmp_path: Path) -> Path:
    """The same case in a place of its own, run."""
    shutil.copytree(ran, tmp_path / "case")
    return tmp_path / "case"


@pytest.mark.parametrize("change", pairs())
def test_run_again_is_run_from_nothing(change: str, again: Path) -> None:
    before, after = pairs()[change]
    if before != W:
        run(before, again / "given", again / "out")
    run(after, again / "given", again / "out")
    run(after, again / "given", again / "fresh")
    assert contents(again / "out") == contents(again / "fresh")


def made(again: Path, world: World) -> set[str]:
    """Run once more, and give the names of the files that are others than before."""
    before = {path: path.stat().st_ino for path in (again / "out").rglob("*") if path.is_file()}
    run(world, again / "given", again / "out")
    return {
        path.relative_to(again / "out").as_posix()
        for path in (again / "out").rglob("*")
        if path.is_file() and before.get(path) != path.stat().st_ino
    } - {"manifest.json", ".stamps.json"}


@pytest.mark.parametrize(
    ("change", "remade"),
    [
        ("option: cores", set()),
        ("other: a comment", {"case.json"}),
        ("row: note", {"case.json", "segments.csv", "index.html", "contact-sheet.jpg"}),
        ("vocabulary: version", {"case.json", "index.html"}),
        ("case: surgeon", {"case.json", "index.html"}),
        ("step: definition", {"case.json", "contact-sheet.jpg"}),
    ],
)
def test_no_more_is_made_than_shows(change: str, remade: set[str], again: Path) -> None:
    assert made(again, pairs()[change][1]) == remade


def test_the_property_can_fail(again: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real: Callable[..., str] = export_folder.digest

    def careless(document: object, *hash_of: Any) -> str:
        return real(type(document).__name__, *hash_of)

    monkeypatch.setattr(export_folder, "digest", careless)
    run(MARK_CHANGES["label"], again / "given", again / "once")
    run(W, again / "given", again / "once")
    assert contents(again / "once")["case.json"] != contents(again / "out")["case.json"]


def test_a_recording_exchanged_under_its_name(again: Path) -> None:
    shutil.copyfile(again / "given" / "two.mp4", again / "given" / "one.mp4")
    for out in ("out", "fresh"):
        run(W, again / "given", again / out)
    assert contents(again / "out") == contents(again / "fresh")


def test_the_table_names_every_file(ran: Path) -> None:
    patterns = [pattern for output in OUTPUTS.values() for pattern in output.files]
    names = contents(ran / "out").keys() - {"manifest.json"}
    assert names == {n for n in names if any(fnmatch(n, pattern) for pattern in patterns)}
    unmade = {p for p in patterns if not any(fnmatch(n, p) for n in names)}
    assert unmade <= {"audit/*.jpg"}  # nothing is cut in this footage
