"""The README and the guide are held to the code: commands, problem codes, examples."""

import ast
import importlib
import re
import shlex
import sys
import tomllib
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import click
import pytest

from vidseg.cli import COMMANDS, door, main
from vidseg.cli.guide import TOPICS, page_text
from vidseg.cli.library import COMMANDS as LIBRARY_COMMANDS
from vidseg.formats import FORMATS
from vidseg.formats.case_file import read_case
from vidseg.formats.case_table import read_case_rows, read_case_table
from vidseg.model.problem import CODES, GUIDE

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = {"README": README} | {topic: page_text(topic) for topic in TOPICS}
SPOKEN_OF = {
    "marking": ("mark",),
    "drafting": ("draft", "transcribe"),
    "sharing": ("deidentify",),
    "batches": ("batch", "library add"),
    "library": tuple(f"library {name}" for name in LIBRARY_COMMANDS),
    "formats": ("run", "durations"),
    "problems": ("run", "check"),
    "media": ("clips", "inspect", "audit"),
}
"""The commands to which the bare options of a page belong; of a page not named here, any."""
FENCE = re.compile(r"^ *```(\w*)\n(.*?)^ *```", re.MULTILINE | re.DOTALL)
OTHER_PROGRAMS = ("python3", "py", "pip", "dask")


def fenced(language: str, *pages: str) -> list[str]:
    return [
        re.sub(r"^ +", "", block, flags=re.MULTILINE) if not language else block
        for page in pages
        for own, block in FENCE.findall(PAGES[page])
        if own == language
    ]


def spans(page: str) -> list[str]:
    """Give what stands in backticks in the running text and the tables of a page."""
    return [
        span.replace("\\|", "|") for span in re.findall(r"`([^`]+)`", FENCE.sub("", PAGES[page]))
    ]


def shown(page: str) -> Iterator[str]:
    """Give every whole command that a page shows."""
    lines = [line for block in fenced("", page) for line in block.splitlines()]
    for text in (*spans(page), *lines):
        if text.startswith("vidseg "):
            yield " ".join(text.split())


def found(name: str, table: dict[str, tuple[str, str]] = COMMANDS) -> click.Command:
    module, _, attribute = table[name][0].partition(":")
    command = getattr(importlib.import_module(module), attribute)
    assert isinstance(command, click.Command)
    return command


def named(words: list[str]) -> tuple[click.Command, list[str]]:
    """Give the command that words begin with, and the words after its name."""
    if words[0] == "library" and len(words) > 1:
        return found(words[1], LIBRARY_COMMANDS), words[2:]
    return found(words[0]), words[1:]


def options(command: str) -> set[str]:
    return {
        option
        for parameter in named(command.split())[0].params
        if isinstance(parameter, click.Option)
        for option in parameter.opts
    }


def parse(text: str) -> None:
    """Parse a command as the program would, with something for its placeholders.

    A name alone is a mention. Raises KeyError, ValueError or click.UsageError.
    """
    plain = re.sub(r"[\[\]]", "", text)
    plain = plain.replace("PURPOSE", "teaching").replace("TOPIC", TOPICS[0])
    words = shlex.split(plain, comments=True)[1:]
    while words[0] in DOOR_OPTIONS:
        words.pop(0)
    command, rest = named(words)
    if rest:
        command.make_context(command.name, rest)


DOOR_OPTIONS = {
    option for parameter in door.params if parameter.name == "group_readable"
    for option in parameter.opts
}  # fmt: skip
EVERY_OPTION = frozenset[str]().union(
    DOOR_OPTIONS,
    *(options(name) for name in COMMANDS if name != "library"),
    *(options(f"library {name}") for name in LIBRARY_COMMANDS),
)


@pytest.mark.parametrize("page", PAGES)
def test_every_command_shown_is_one_that_the_program_takes(page: str) -> None:
    for text in shown(page):
        try:
            parse(text)
        except (KeyError, ValueError, click.UsageError) as error:
            pytest.fail(f"{page} shows {text!r}: {error!r}")


@pytest.mark.parametrize(
    "text",
    [
        "vidseg chekc steps.csv",
        "vidseg check steps.csv --recoding case.mp4",
        "vidseg batch list.csv",
        "vidseg library drations --surgeon S1",
        "vidseg deidentify case.toml --for fun --out shared",
    ],
)
def test_a_command_that_the_program_does_not_take_would_be_noticed(text: str) -> None:
    with pytest.raises((KeyError, click.UsageError)):
        parse(text)


@pytest.mark.parametrize("page", PAGES)
def test_options_that_stand_alone_exist(page: str) -> None:
    own = frozenset[str]().union(*map(options, SPOKEN_OF.get(page, ()))) or EVERY_OPTION
    for span in spans(page):
        asked = re.findall(r"(?<![\w-])--[a-z][a-z-]*", span)
        first = span.split()[0] if asked else ""
        if first.startswith("--"):
            assert set(asked) <= own | {"--help"}, (page, span)
        elif first in COMMANDS:
            assert set(asked) <= options(span), (page, span)
        elif first in LIBRARY_COMMANDS:
            assert set(asked) <= options(f"library {first}"), (page, span)


def test_blocks_hold_commands_or_tables_that_are_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tables = {}
    for block in fenced("", *PAGES):
        first = block.split(",")[0] if "," in block.splitlines()[0] else ""
        if re.fullmatch(r"[a-z]+", first):
            tables[first] = tmp_path / f"{first}.csv"
            tables[first].write_text(block, encoding="utf-8")
            continue
        for line in block.splitlines():
            assert line.split()[0] in ("vidseg", *OTHER_PROGRAMS), line
    assert sorted(tables) == ["case", "recording", "start"]
    assert main(["check", str(tables["start"]), "--length", "11:20"]) == 0
    assert "6 visits to 4 steps" in capsys.readouterr().err
    (case,) = read_case_table(tables["case"])
    assert (case.case, dict(case.facts.covariates)) == ("2031-014", {"pupil_mm": "4.5"})
    rows, faults = read_case_rows(tables["recording"], ("recording",))
    assert not faults
    assert [row.recording for row in rows] == ["march/a.mp4", "march/b1.mp4|march/b2.mp4"]


def test_the_case_file_shown_is_read(tmp_path: Path) -> None:
    text = "\n".join(fenced("toml", *PAGES))
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    for name in ("part1.mp4", "steps.csv", "talk.vtt"):
        (tmp_path / name).write_bytes(b"")
    case = read_case(tmp_path / "case.toml")
    assert case.id == "2031-014"
    assert len(case.edits) == 4
    assert dict(case.covariates) == {"pupil_mm": "4.5", "nucleus_grade": "3"}
    assert case.consent is not None


def test_python_shown_can_be_read() -> None:
    blocks = fenced("python", *PAGES)
    assert blocks
    for block in blocks:
        ast.parse(block)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_stands_in_the_readme(name: str) -> None:
    assert re.search(rf"`(vidseg )?{name}\b", README)


@pytest.mark.parametrize("name", LIBRARY_COMMANDS)
def test_every_command_of_the_library_stands_in_the_readme(name: str) -> None:
    table = README[README.index("## Commands") :]
    assert re.search(rf"^\| `vidseg library [^|]*\b{name}\b", table, re.MULTILINE)


def test_every_format_stands_in_the_readme_and_in_the_guide() -> None:
    for page in ("README", "formats"):
        table = re.findall(r"^\| (`.*?) \|", PAGES[page], re.MULTILINE)
        assert set(FORMATS) <= {
            suffix for cell in table for suffix in re.findall(r"`(\.\w+)`", cell)
        }


def test_every_problem_code_stands_in_the_guide_with_severity_and_meaning() -> None:
    rows = re.findall(r"^\| `([a-z-]+)` \| (\w+) \| (.+) \|$", PAGES["problems"], re.MULTILINE)
    assert {code: (severity, meaning) for code, severity, meaning in rows} == {
        code: (severity.value, meaning) for code, (severity, meaning) in CODES.items()
    }


def test_the_guide_says_of_every_problem_what_to_do_or_where_more_is_said() -> None:
    advice, _, elsewhere = (
        PAGES["problems"].partition("## What to do")[2].partition("**Told on other pages:**")
    )
    assert set(re.findall(r"`([a-z]+(?:-[a-z]+)+)`", advice)) == set(CODES) - set(GUIDE)
    told = {
        code: page
        for part, page in re.findall(r"([^;]*?) in \[\w+\]\((\w+)\.md\)", elsewhere)
        for code in re.findall(r"`([a-z-]+)`", part)
    }
    assert told == GUIDE


def test_codes_point_to_pages_that_are_there() -> None:
    assert set(GUIDE) <= set(CODES)
    assert set(GUIDE.values()) <= set(TOPICS)


def test_problems_name_the_page_that_says_more_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    steps = tmp_path / "steps.csv"
    steps.write_text("start,end,step\n0:01,0:02,plumbing\n0:01,0:02,plumbing\n", "utf-8")
    assert main(["check", str(steps), "--length", "0:10"]) == 1
    assert capsys.readouterr().err.count("more on these: vidseg guide problems") == 1
    main(["check", str(steps), "--length", "0:10", "--quiet"])
    assert "more on these" not in capsys.readouterr().err
    library = ["--library", str(tmp_path / "cases.sqlite")]
    other = tmp_path / "other.csv"
    other.write_bytes(steps.read_bytes())
    assert main(["library", "add", str(steps), str(other), *library]) == 1
    err = capsys.readouterr().err
    assert err.count("not added") == 3
    assert err.count("more on these") == 1


def test_the_guide_is_listed_and_shown(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main(["guide"]) == 0
    listed = capsys.readouterr().out
    for topic in TOPICS:
        title = PAGES[topic].splitlines()[0]
        assert title.startswith("# ")
        assert f"vidseg guide {topic:9}  {title.removeprefix('# ')}" in listed
    assert main(["guide", "sharing"]) == 0
    assert capsys.readouterr().out == PAGES["sharing"]
    assert main(["guide", "shering"]) == 2
    assert "did you mean 'sharing'?" in capsys.readouterr().err
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    assert main(["guide", "sharing"]) == 0
    drawn = re.sub(r"\x1b\[[\d;]*m", "", capsys.readouterr().out)
    assert "Sharing a recording" in drawn
    assert "vidseg guide drafting" in drawn
    for mark in ("```", "](", "|---", "## "):
        assert mark not in drawn


def test_all_that_the_package_reads_is_packed() -> None:
    assert {path.name for path in files("vidseg").joinpath("guide").iterdir()} == {
        f"{topic}.md" for topic in TOPICS
    }
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    for package, patterns in settings["tool"]["setuptools"]["package-data"].items():
        home = ROOT / package
        packed = {path for pattern in patterns for path in home.glob(pattern)}
        data = {
            path
            for path in home.rglob("*")
            if path.is_file() and path.suffix != ".py" and "__pycache__" not in path.parts
        }
        assert data <= packed, data - packed


def test_the_house_stands_as_its_plan_says() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    for contract in settings["tool"]["importlinter"]["contracts"]:
        if contract["type"] != "layers":
            continue
        (house,) = contract["containers"]
        layers = [set(re.findall(r"\w+", layer)) for layer in contract["layers"]]
        head = "floor" if house == "vidseg" else f"room of `{house.partition('.')[2]}`"
        table = text[text.index(f"| {head} |") :].partition("\n\n")[0]
        # The first cell of a row names its rooms; what stands in brackets is a remark.
        cells = re.findall(r"^\| (`.*?) \|", table, re.MULTILINE)
        rooms = [re.findall(r"`([a-z]+)`", re.sub(r"\(.*?\)", "", cell)) for cell in cells]
        if head == "floor":
            rooms.reverse()
        listed = [room for row in rooms for room in row]
        assert sorted(listed) == sorted(room for layer in layers for room in layer)
        places = [next(n for n, layer in enumerate(layers) if room in layer) for room in listed]
        assert places == sorted(places), listed
    homes = [ROOT, ROOT / "vidseg", ROOT / "vidseg" / "measure"]
    for path in re.findall(r"`((?:\w+/)+\w+\.\w+)`", text):
        assert any((home / path).exists() for home in homes), path


def test_links_lead_somewhere() -> None:
    for page, folder in [("README", ROOT), *((topic, ROOT / "vidseg/guide") for topic in TOPICS)]:
        titles = re.findall(r"^#+ (.+)", FENCE.sub("", PAGES[page]), re.MULTILINE)
        anchors = {re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-") for title in titles}
        for link in re.findall(r"\]\(([^)]+)\)", PAGES[page]):
            if link.startswith("#"):
                assert link[1:] in anchors, (page, link)
            else:
                assert (folder / link).exists(), (page, link)


def test_the_two_set_up_commands_stand_in_the_readme_and_ci_runs_the_second() -> None:
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/vidseg demo" in README
    assert (
        "python3 -m venv .venv && .venv/bin/pip install '.[test]' && .venv/bin/python -m pytest"
        in README
    )
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "pip install -q '.[test]'" in run
    assert ".venv/bin/python -m pytest" in run
