"""``case.toml`` written. Consent is left out on purpose: it leads back to the patient."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

from vidseg.model.case import Case
from vidseg.model.clock import format_time
from vidseg.model.edits import Edit, Pause, Removed, Speed

_BARE = re.compile(r"true|false|-?(0|[1-9]\d*)(\.\d+)?")


def case_text(case: Case) -> str:
    """Give a case as the text of a ``case.toml``; its paths as they are, with ``/``.

    ``read_case`` gives it back, without ``consent`` and with texts of edits as they were.
    """
    return "\n".join(_lines(case)) + "\n"


def _lines(case: Case) -> Iterator[str]:
    yield f"id = {_text(case.id)}"
    names = [_text(recording.as_posix()) for recording in case.recordings]
    yield f"recording = {names[0]}" if len(names) == 1 else f"recordings = [{', '.join(names)}]"
    if case.annotation is not None:
        yield f"annotation = {_text(case.annotation.as_posix())}"
    if case.procedure is not None:
        yield f"procedure = {_text(case.procedure)}"
    if case.captions is not None:
        yield f"captions = {_text(case.captions.as_posix())}"
    if case.surgeon:
        yield f"surgeon = {_text(case.surgeon)}"
    if case.role:
        yield f"role = {_text(case.role)}"
    if case.case_number is not None:
        yield f"case_number = {case.case_number}"
    if case.starts:
        yield f"starts = [{', '.join(_time(start) for start in case.starts)}]"
    if case.covariates:
        yield from ("", "[covariates]")
        for key, value in case.covariates:
            shown = value if _BARE.fullmatch(value) else _text(value)
            yield f"{key if re.fullmatch(r'[A-Za-z0-9_-]+', key) else _text(key)} = {shown}"
    for edit in case.edits:
        yield from ("", "[[edits]]", *_edit(edit))


def _edit(edit: Edit) -> Iterator[str]:
    yield f"kind = {_text(type(edit).__name__.lower())}"
    if isinstance(edit, Removed | Pause):
        yield f"at = {_time(edit.at)}"
        length = _text("unknown") if edit.length is None else _time(edit.length)
        yield f"length = {length}"
    else:
        yield f"start = {_time(edit.span.start)}"
        yield f"end = {_time(edit.span.end)}"
        if isinstance(edit, Speed):
            yield f"factor = {_text(str(edit.factor))}"
    if edit.note:
        yield f"note = {_text(edit.note)}"


def _time(ns: int) -> str:
    """Write a time with all its decimals, in quotes."""
    return _text(format_time(ns, 9))


def _text(text: str) -> str:
    """Write a TOML basic string; JSON's escapes are among TOML's."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
