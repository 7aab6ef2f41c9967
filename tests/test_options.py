"""Every option of every command changes something, or is refused with a message.

Each option stands in ``TRIED`` with what it is given; an option that is not there fails. What it
is given beside, ``BASE`` of the command and ``BESIDE`` of the option, is run without it as well:
the difference is the option's. What a command says of its choice ("all", "step rhexis") does not
count. Only what stands in ``REFUSED`` may be answered with exit code 2, and with these words.
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

from synthetic_clips import Scenario, make_clip
from vidseg.cli import COMMANDS, main
from vidseg.cli.library import COMMANDS as LIBRARY_COMMANDS
from vidseg.formats.vocabulary import procedure_text
from vidseg.model.problem import UsageError
from vidseg.model.span import Span
from vidseg.model.transcript import HeardWord

pytestmark = pytest.mark.slow

NARRATION = Path(__file__).parent / "narration" / "complication.vtt"
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
side = "left"
date = "2031-05-13"
pupil_mm = 4.5

[consent]
teaching = "yes"
date = 2031-05-13
"""
PLAIN = """id = "plain"
recordings = ["silent.mp4"]
annotation = "bare.csv"

[consent]
teaching = "yes"
"""
"""A case of which next to nothing is told."""
PATIENTS = "patient,start,end,step\none,0,9,main incision\ntwo,1,8,capsulorhexis\n"
RUN = ("case.mp4", "steps.csv")
Given = tuple[str, ...]

ON_A_CASE: dict[str, Given] = {
    "--procedure": ("--procedure", "ours.toml"),
    "--out": ("--out", "elsewhere"),
    "--clock": ("--clock", "timecode"),
    "--despite-errors": ("--despite-errors",),
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
    "--step": ("--step", "hydrodissection"),
    "--surgeon": ("--surgeon", "S2"),
    "--role": ("--role", "trainee"),
    "--experience": ("--experience", "low"),
    "--date": ("--date", "2021..2022"),
    "--case-number": ("--case-number", "1..6"),
    "--covariate": ("--covariate", "nucleus_grade=4"),
    "--annotator": ("--annotator", "B"),
    "--complete-only": ("--complete-only",),
}
STUDY: dict[str, Given] = {
    **FILTERS,
    "--out": ("--out", "tables.csv"),
    "--library": ("--library", "none.sqlite"),
    "--json": ("--json",),
    "--quiet": ("--quiet",),
}
FEW = ("--step", "capsulorhexis", "--annotator", "A")

BASE: dict[str, Given] = {
    "demo": ("drawn",),
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
    "library compare": ("--by", "nucleus_grade", *FEW),
    "library agree": (),
    "library page": ("--out", "page.html", *FEW),
    "library export": ("--out", "tables"),
}
TRIED: dict[str, dict[str, Given]] = {
    "demo": {
        "--minutes": ("--minutes", "2"),
        "--library": ("--library",),
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
        "--rate": ("--rate", "0.1"),
        "--length": ("--length", "0:01"),
        "--clock": ("--clock", "timecode"),
        "--json": ("--json",),
        "--quiet": ("--quiet",),
    },
    "durations": {
        "--recording": ("--recording", "case.mp4"),
        "--procedure": ("--procedure", "ours.toml"),
        "--rate": ("--rate", "0.1"),
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
        "--blind": ("--blind",),
        "--library": ("--library", "cases.sqlite"),
        "--annotator": ("--annotator", "B"),
        "--no-browser": ("--no-browser",),
        "--port": ("--port", "50123"),
        "--clock": ("--clock", "timecode"),
        "--quiet": ("--quiet",),
    },
    "transcribe": {
        "--out": ("--out", "heard.srt"),
        "--language": ("--language", "xx"),
        "--model": ("--model", "nowhere"),
        "--download": ("--download", "nothing"),
        "--procedure": ("--procedure", "lap_chole"),
        "--word-times": ("--word-times",),
        "--force": ("--force",),
        "--quiet": ("--quiet",),
    },
    "draft": {
        "--procedure": ("--procedure", "msics"),
        "--recording": ("--recording", "case.mp4"),
        "--length": ("--length", "1:20"),
        "--to-changes": ("--to-changes",),
        "--library": ("--library", "cases.sqlite"),
        "--out": ("--out", "new.json"),
        "--measures": ("--measures", "values.csv"),
        "--usual-only": ("--usual-only",),
        "--spoken-only": ("--spoken-only",),
        "--surgeon": ("--surgeon", "S3"),
        "--transcribe": ("--transcribe",),
        "--explain": ("--explain",),
        "--force": ("--force",),
        "--json": ("--json",),
        "--quiet": ("--quiet",),
    },
    "deidentify": {
        "--for": ("--for", "research"),
        "--out": ("--out", "elsewhere"),
        "--mask": ("--mask", "0,0,32,32"),
        "--masks": ("--masks", "masks.csv"),
        "--excluded": ("--excluded", "cut"),
        "--looked": (),
        "--no-reading": ("--no-reading",),
        "--cut": ("--cut", "1.85-1.95"),
        "--blank": ("--blank", "0-0.1"),
        "--keep-only-steps": ("--keep-only-steps",),
        "--keep-sound": ("--keep-sound", "no word is spoken"),
        "--silence": ("--silence", "0-0.5"),
        "--transcribe": ("--transcribe",),
        "--silence-heard": ("--silence-heard",),
        "--keep-captions": ("--keep-captions",),
        "--keep-notes": ("--keep-notes",),
        "--allow": ("--allow", "Mr Hopkins"),
        "--coarsen": ("--coarsen", "age=10"),
        "--leave-out": ("--leave-out", "age"),
        "--library": ("--library", "cases.sqlite"),
        "--since": ("--since", "2031-05-01"),
        "--keep-surgeon": ("--keep-surgeon",),
        "--id": ("--id", "teaching-one"),
        "--captions": ("--captions", "other.vtt"),
        "--quality": ("--quality", "40"),
        "--reencode": ("--reencode",),
        "--procedure": ("--procedure", "msics"),
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
        "--case-column": ("--case-column", "patient"),
        "--case": ("--case", "own-name"),
        "--annotator": ("--annotator", "B"),
        "--procedure": ("--procedure", "msics"),
        "--rate": ("--rate", "0.1"),
        "--length": ("--length", "0:20"),
        "--despite-errors": ("--despite-errors",),
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
        "--window": ("--window", "3"),
        "--bin-size": ("--bin-size", "4"),
        "--confidence": ("--confidence", "0.8"),
        "--target": ("--target", "0:40"),
        "--spread": ("--spread", "0.5"),
        "--fail-above": ("--fail-above", "0:50"),
        "--acceptable": ("--acceptable", "0.2"),
        "--margin": ("--margin", "0.3"),
        "--reference": ("--reference", "role=consultant"),
    },
    "library compare": {
        **STUDY,
        "--by": ("--by", "role"),
        "--group": ("--group", "2", "--group", "3"),
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
AS_RUN = ("run", "chapters", "clips", "stills", "page")
BESIDE: dict[tuple[str, str], Given] = {
    **{(command, "--despite-errors"): ("bad.csv",) for command in (*AS_RUN, "library add")},
    **{(command, "--rate"): ("frames.csv",) for command in ("check", "durations", "library add")},
    ("mark", "--clock"): ("--annotation", "steps.csv"),
    ("transcribe", "--force"): ("--out", "talk.vtt"),
    ("draft", "--surgeon"): ("--library", "cases.sqlite"),
    ("draft", "--force"): ("--out", "draft.json"),
    ("deidentify", "--excluded"): ("steps-pause.csv",),
    ("deidentify", "--silence"): ("--keep-sound", "no word is spoken"),
    ("deidentify", "--transcribe"): ("--keep-sound", "no word is spoken"),
    ("deidentify", "--silence-heard"): ("--keep-sound", "as planned", "--transcribe"),
    ("deidentify", "--allow"): ("--keep-notes",),
    ("deidentify", "--captions"): ("--keep-captions",),
    ("deidentify", "--quality"): ("--reencode",),
    ("audit", "--procedure"): ("--annotation", "steps.csv"),
    ("library add", "--case-column"): ("patients.csv",),
    ("library curve", "--window"): ("--json",),
    ("library curve", "--spread"): ("--target", "0:40"),
    ("library curve", "--acceptable"): ("--fail-above", "0:50"),
    ("library curve", "--margin"): ("--fail-above", "0:50"),
}
"""What an option needs beside it; what it does without stands in ``ALONE``."""
NO_CASE = "no case in the library is meant by"
REFUSED: dict[tuple[str, str], str] = {
    **{(command, "--clock"): "needs the --recording" for command in ("check", "durations")},
    **{
        (f"library {command}", "--library"): "there is no library none.sqlite"
        for command in LIBRARY_COMMANDS
        if command != "add"
    },
    **{
        (f"library {command}", "--procedure"): NO_CASE
        for command in ("durations", "curve", "compare", "page", "export")
    },
    ("transcribe", "--model"): "nowhere is no model",
    ("transcribe", "--download"): "nothing",
    ("draft", "--to-changes"): "--to-changes needs the --recording",
    ("draft", "--transcribe"): "in place of CAPTIONS",
    ("deidentify", "--no-reading"): "nothing is read anyhow",
    ("deidentify", "--for"): "whether the patient agreed to research",
    ("convert", "--force"): "--force replaces it",
    ("batch", "--scheduler"): "no scheduler answers",
    ("library list", "--step"): "leave --step out",
    ("library agree", "--step"): "leave --step out",
    ("library agree", "--procedure"): "no case has two annotators",
    ("library agree", "--annotator"): "no case has two annotators",
    ("library compare", "--covariate"): "two different groups",
}
ALONE: dict[Given, str] = {
    ("demo", "--library", "--minutes", "2"): "--minutes is for a recording",
    ("check", "steps.csv", "--rate", "25"): "--rate is for times in frames",
    ("durations", "steps.csv", "--rate", "25"): "--rate is for times in frames",
    ("durations", "steps.csv", "--length", "0"): "above 0",
    ("durations", "frames.csv", "--recording", "case.mp4", "--rate", "25"): "--recording or --rate",
    ("durations", "steps.csv", "--recording", "case.mp4", "--length", "9"): "or --length",
    ("run", "case.mp4", "--clock", "timecode"): "chapters are on the file's own clock",
    ("mark", "case.mp4", "--blind", "--second", "steps.csv"): "leave --second out",
    ("mark", "case.mp4", "steps.csv", "--annotation", "new.json"): "one annotation is expected",
    ("mark", "case.toml", "--transcribe"): "for a case without captions",
    ("transcribe", "--download", "tiny", "--language", "de"): "--language is for a recording",
    ("transcribe", "case.mp4", "--out", "heard.srt", "--word-times"): "only .vtt",
    ("draft", "narration.vtt", "--surgeon", "S3"): "--surgeon chooses cases of a --library",
    ("draft", "narration.vtt", "--force"): "--force is for files",
    ("draft", "narration.vtt", "--json", "--explain"): "--explain prints text",
    ("draft", "--length", "9:00", "--explain"): "--explain is for CAPTIONS",
    ("audit", "case.mp4", "--procedure", "msics"): "--procedure needs an --annotation",
    ("batch", "list.csv", "--out", "n", "--jobs", "2", "--local-cluster", "2"): "give one of them",
    ("batch", "list.csv", "--out", "n", "--only", "stills", "--pad", "1"): "--pad shapes clips",
    ("batch", "list.csv", "--out", "n", "--only", "page", "--step", "iol"): "chooses clips and",
    ("library", "add", "case.toml", "--rate", "25"): "--rate cannot hold for case.toml",
    ("library", "add", "made", "--procedure", "msics"): "run it again",
    ("library", "add", "draft.json", "--case-column", "patient"): "--case-column cannot hold",
    ("library", "add", "steps.csv", "bad.csv", "--length", "9"): "that of a single recording",
    ("library", "curve", "--spread", "0.5"): "--spread is for --target",
    ("library", "curve", "--margin", "0.2"): "--margin is for --fail-above",
    ("library", "curve", "--window", "3"): "--window shapes the moving median",
    ("library", "durations", "--percentile", "33"): "--percentile adds columns",
    ("library", "export", "--partition", "--out", "tables.csv"): "--partition writes a folder",
    **{
        ("deidentify", *BASE["deidentify"], *given): words
        for given, words in {
            ("--masks", "none.csv"): "there is no rectangle in it",
            ("--mask", "0,0,9,9@1:00-2:00"): "--mask: no footage",
            ("--cut", "1:00-2:00"): "--cut: no footage",
            ("--silence", "0-1"): "--silence goes with --keep-sound",
            ("--silence-heard",): "give both",
            ("--keep-captions", "plain.toml"): "--keep-captions: the case has no captions",
            ("--keep-surgeon", "plain.toml"): "--keep-surgeon: the case has no surgeon",
            ("--keep-notes", "plain.toml"): "--keep-notes: the case has no notes",
            ("--keep-sound", "it is silent", "plain.toml"): "--keep-sound: the case has no sound",
            ("--library", "cases.sqlite", "plain.toml"): "nothing is told",
            ("--allow", "Hopkins"): "nothing that goes into the copy",
            ("--coarsen", "age=10", "--leave-out", "age"): "choose one",
            ("--coarsen", "side=10"): "is no number",
            ("--coarsen", "date=10"): "see --since",
            ("--since", "2031-05-01", "plain.toml"): "--since needs the day",
        }.items()
    },
}
"""Options without what they need, or with what makes them idle, and what is said of it."""
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
    """Stands for the recogniser: hears some words in all sound."""

    def __init__(self, model: Path, language: str | None, hints: str, threads: int) -> None:
        self.language = language or "en"
        self.said = ("Good", hints.split()[0] if hints else "nothing", "Mr", "Hopkins")

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
    make_clip(folder / "silent.mp4", frames=50, size=(128, 96), gop=25, audio=False)
    (folder / "model").mkdir()
    (folder / "model" / "model.bin").touch()
    texts = {
        "steps.csv": STEPS,
        "steps-pause.csv": STEPS + "0:01.84,0:01.96,pause,\n",
        "bad.csv": STEPS + "0:01.9,0:01.95,plumbing,\n",
        "talk.vtt": CAPTIONS,
        "other.vtt": OTHER_CAPTIONS,
        "case.toml": CASE,
        "ours.toml": procedure_text("phaco").replace('name = "', 'name = "Our own ', 1),
        "frames.csv": "frame,step\n2,main incision\n10,capsulorhexis\n20,end\n",
        "narration.vtt": NARRATION.read_text(encoding="utf-8"),
        "masks.csv": "x,y,width,height\n0,0,32,32\n",
        "none.csv": "x,y,width,height\n",
        "patients.csv": PATIENTS,
        "bare.csv": "start,end,step\n0:00.2,0:00.8,main incision\n",
        "plain.toml": PLAIN,
        "cases.csv": "case,length,surgeon\nsteps,0:30,S9\n",
        "list.csv": "case,recording,annotation\none,case.mp4,steps.csv\n",
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    assert main(["convert", str(folder / "steps.csv"), str(folder / "draft.json"), "--quiet"]) == 0
    page = ["page", str(folder / "case.mp4"), str(folder / "steps.csv")]
    assert main([*page, "--out", str(folder / "made"), "--quiet"]) == 0
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

    import synthetic_clips
    from vidseg.cli import demo, mark
    from vidseg.library.filters import Filter
    from vidseg.speech import captions_file, models

    monkeypatch.setenv("VIDSEG_LIBRARY", "cases.sqlite")
    monkeypatch.setattr(webbrowser, "open", lambda address: True)
    heard: list[str] = []

    def shown(session: Any, hub: Any, port: int, *, no_browser: bool, quiet: bool) -> int:
        """Stands for the page: what it would be told, and how it would be served."""
        state = repr(session.keeper.rows)
        heard.append(f"{port} {no_browser} {quiet} {session.keeper.facts} {session.blind} {state}")
        heard.append(f"{session.usual} {session.captions} {session.second} {session.keeper.desk}")
        session.keeper.close()
        return 0

    def drawn(scenario: Scenario, path: Path, **_: Any) -> None:
        heard.append(f"drawn: {path.name}, {scenario.length} ns")

    def made_of(request: Any, kind: str, options: Any, **_: Any) -> int:
        heard.append(f"{request} {kind} {options}")
        return 0

    monkeypatch.setattr(synthetic_clips, "draw_operation", drawn)
    monkeypatch.setattr(demo, "make", made_of)
    monkeypatch.setattr(Filter, "words", lambda self: "this choice")
    monkeypatch.setattr(mark, "_run", shown)
    monkeypatch.setattr(captions_file, "Recogniser", Hearer)
    monkeypatch.setattr(models, "require_engine", lambda: None)
    for module in (models, captions_file):
        monkeypatch.setattr(module, "find_model", partial(named_model, made))
    runs = iter(range(100))

    def run(command: str, given: Given) -> tuple[Any, ...]:
        folder = tmp_path / f"{next(runs)}" / "here"
        shutil.copytree(made, folder)
        before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
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
        changing = command in ("library add", "library remove", "batch")
        for base in folder.glob("*.sqlite") if changing else ():
            with contextlib.redirect_stdout(io.StringIO()) as listed:
                main(["library", "durations", "--library", base.name, "--json"])
                main(["library", "list", "--library", base.name, "--json"])
            bases[base.name] = listed.getvalue()
        return code, told, files, bases, [text.replace(str(folder), "here") for text in heard]

    return run


def joined(before: Given, more: Given) -> Given:
    """What a command is given with ``more``, less what is in its way."""
    base = list(before)
    for name in [word for word in more if word.startswith("--")]:
        if name in base:
            place = base.index(name)
            flag = place + 1 >= len(base) or base[place + 1].startswith("--")
            del base[place : place + (1 if flag else 2)]
    if more and more[0].endswith(".csv"):
        if "steps.csv" in base:
            base.remove("steps.csv")
        place = next((at for at, word in enumerate(base) if word.startswith("--")), len(base))
        return (*base[:place], *more[:1], *base[place:], *more[1:])
    return (*base, *more)


def given_for(command: str, option: str) -> tuple[Given, Given]:
    """What a command is given without the option, and with it."""
    base = joined(BASE[command], BESIDE.get((command, option), ()))
    if (command, option) == ("batch", "--scheduler"):
        base = base[: base.index("--jobs")]
    if not TRIED[command][option]:  # a flag that the command is given anyway
        return base, tuple(word for word in base if word != option)
    return base, joined(base, TRIED[command][option])


def test_the_table_knows_every_option_and_no_other() -> None:
    known = {(name, option) for name, tried in TRIED.items() for option in tried} - HARDLY
    assert known | ELSEWHERE == set(OPTIONS)
    assert not known & ELSEWHERE
    assert set(BASE) == {name for name, _ in commands()}


KNOWN: dict[tuple[str, Given], tuple[Any, ...]] = {}


@pytest.mark.parametrize(("command", "option"), [pair for pair in OPTIONS if pair not in ELSEWHERE])
def test_an_option_changes_something_or_is_refused(
    command: str, option: str, observe: Callable[..., tuple[Any, ...]]
) -> None:
    without, given = given_for(command, option)
    if (command, without) not in KNOWN:
        KNOWN[command, without] = observe(command, without)
        if without == BASE[command]:
            assert observe(command, without) == KNOWN[command, without], "not the same twice"
    base, with_it = KNOWN[command, without], observe(command, given)
    assert with_it != base
    code, (_, told), *_ = with_it
    words = REFUSED.get((command, option))
    assert (code == 2) == (words is not None), told
    assert (words or "") in told
    assert "Traceback" not in told


@pytest.mark.parametrize("given", ALONE, ids=" ".join)
def test_an_option_that_cannot_act_is_refused(
    given: Given, observe: Callable[..., tuple[Any, ...]]
) -> None:
    command, rest = given[0], given[1:]
    if "plain.toml" in given:
        rest = tuple(word for word in rest if word not in ("case.toml", "plain.toml"))
        rest = ("plain.toml", *rest)
    code, (_, told), files, *_ = observe(command, rest)
    assert code == 2, told
    assert ALONE[given] in " ".join(told.split())
    assert not files, "refused, and yet something was written"


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
