"""The page of a batch in a browser: opened from disk, light and dark."""

from pathlib import Path
from typing import Any

import pytest

from vidseg.export.batch_page import write_batch_page

HOSTILE = '</style><script>alert(1)</script><img src=x onerror="alert(1)">'


def row(case: str, **others: str) -> dict[str, str]:
    empty = dict.fromkeys(("page", "mark", "recorded", "seconds", "problems", "reason"), "")
    return {"case": case, "listed": "list.csv:2", "outcome": "done", **empty, **others}


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("batch") / "index.html"
    rows = [
        row("good", page="cases/good/index.html", recorded="96.000", seconds="4.7"),
        row(HOSTILE, mark="bad", outcome="failed", reason=f"a long reason with {HOSTILE} in it"),
    ]
    write_batch_page(path, "list.csv", "1 done, 1 failed", ["library cases.sqlite: 1 added"], rows)
    return path


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_on_the_batch_page(
    page_file: Path, browser: Any, axe: str, scheme: str
) -> None:
    page = browser.new_page(color_scheme=scheme)
    told: list[str] = []
    page.on("console", lambda message: told.append(message.text))
    page.on("pageerror", lambda error: told.append(str(error)))
    page.on("request", lambda request: told.append(request.url))
    page.goto(page_file.as_uri())
    assert told == [page_file.as_uri()]
    assert page.locator("tbody tr td:first-child").all_inner_texts() == [HOSTILE, "good"]
    page.evaluate(axe)
    passes, violations = page.evaluate("axe.run().then(r => [r.passes.length, r.violations])")
    assert passes > 10
    assert [one["id"] for one in violations] == []
    page.close()
