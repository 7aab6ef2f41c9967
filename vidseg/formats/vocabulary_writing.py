"""A vocabulary as TOML with what timing needs and no more: no definitions, sources, sayings."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from vidseg.disk.atomic_write import write_text_aside
from vidseg.model.procedure import Kind, Procedure, Step


def write_procedure(procedure: Procedure, path: Path) -> None:
    """Write codes, names, levels and rules of a vocabulary; ``load_procedure`` reads it."""
    head = {"code": procedure.code, "name": procedure.name, "version": procedure.version or "1"}
    lines = [f"{key} = {_text(value)}" for key, value in head.items()]
    lines.append('source = "codes, names and rules of the vocabulary that was used"')
    for step in procedure.steps:
        lines += ["", "[[steps]]", *_step(step)]
    write_text_aside(path, "\n".join(lines) + "\n")


def _step(step: Step) -> Iterator[str]:
    yield f"code = {_text(step.code)}"
    yield f"name = {_text(step.name)}"
    if step.kind is not Kind.STEP:
        yield f"kind = {_text(step.kind.value)}"
    if step.parent:
        yield f"parent = {_text(step.parent)}"
    if step.category:
        yield f"category = {_text(step.category)}"
    for key, codes in (("overlaps", step.overlaps), ("after", step.after)):
        if codes:
            yield f"{key} = [{', '.join(map(_text, codes))}]"
    for key, flag in (("required", step.required), ("repeats", step.repeats)):
        if flag:
            yield f"{key} = true"


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
