"""The tables and ``case.json``."""

from __future__ import annotations

from vidseg.export.case_json import CASE_JSON, case_json
from vidseg.export.tables import table_texts
from vidseg.pipeline.case_run import CaseRun


def make(run: CaseRun) -> None:
    """Write what was measured."""
    run.folder.write(table_texts(run.result, run.result.recording))
    run.folder.write({CASE_JSON: case_json(run.result, run.folder.input_hash)})
