"""The README and the guide are held to the code: commands, problem codes, examples."""

import ast
import importlib
import re
from importlib.resources import files
from pathlib import Path

import pytest

from vidseg.cli import COMMANDS, main
from vidseg.cli.guide import TOPICS, page_text
from vidseg.cli.library import COMMANDS as LIBRARY_COMMANDS
from vidseg.formats import FORMATS
from vidseg.formats.case_file import read_case
from vidseg.model.problem import CODES, GUIDE

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = {"README": README} | {topic: page_text(topic) for topic in TOPICS}


def fenced(language: str, *pages: str) -> list[str]:
    return [
        block
        for page in pages
        for block in re.findall(
            rf"^ *```{language}\n(.*?)^ *```", PAGES[page], re.MULTILINE | re.DOTALL
        )
    ]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_stands_in_the_readme(name: str) -> None:
    assert re.search(rf"`(vidseg )?{name}\b", README)


@pytest.mark.parametrize("name", LIBRARY_COMMANDS)
def test_every_command_of_the_library_stands_in_the_readme(name: str) -> None:
    table = README[README.index("## Commands") :]
    assert re.search(rf"^\| `vidseg library [^|]*\b{name}\b", table, re.MULTILINE)


def test_every_problem_code_stands_in_the_guide_with_severity_and_meaning() -> None:
    rows = re.findall(r"^\| `([a-z-]+)` \| (\w+) \| (.+) \|$", PAGES["problems"], re.MULTILINE)
    assert {code: (severity, meaning) for code, severity, meaning in rows} == {
        code: (severity.value, meaning) for code, (severity, meaning) in CODES.items()
    }


def test_codes_point_to_pages_that_are_there() -> None:
    assert set(GUIDE) <= set(CODES)
    assert set(GUIDE.values()) <= set(TOPICS)


def test_problems_name_the_page_that_says_more(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    steps = tmp_path / "steps.csv"
    steps.write_text("start,end,step\n0:01,0:02,plumbing\n0:01,0:02,plumbing\n", "utf-8")
    assert main(["check", str(steps), "--length", "0:10"]) == 1
    assert capsys.readouterr().err.count("more on these: vidseg guide problems") == 1
    main(["check", str(steps), "--length", "0:10", "--quiet"])
    assert "more on these" not in capsys.readouterr().err


def test_every_format_stands_in_the_readme() -> None:
    table = README[README.index("## Formats") : README.index("## What every number means")]
    for suffix in FORMATS:
        assert f"`{suffix}`" in table


def test_the_guide_is_listed_shown_and_packed(capsys: pytest.CaptureFixture[str]) -> None:
    packed = {path.name for path in files("vidseg").joinpath("guide").iterdir()}
    assert packed == {f"{topic}.md" for topic in TOPICS}
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


def test_links_lead_somewhere() -> None:
    for page, folder in [("README", ROOT), *((topic, ROOT / "vidseg/guide") for topic in TOPICS)]:
        for link in re.findall(r"\]\(([^)#]+)", PAGES[page]):
            assert (folder / link).exists(), (page, link)
    for text in PAGES.values():
        for topic in re.findall(r"vidseg guide ([a-z]+)", text):
            assert topic in TOPICS


def test_the_steps_shown_in_the_readme_are_sound(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (text,) = [block for block in fenced("", "README") if "start,end,step,note" in block]
    steps = tmp_path / "steps.csv"
    steps.write_text(re.sub(r"^ +", "", text, flags=re.MULTILINE), encoding="utf-8")
    assert main(["check", str(steps), "--length", "11:20"]) == 0
    assert "6 visits to 4 steps" in capsys.readouterr().err


def test_the_case_file_shown_is_read(tmp_path: Path) -> None:
    text = "\n".join(fenced("toml", "README", "formats", "sharing"))
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    for name in ("part1.mp4", "steps.csv", "talk.vtt"):
        (tmp_path / name).write_bytes(b"")
    case = read_case(tmp_path / "case.toml")
    assert case.id == "2031-014"
    assert len(case.edits) == 4
    assert dict(case.covariates) == {"pupil_mm": "4.5", "nucleus_grade": "3"}


def test_python_shown_can_be_read() -> None:
    blocks = fenced("python", *PAGES)
    assert blocks
    for block in blocks:
        ast.parse(block)


@pytest.mark.parametrize("page", PAGES)
def test_commands_and_options_named_exist(page: str) -> None:
    for command, rest in re.findall(r"vidseg ([a-z]+)\b([^`\n|]*)", PAGES[page]):
        if command not in COMMANDS:
            continue
        table = COMMANDS
        words = rest.split()
        if command == "library":
            if not words or words[0] not in LIBRARY_COMMANDS:
                continue
            table, command = LIBRARY_COMMANDS, words[0]
        module, _, name = table[command][0].partition(":")
        known = {
            option
            for parameter in getattr(importlib.import_module(module), name).params
            for option in parameter.opts
        } | {"--help"}
        assert set(re.findall(r"(?<![\w-])--?[a-z][a-z-]*", rest)) <= known, (command, rest)


def test_the_two_set_up_commands_stand_in_the_readme_and_ci_runs_the_second() -> None:
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/vidseg demo" in README
    assert (
        "python3 -m venv .venv && .venv/bin/pip install '.[test]' && .venv/bin/python -m pytest"
        in README
    )
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "pip install -q '.[test]'" in run
    assert ".venv/bin/python -m pytest" in run
