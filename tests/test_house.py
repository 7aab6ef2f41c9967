"""The house holds: floors, third-party doors, problem codes, nothing stray at the top."""

import importlib.util
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from vidseg.model.problem import CODES

ROOT = Path(__file__).resolve().parents[1]
SOURCES = sorted((ROOT / "vidseg").rglob("*.py"))
# Codes that speak of a recording or an output, not of an annotation file.
NOT_OF_ANNOTATIONS = {
    "chapters-not-joined",
    "doubtful-clock",
    "identifying-metadata",
    "identifying-text",
    "in-inserted-material",
    "joined-without-clock",
    "parts-overlap",
    "poor-still",
    "unexplained-finding",
    "unknown-removal",
}


def test_import_contracts() -> None:
    if importlib.util.find_spec("importlinter") is None:
        pytest.skip("import-linter is not installed")
    command = shutil.which("lint-imports", path=str(Path(sys.executable).parent)) or "lint-imports"
    done = subprocess.run(
        [command, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_code_is_used_and_every_used_code_is_listed() -> None:
    text = "\n".join(path.read_text(encoding="utf-8") for path in SOURCES)
    quoted = set(re.findall(r'"([a-z]+(?:-[a-z]+)+)"', text))
    listing = (ROOT / "vidseg" / "model" / "problem.py").read_text(encoding="utf-8")
    elsewhere = set(re.findall(r'"([a-z]+(?:-[a-z]+)+)"', text.replace(listing, "")))
    assert set(CODES) <= elsewhere, set(CODES) - elsewhere
    made = set(re.findall(r'Problem\.of\(\s*"([a-z-]+)"', text))
    assert made <= set(CODES) <= quoted


def test_problems_take_their_severity_from_their_code() -> None:
    for path in SOURCES:
        if path.name != "problem.py":
            assert not re.search(r"\bProblem\(", path.read_text(encoding="utf-8")), path


def test_each_code_has_a_broken_example_and_each_example_a_code() -> None:
    examples = {path.stem for path in (ROOT / "annotations" / "broken").iterdir()}
    assert examples == set(CODES) - NOT_OF_ANNOTATIONS


def test_top_level_holds_nothing_stray() -> None:
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split("\n")
    top = {name.split("/")[0] for name in listed if name}
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "vidseg",
        "annotations",
        "tests",
        "synthetic_clips",
    }
    assert {name for name in top if not name.startswith(".")} <= allowed


def test_heavy_libraries_are_not_imported_by_help() -> None:
    code = (
        "import sys; from vidseg.cli import main; main(['--help']); "
        "print(sorted({'av','cv2','numpy','pydantic','rich','PIL','jinja2','pandas','scipy','matplotlib',"
        "'sqlalchemy','alembic','pyarrow','starlette','uvicorn','distributed'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONUTF8": "1"},
    )
    assert done.stdout.strip().endswith("[]"), done.stdout[-200:]
