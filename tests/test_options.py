"""Every option of every command changes something, or is refused with a message.

Each option stands in ``TRIED`` with what it is given beside what its command is given anyway; an
option that is not there fails. A command is first run twice as it is: what it prints and writes
must be the same, so that the difference is the option's.
"""

import contextlib
import hashlib
import importlib
import io
import re
import shutil
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import click
import pytest

from synthetic_clips import load_scenario, make_clip
from synthetic_clips.beside import captions_vtt
from vidseg.cli import COMMANDS, main
from vidseg.cli.library import COMMANDS as LIBRARY_COMMANDS
from vidseg.formats.vocabulary import procedure_text
from vidseg.model.problem import UsageError
from vidseg.model.span import Span
from vidseg.model.transcript import HeardWord

pytestmark = pytest.mark.slow

STEPS = """start,end,step,note
0:00.2,0:00.8,main incision,shown to Mr Hopkins
0:01,0:01.3,capsulorhexis,
0:01.5,0:01.8,capsulorhexis,
0:01.4,,small pupil,
"""
CAPTIONS = "WEBVTT\n\n00:00.100 --> 00:00.900\nThe drape goes on, draping over the lid.\n"
OTHER_CAPTIONS = CAPTIONS.replace("The", "One")
CASE = """id = "own-name"
recordings = ["case.mp4"]
annotation = "steps.csv"
captions = "talk.vtt"
surgeon = "S3"
role = "trainee"

[covariates]
age = 71
date = "2031-05-13"
pupil_mm = 4.5

[consent]
teaching = "yes"
date = 2031-05-13
"""
RUN = ("case.mp4", "steps.csv")
Given = tuple[str, ...]

ON_A_CASE: dict[str, Given] = {
    "--procedure": ("--procedure", "ours.toml"),
    "--out": ("--out", "elsewhere"),
    "--clock": ("--clock", "timecode"),
    "--despite-errors": ("bad.csv", "--despite-errors"),
    "--quiet": ("--quiet",),
}
CAPTIONED = {"--captions": ("--captions", "talk.vtt")}
STRANGE = {"--procedure": ("--procedure", "lap_chole")}
"""Where a vocabulary's name does not show, one without these steps."""
CUT: dict[str, Given] = {
    "--step": ("--step", "capsulorhexis"),
    "--pad": ("--pad", "0.1"),
    "--join-visits": ("--join-visits",),
    "--verify": ("--verify", "none"),
    "--reencode": ("--reencode",),
    "--quality": ("--quality", "40"),
}
FILTERS: dict[str, Given] = {
    "--procedure": ("--procedure", "msics"),
    "--step": ("--step", "rhexis"),
    "--surgeon": ("--surgeon", "S2"),
    "--role": ("--role", "trainee"),
    "--experience": ("--experience", "low"),
    "--date": ("--date", "2029..2029"),
    "--case-number": ("--case-number", "1..6"),
    "--covariate": ("--covariate", "nucleus_grade=4"),
    "--annotator": ("--annotator", "B"),
    "--complete-only": ("--complete-only",),
}
STUDY: dict[str, Given] = {
    **FILTERS,
    "--out": ("--out", "tables"),
    "--library": ("--library", "none.sqlite"),
    "--json": ("--json",),
    "--quiet": ("--quiet", "--out", "tables"),
}
FEW = ("--step", "capsulorhexis", "--annotator", "A")

BASE: dict[str, Given] = {
    "demo": ("drawn", "--library"),
    "run": RUN,
    "inspect": ("case.mp4",),
    "check": ("steps.csv",),
    "durations": ("steps.csv",),
    "chapters": RUN,
    "clips": RUN,
    "stills": RUN,
    "page": RUN,
    "mark": ("case.mp4",),
    "transcribe": ("case.mp4",),
    "draft": ("narration.vtt",),
    "deidentify": ("case.toml", "--for", "teaching", "--out", "shared", "--looked", "--id", "one"),
    "convert": ("steps.csv", "draft.json", "--force"),
    "audit": ("case.mp4",),
    "procedures": (),
    "batch": ("list.csv", "--out", "night", "--only", "durations", "--jobs", "1"),
    "library": (),
    "guide": (),
    "library add": ("steps.csv", "--library", "new.sqlite"),
    "library list": (),
    "library remove": ("case-001", "--annotator", "A"),
    "library durations": (*FEW, "--out", "t.csv"),
    "library curve": FEW,
    "library compare": ("--by", "experience", *FEW),
    "library agree": (),
    "library page": ("--out", "page.html", *FEW),
    "library export": ("--out", "tables"),
}
TRIED: dict[str, dict[str, Given]] = {
    "demo": {
        "--minutes": ("--minutes", "2"),
        "--library": ("--minutes", "2", "--library"),
        "--quiet": ("--quiet",),
    },
    "run": {
        **ON_A_CASE,
        **CAPTIONED,
        **CUT,
        "--transcribe": ("--transcribe",),
        "--share": ("--share",),
        "--audit": ("--audit",),
    },
    "inspect": {"--hidden": ("--hidden",), "--json": ("--json",), "--quiet": ("--quiet",)},
    "check": {
        "--recording": ("--recording", "case.mp4"),
        "--procedure": ("--procedure", "msics"),
        "--rate": ("frames.csv", "--rate", "0.1"),
        "--length": ("--length", "0:01"),
        "--clock": ("--clock", "timecode"),
        "--json": ("--json",),
        "--quiet": ("--quiet",),
    },
    "durations": {
        "--recording": ("--recording", "case.mp4"),
        "--procedure": ("--procedure", "ours.toml"),
        "--rate": ("frames.csv", "--rate", "0.1"),
        "--length": ("--length", "0:10"),
        "--out": ("--out", "all.csv"),
        "--clock": ("--clock", "timecode"),
        "--json": ("--json",),
        "--quiet": ("--quiet",),
    },
    "chapters": {**ON_A_CASE, **CAPTIONED, **STRANGE},
    "clips": {**ON_A_CASE, **CAPTIONED, **CUT, **STRANGE},
    "stills": {**ON_A_CASE, "--step": ("--step", "capsulorhexis"), **STRANGE},
    "page": {**ON_A_CASE, **CAPTIONED},
    "mark": {
        "--annotation": ("--annotation", "steps.csv"),
        "--procedure": ("--procedure", "msics"),
        "--captions": ("--captions", "talk.vtt"),
        "--transcribe": ("--transcribe",),
        "--draft": ("--draft", "draft.json"),
        "--second": ("--second", "steps.csv"),
        "--blind": ("--blind", "--second", "steps.csv"),
        "--library": ("--library", "cases.sqlite"),
        "--annotator": ("--annotator", "B"),
        "--no-browser": ("--no-browser",),
        "--port": ("--port", "50123"),
        "--clock": ("--clock", "timecode", "--annotation", "steps.csv"),
        "--quiet": ("--quiet",),
    },
    "transcribe": {
        "--out": ("--out", "talk.txt"),
        "--language": ("--language", "xx"),
        "--model": ("--model", "nowhere"),
        "--download": ("--download", "nothing"),
        "--procedure": ("--procedure", "nothing"),
        "--word-times": ("--word-times", "--out", "talk.srt"),
        "--force": ("--out", "talk.vtt", "--force"),
        "--quiet": ("--quiet",),
    },
    "draft": {
        "--procedure": ("--procedure", "msics"),
        "--recording": ("--recording", "case.mp4"),
        "--length": ("--length", "1:20"),
        "--to-changes": ("--to-changes",),
        "--library": ("--library", "cases.sqlite"),
        "--out": ("--out", "draft.json"),
        "--measures": ("--measures", "values.csv"),
        "--usual-only": ("--usual-only",),
        "--spoken-only": ("--spoken-only",),
        "--surgeon": ("--surgeon", "S3"),
        "--transcribe": ("--transcribe",),
        "--explain": ("--explain",),
        "--force": ("--out", "draft.json", "--force"),
        "--json": ("--json",),
        "--quiet": ("--quiet",),
    },
    "deidentify": {
        "--for": ("--for", "research"),
        "--out": ("--out", "elsewhere"),
        "--mask": ("--mask", "0,0,32,32"),
        "--masks": ("--masks", "masks.csv"),
        "--excluded": ("steps-pause.csv", "--excluded", "cut"),
        "--looked": (),
        "--cut": ("--cut", "1.85-1.95"),
        "--blank": ("--blank", "0-0.1"),
        "--keep-only-steps": ("--keep-only-steps",),
        "--keep-sound": ("--keep-sound", "no word is spoken"),
        "--silence": ("--silence", "0-0.5"),
        "--transcribe": ("--transcribe",),
        "--silence-heard": ("--silence-heard",),
        "--keep-captions": ("--keep-captions",),
        "--keep-notes": ("--keep-notes",),
        "--allow": ("--keep-notes", "--allow", "Hopkins"),
        "--coarsen": ("--coarsen", "age=10"),
        "--leave-out": ("--leave-out", "age"),
        "--library": ("--library", "cases.sqlite"),
        "--since": ("--since", "2031-05-01"),
        "--keep-surgeon": ("--keep-surgeon",),
        "--id": ("--id", "teaching-one"),
        "--captions": ("--keep-captions", "--captions", "other.vtt"),
        "--quality": ("--reencode", "--quality", "40"),
        "--reencode": ("--reencode",),
        "--procedure": ("--procedure", "ours.toml"),
        "--clock": ("--clock", "timecode"),
        "--quiet": ("--quiet",),
    },
    "convert": {"--force": (), "--quiet": ("--quiet",)},
    "audit": {
        "--annotation": ("--annotation", "bad.csv"),
        "--procedure": ("--procedure", "msics"),
        "--out": ("--out", "audit"),
        "--json": ("--json",),
        "--quiet": ("--quiet",),
    },
    "procedures": {"--start": ("--start", "mine.toml")},
    "batch": {
        "--out": ("--out", "elsewhere"),
        "--only": ("--only", "stills"),
        "--library": ("--library", "new.sqlite"),
        "--scheduler": ("--scheduler", "tcp://127.0.0.1:1"),
        "--procedure": ("--procedure", "ours.toml"),
        "--quiet": ("--quiet",),
    },
    "library": {},
    "guide": {},
    "library add": {
        "--cases": ("--cases", "cases.csv"),
        "--case-column": ("--case-column", "note"),
        "--case": ("--case", "own-name"),
        "--annotator": ("--annotator", "B"),
        "--procedure": ("--procedure", "msics"),
        "--rate": ("frames.csv", "--rate", "0.1"),
        "--length": ("--length", "0:20"),
        "--despite-errors": ("bad.csv", "--despite-errors"),
        "--library": ("--library", "another.sqlite"),
        "--quiet": ("--quiet",),
    },
    "library list": {**FILTERS, "--library": STUDY["--library"], "--json": ("--json",)},
    "library remove": {
        "--annotator": ("--annotator", "B"),
        "--library": STUDY["--library"],
        "--quiet": ("--quiet",),
    },
    "library durations": {
        **STUDY,
        "--measure": ("--measure", "elapsed"),
        "--percentile": ("--percentile", "33"),
        "--confidence": ("--confidence", "0.8"),
    },
    "library curve": {
        **STUDY,
        "--together": ("--together",),
        "--measure": ("--measure", "elapsed"),
        "--window": ("--window", "3", "--out", "tables"),
        "--bin-size": ("--bin-size", "4"),
        "--confidence": ("--confidence", "0.8"),
        "--target": ("--target", "0:40"),
        "--spread": ("--spread", "0:10"),
        "--fail-above": ("--fail-above", "0:50"),
        "--acceptable": ("--acceptable", "0.2"),
        "--margin": ("--margin", "0.3"),
        "--reference": ("--reference", "role=expert"),
    },
    "library compare": {
        **STUDY,
        "--by": ("--by", "role"),
        "--group": ("--group", "low"),
        "--adjust": ("--adjust", "pupil_mm"),
        "--measure": ("--measure", "elapsed"),
        "--confidence": ("--confidence", "0.8"),
    },
    "library agree": {
        **STUDY,
        "--level": ("--level", "phase"),
        "--tolerance": ("--tolerance", "0.1"),
    },
    "library page": {
        **STUDY,
        "--out": ("--out", "other.html"),
        "--by": ("--by", "role"),
        "--measure": ("--measure", "elapsed"),
        "--title": ("--title", "Ours"),
        "--quiet": ("--quiet",),
    },
    "library export": {
        **STUDY,
        "--out": ("--out", "elsewhere"),
        "--partition": ("--partition",),
        "--quiet": ("--quiet",),
    },
}
HARDLY = {
    ("library page", "--json"),
    ("library export", "--json"),
}
"""Not options of these commands, though of others of their kind."""
SPEED = {
    ("run", "--cores"),
    ("clips", "--cores"),
    ("batch", "--cores"),
    ("batch", "--jobs"),
    ("batch", "--local-cluster"),
}
"""What changes the time alone; held by tests of clips and of batches."""
OF_FINDINGS = {("deidentify", "--mask-overlays"), ("deidentify", "--unlike")}
"""What to do with what a look finds: held where there is something to find, in
``test_deidentify_command``."""
OF_JOBS = {
    ("batch", option)
    for option in (
        "--dry-run", "--retry-set-aside", "--despite-errors", "--step", "--pad", "--join-visits",
        "--verify", "--reencode", "--quality", "--clock",
    )
}  # fmt: skip
"""What reaches the jobs of a batch as ``run`` has it: see the test below."""


ELSEWHERE = SPEED | OF_FINDINGS | OF_JOBS


def commands() -> Iterator[tuple[str, click.Command]]:
    for table, before in ((COMMANDS, ""), (LIBRARY_COMMANDS, "library ")):
        for name, (where, _) in table.items():
            module, _, attribute = where.partition(":")
            yield before + name, getattr(importlib.import_module(module), attribute)


OPTIONS = [
    (name, parameter.opts[-1] if not parameter.opts[0].startswith("--") else parameter.opts[0])
    for name, command in commands()
    for parameter in command.params
    if parameter.param_type_name == "option"
]


def named_model(folder: Path, asked: str | None) -> Path:
    """Stands for the models of this machine: there is one."""
    if asked is not None:
        raise UsageError(f"{asked} is no model")
    return folder / "model"


class Hearer:
    """Stands for the recogniser: hears two words in all sound."""

    def __init__(self, model: Path, language: str | None, hints: str, threads: int) -> None:
        self.language = language or "en"
        self.said = ("Good", hints.split()[0] if hints else "nothing")

    def heard(self, samples: Any, progress: Any = None) -> tuple[HeardWord, ...]:
        return tuple(
            HeardWord(Span(at * 10**8, (at + 1) * 10**8), word, 0.9)
            for at, word in enumerate(self.said)
        )


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("options")
    make_clip(
        folder / "case.mp4", frames=50, size=(128, 96), gop=25, metadata={"title": "Mr Hopkins"}
    )
    (folder / "model").mkdir()
    (folder / "model" / "model.bin").touch()
    texts = {
        "steps.csv": STEPS,
        "steps-pause.csv": STEPS + "0:01.85,0:01.95,recording pause,\n",
        "bad.csv": STEPS + "0:01.9,0:01.95,plumbing,\n",
        "talk.vtt": CAPTIONS,
        "other.vtt": OTHER_CAPTIONS,
        "case.toml": CASE,
        "ours.toml": procedure_text("phaco").replace('name = "', 'name = "Our own ', 1),
        "frames.csv": "frame,step\n2,main incision\n10,capsulorhexis\n20,end\n",
        "narration.vtt": CAPTIONS + captions_vtt(load_scenario("demo")).removeprefix("WEBVTT\n"),
        "masks.csv": "x,y,width,height\n0,0,32,32\n",
        "cases.csv": "case,length,surgeon\nsteps,0:30,S9\n",
        "list.csv": "case,recording,annotation\none,case.mp4,steps.csv\n",
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    assert main(["convert", str(folder / "steps.csv"), str(folder / "draft.json"), "--quiet"]) == 0
    assert main(["demo", str(folder / "many"), "--library", "--quiet"]) == 0
    (folder / "many" / "library.vidseg.sqlite").rename(folder / "cases.sqlite")
    shutil.rmtree(folder / "many")
    return folder


@pytest.fixture
def observe(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., tuple[Any, ...]]:
    """Run a command in a fresh copy of ``made``: what it says, prints and leaves behind."""
    import webbrowser

    from vidseg.cli import mark
    from vidseg.speech import captions_file, models

    monkeypatch.setenv("VIDSEG_LIBRARY", "cases.sqlite")
    monkeypatch.setattr(webbrowser, "open", lambda address: True)
    heard: list[str] = []

    def shown(session: Any, hub: Any, port: int, *, no_browser: bool, quiet: bool) -> int:
        """Stands for the page: what it would be told, and how it would be served."""
        state = session.whole() if hasattr(session, "whole") else repr(session.keeper.rows)
        heard.append(f"{port} {no_browser} {quiet} {session.keeper.facts} {session.blind} {state}")
        heard.append(f"{session.usual} {session.captions} {session.second} {session.keeper.desk}")
        session.keeper.close()
        return 0

    monkeypatch.setattr(mark, "_run", shown)
    monkeypatch.setattr(captions_file, "Recogniser", Hearer)
    monkeypatch.setattr(models, "require_engine", lambda: None)
    for module in (models, captions_file):
        monkeypatch.setattr(module, "find_model", partial(named_model, made))
    runs = iter(range(100))

    def run(command: str, given: Given) -> tuple[Any, ...]:
        folder = tmp_path / f"{next(runs)}" / "here"
        shutil.copytree(made, folder)
        before = {path: path.read_bytes() for path in folder.iterdir() if path.is_file()}
        monkeypatch.chdir(folder)
        heard.clear()
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = main([*command.split(), *given])
        told = [text.replace(str(folder), "here") for text in (out.getvalue(), err.getvalue())]
        if command == "batch":  # says how long it took
            told = [re.sub(r"[\d.:]+", "#", text) for text in told]
        files = {
            path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in folder.rglob("*")
            if path.is_file()
            and path.name != ".stamps.json"
            and path.suffix != ".sqlite"
            and (command != "batch" or "cases" in path.parts)
            and before.get(path) != path.read_bytes()
        }
        # bytes of a database hold times and free pages
        bases = {}
        for base in folder.glob("*.sqlite"):
            with contextlib.redirect_stdout(io.StringIO()) as listed:
                main(["library", "durations", "--library", base.name, "--json"])
                main(["library", "list", "--library", base.name, "--json"])
            bases[base.name] = listed.getvalue()
        return code, told, files, bases, [text.replace(str(folder), "here") for text in heard]

    return run


@pytest.fixture
def base_of(observe: Callable[..., tuple[Any, ...]]) -> Callable[[str], tuple[Any, ...]]:
    def of(command: str) -> tuple[Any, ...]:
        if command not in KNOWN:
            KNOWN[command] = observe(command, BASE[command])
            assert observe(command, BASE[command]) == KNOWN[command], "it is not the same twice"
        return KNOWN[command]

    return of


KNOWN: dict[str, tuple[Any, ...]] = {}


def given_for(command: str, option: str) -> Given:
    """What a command is given with the option: what it is given anyway, less what is in its way."""
    base, more = list(BASE[command]), TRIED[command][option]
    if not more:  # a flag that the command is given anyway
        base.remove(option)
    if (command, option) == ("demo", "--minutes"):
        base.remove("--library")
        base.append("--library")
    for name in [word for word in more if word.startswith("--")]:
        if name in base:
            place = base.index(name)
            flag = place + 1 >= len(base) or base[place + 1].startswith("--")
            del base[place : place + (1 if flag else 2)]
    if more and more[0].endswith(".csv") and "steps.csv" in base:
        base[base.index("steps.csv")] = more[0]
        more = more[1:]
    elif more and more[0].endswith(".csv"):
        base.insert(1, more[0])
        more = more[1:]
    if (command, option) == ("batch", "--scheduler"):
        base[base.index("--jobs") : base.index("--jobs") + 2] = []
    return (*base, *more)


def test_the_table_knows_every_option_and_no_other() -> None:
    known = {(name, option) for name, tried in TRIED.items() for option in tried} - HARDLY
    assert known | ELSEWHERE == set(OPTIONS)
    assert not known & ELSEWHERE
    assert set(BASE) == {name for name, _ in commands()}


@pytest.mark.parametrize(("command", "option"), [pair for pair in OPTIONS if pair not in ELSEWHERE])
def test_an_option_changes_something_or_is_refused(
    command: str,
    option: str,
    observe: Callable[..., tuple[Any, ...]],
    base_of: Callable[[str], tuple[Any, ...]],
) -> None:
    base, with_it = base_of(command), observe(command, given_for(command, option))
    assert with_it != base
    if with_it[0] == 2:
        assert with_it[1][1].strip(), "refused without a word"
    assert "Traceback" not in with_it[1][1]


@pytest.mark.parametrize("option", sorted(option for _, option in OF_JOBS))
def test_what_is_asked_of_a_batch_reaches_its_jobs(
    option: str, made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from vidseg.batch import whole

    asked: list[Any] = []
    real = whole.plan_batch

    def plan(listed: Any, out: Path, settings: Any) -> Any:
        asked.append(settings)
        return real(listed, out, settings)

    monkeypatch.setattr(whole, "plan_batch", plan)
    command = ["batch", str(made / "list.csv"), "--out", str(tmp_path / "night"), "--dry-run"]
    more = {"--clock": ("--clock", "timecode"), "--dry-run": ()} | CUT
    assert main(command) == 0
    assert main([*command, *more.get(option, (option,))]) == 0
    assert not (tmp_path / "night").exists()
    assert (asked[0] != asked[1]) == (option != "--dry-run")


def test_one_case_at_a_time_and_what_is_given_wins(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    here = tmp_path / "here"
    shutil.copytree(made, here)
    case, second = here / "case.toml", here / "second.toml"
    shutil.copyfile(case, second)
    assert main(["run", str(case), str(second)]) == 2
    assert "one case at a time" in capsys.readouterr().err
    (here / "one.csv").write_text("start,end,step\n0,0:01,hydrodissection\n", encoding="utf-8")
    out = here / "out"
    told = ["--out", str(out), "--captions", str(here / "other.vtt"), "--quiet"]
    assert main(["clips", str(case), str(here / "one.csv"), *told]) == 0
    assert [path.name for path in out.glob("clips/*.mp4")] == ["01-hydrodissection.mp4"]
    (captions,) = out.glob("clips/*.vtt")
    assert "One drape" in captions.read_text(encoding="utf-8")
    shutil.copyfile(here / "case.mp4", here / "more.mp4")
    (here / "parts.toml").write_text(CASE.replace('recordings = ["case.mp4"]', 'recordings = '
        '["case.mp4", "more.mp4"]\nstarts = ["0:00", "0:10"]'), encoding="utf-8")  # fmt: skip
    assert main(["run", str(here / "parts.toml"), str(here / "case.mp4")]) == 2
    assert "2 starts" in capsys.readouterr().err
