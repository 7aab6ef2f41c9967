"""Several processes make and fill one library at once, and nothing is lost or doubled."""

import subprocess
import sys
from pathlib import Path

import pytest

from vidseg.library.filters import Filter
from vidseg.library.read import list_cases, read_cohort
from vidseg.library.store import Library

pytestmark = pytest.mark.slow

PROCESSES, CASES = 4, 25
SCRIPT = """
import importlib.util, sys
spec = importlib.util.spec_from_file_location("records", sys.argv[1])
records = importlib.util.module_from_spec(spec)
spec.loader.exec_module(records)
from vidseg.library.store import Library
with Library(sys.argv[2], make=True) as library:
    for number in range(int(sys.argv[4])):
        rows = [("cut", 1, 11 + number), ("turn", 50, 60)]
        own = records.make(f"case-{sys.argv[3]}-{number}", rows)
        shared = records.make(f"shared-{number}", rows, f"annotator {sys.argv[3]}")
        library.add([own, shared])
"""


def test_four_processes_add_at_once(anywhere: str) -> None:
    records = Path(__file__).with_name("conftest.py")
    running = [
        subprocess.Popen(
            [sys.executable, "-c", SCRIPT, str(records), anywhere, str(number), str(CASES)],
            stderr=subprocess.PIPE,
            text=True,
        )
        for number in range(PROCESSES)
    ]
    told = [process.communicate()[1] for process in running]
    assert [process.returncode for process in running] == [0] * PROCESSES, told
    with Library(anywhere) as library:
        table = list_cases(library, Filter())
        assert len(table) == 2 * PROCESSES * CASES
        assert table["case"].nunique() == PROCESSES * CASES + CASES
        steps = read_cohort(library, Filter(annotators=("",))).steps
        times = steps[steps["step"] == "cut"].groupby("case")["active_s"].sum()
        for number in range(PROCESSES):
            for place in range(CASES):
                assert times[f"case-{number}-{place}"] == 10 + place
