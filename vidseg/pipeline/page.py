"""The case page on all that was made."""

from __future__ import annotations

from vidseg.export.page import page_html
from vidseg.pipeline.case_run import CaseRun


def make(run: CaseRun) -> None:
    """Write the page."""
    run.folder.write({"index.html": page_html(run.result, run.beside)})
