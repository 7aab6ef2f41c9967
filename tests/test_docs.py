"""The README is held to the code: commands, problem codes, examples."""

import re
from pathlib import Path

import pytest

from vidseg.cli import COMMANDS, main
from vidseg.cli.library import COMMANDS as LIBRARY_COMMANDS
from vidseg.formats import FORMATS
from vidseg.model.problem import CODES

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def fenced(language: str) -> list[str]:
    return re.findall(rf"^ *```{language}\n(.*?)^ *```", README, re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_stands_in_the_readme(name: str) -> None:
    assert re.search(rf"`(vidseg )?{name}\b", README)


@pytest.mark.parametrize("name", LIBRARY_COMMANDS)
def test_every_command_of_the_library_stands_in_the_readme(name: str) -> None:
    table = README[README.index("## Commands") :]
    assert re.search(rf"^\| `vidseg library [^|]*\b{name}\b", table, re.MULTILINE)


def test_every_problem_code_stands_in_the_readme_with_severity_and_meaning() -> None:
    rows = re.findall(r"^\| `([a-z-]+)` \| (\w+) \| (.+) \|$", README, re.MULTILINE)
    assert {code: (severity, meaning) for code, severity, meaning in rows} == {
        code: (severity.value, meaning) for code, (severity, meaning) in CODES.items()
    }


def test_every_format_stands_in_the_readme() -> None:
    table = README[README.index("## Formats") : README.index("## What every number means")]
    for suffix in FORMATS:
        assert f"`{suffix}`" in table


def test_the_steps_shown_in_the_readme_are_sound(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (text,) = [block for block in fenced("") if "start,end,step,note" in block]
    steps = tmp_path / "steps.csv"
    steps.write_text(re.sub(r"^ +", "", text, flags=re.MULTILINE), encoding="utf-8")
    assert main(["check", str(steps), "--length", "11:20"]) == 0
    assert "6 visits to 4 steps" in capsys.readouterr().err


def test_the_case_file_shown_in_the_readme_is_read(tmp_path: Path) -> None:
    from vidseg.formats.case_file import read_case

    text = "\n".join(fenced("toml"))
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    for name in ("part1.mp4", "steps.csv", "talk.vtt"):
        (tmp_path / name).write_bytes(b"")
    case = read_case(tmp_path / "case.toml")
    assert case.id == "2031-014"
    assert len(case.edits) == 4
    assert dict(case.covariates) == {"pupil_mm": "4.5", "nucleus_grade": "3"}


def test_options_named_in_the_readme_exist() -> None:
    import importlib

    for line in re.findall(r"vidseg ([a-z]+) ([^`\n]*--[^`\n]*)", README):
        command, rest = line
        if command not in COMMANDS:
            continue
        table = COMMANDS
        if command == "library":
            table, command = LIBRARY_COMMANDS, rest.split()[0].strip("`")
        module, _, name = table[command][0].partition(":")
        known = {
            option
            for parameter in getattr(importlib.import_module(module), name).params
            for option in parameter.opts
        } | {"--help"}
        assert set(re.findall(r"--[a-z-]+", rest)) <= known, line


def test_the_two_set_up_commands_stand_in_the_readme_and_ci_runs_the_second() -> None:
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/vidseg demo" in README
    assert (
        "python3 -m venv .venv && .venv/bin/pip install '.[test]' && .venv/bin/python -m pytest"
        in README
    )
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "pip install -q '.[test]'" in run
    assert ".venv/bin/python -m pytest" in run
