"""The house holds: floors, third-party doors, problem codes, nothing stray at the top."""

import ast
import importlib.util
import os
import re
import shutil
import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

from vidseg.model.problem import CODES

ROOT = Path(__file__).resolve().parents[1]
SOURCES = sorted((ROOT / "vidseg").rglob("*.py"))
# Codes that speak of a recording or an output, not of an annotation file.
NOT_OF_ANNOTATIONS = {
    "chapters-not-joined",
    "damaged-clip",
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

# Called from outside: by Dask, click, pydantic, uvicorn, alembic; formats are found by suffix.
# The last four are parts of statistics that tests compare with published values.
CALLED_FROM_OUTSIDE = {
    "vidseg.cli.guide.Topic.shell_complete",
    *(f"vidseg.cli.door.Door.{name}" for name in ("list_commands", "get_command")),
    "vidseg.batch.processes.dask_setup",
    "vidseg.cli.door.Door.format_commands",
    "vidseg.formats.schema.Strict.model_config",
    "vidseg.mark.serve.Server.capture_signals",
    "vidseg.cohort.changes.Changes.penalty",
    "vidseg.cohort.competence.Competence.failures",
    "vidseg.cohort.competence.Limit.power",
    "vidseg.cohort.survival.Survival.at_risk",
    "vidseg.cohort.trend.Trend.variance",
}
# What the draft's weights are learned and judged by, in tests/bench.
FOR_BENCHES = {
    "vidseg.measure.draft.effort.effort",
    "vidseg.measure.draft.reader.packed",
}
MIGRATION = re.compile(
    r"vidseg\.library\.migrations\.versions\.\w+\.(revision|down_revision|upgrade)"
)
FORMAT = re.compile(r"vidseg\.formats\.\w+\.(read|write)")


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


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


TREES = {module_of(path): ast.parse(path.read_text(encoding="utf-8")) for path in SOURCES}
Definition = ast.stmt


def defined(body: list[ast.stmt]) -> Iterator[tuple[str, Definition]]:
    """The names that statements define, also under ``if``; no imports."""
    for statement in body:
        if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield statement.name, statement
        elif isinstance(statement, ast.If):
            yield from defined([*statement.body, *statement.orelse])
        elif isinstance(statement, ast.Assign | ast.AnnAssign):
            targets = statement.targets if isinstance(statement, ast.Assign) else [statement.target]
            for part in (part for target in targets for part in ast.walk(target)):
                if isinstance(part, ast.Name):
                    yield part.id, statement


def types(module: str) -> Iterator[str]:
    """Public classes, those within public ones too, and names for types (``Box = tuple[…]``)."""
    bodies = [TREES[module].body]
    for body in bodies:
        for name, statement in defined(body):
            if name.startswith("_"):
                continue
            if isinstance(statement, ast.ClassDef):
                bodies.append(statement.body)
                yield name
            elif (
                body is TREES[module].body
                and re.fullmatch(r"[A-Z]\w*[a-z]\w*", name)
                and not isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef)
            ):
                yield name


def test_a_type_has_a_name_of_its_own() -> None:
    homes = defaultdict(list)
    for module in TREES:
        for name in types(module):
            homes[name].append(module)
    assert {name: found for name, found in homes.items() if len(found) > 1} == {}


def uses() -> tuple[set[str], set[str]]:
    """What is used: names of modules in full, and every word that may name a member."""
    full: set[str] = set()
    words: set[str] = set()
    for module, tree in TREES.items():
        own = dict(defined(tree.body))
        modules: dict[str, str] = {}
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                for name in node.names:
                    whole = f"{node.module}.{name.name}"
                    if whole in TREES:
                        modules[name.asname or name.name] = whole
                    else:
                        full.add(whole)
            elif isinstance(node, ast.Attribute):
                words.add(node.attr)
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                words.add(node.value)
                full.add(node.value.replace(":", "."))  # "vidseg.cli.demo:command"
        for node in ast.walk(tree):
            if (
                isinstance(node, ast.Attribute)
                and isinstance(node.value, ast.Name)
                and node.value.id in modules
            ):
                full.add(f"{modules[node.value.id]}.{node.attr}")
        for statement in tree.body:
            inside = {name for name, place in own.items() if place is statement}
            full |= {
                f"{module}.{node.id}"
                for node in ast.walk(statement)
                if isinstance(node, ast.Name)
                and isinstance(node.ctx, ast.Load)
                and node.id not in inside
            }
    for page in (ROOT / "vidseg" / "assets").iterdir():
        words |= set(re.findall(r"\w+", page.read_text(encoding="utf-8")))
    return full, words


def test_what_is_public_is_used_by_the_program() -> None:
    """Not only by tests: a function, class or constant by its module, a member by its name."""
    full, words = uses()
    idle: set[str] = set()
    for module, tree in TREES.items():
        for name, statement in defined(tree.body):
            whole = f"{module}.{name}"
            if not name.startswith("_") and whole not in full:
                idle.add(whole)
            if isinstance(statement, ast.ClassDef):
                idle |= {
                    f"{whole}.{member}"
                    for member, _ in defined(statement.body)
                    if not member.startswith("_") and member not in words
                }
    called = {name for name in idle if MIGRATION.fullmatch(name) or FORMAT.fullmatch(name)}
    assert idle - called == CALLED_FROM_OUTSIDE | FOR_BENCHES


# One home each, so that there is one answer to what a digest, a lock or a safe write is.
# Splicing compares pictures by raw digests.
HOMES = {
    r"\bhashlib\b": {"disk/digests.py", "media/splice/splicing.py", "media/splice/verify.py"},
    r"\b(fcntl|msvcrt)\b": {"disk/locks.py"},
    r"\bfsync\(": {"disk/atomic_write.py"},
    r"\bENOSPC\b": {"disk/trouble.py"},
}


def test_what_the_disk_needs_is_done_in_one_place() -> None:
    for pattern, homes in HOMES.items():
        found = {
            path.relative_to(ROOT / "vidseg").as_posix()
            for path in SOURCES
            if re.search(pattern, path.read_text(encoding="utf-8"))
        }
        assert found == homes, pattern
