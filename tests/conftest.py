"""What several tests share: a recording made by hand, and the rule that CI skips nothing."""

import os
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from vidseg.model.recording import Part, Recording


@pytest.fixture
def ten_minutes() -> Recording:
    """Ten minutes at 25 frames/s, as data; there is no such file."""
    part = Part(
        path=Path("made-up.mp4"),
        start=0,
        length=600_000_000_000,
        frame_ns=np.arange(15_000, dtype=np.int64) * 40_000_000,
        width=640,
        height=360,
        container="mp4",
        codec="h264",
        profile="High",
        pixel_format="yuv420p",
        rate=Fraction(25),
        time_base=Fraction(1, 12800),
        first_pts=0,
    )
    return Recording((part,))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):  # type: ignore[no-untyped-def]
    """Under ``VIDSEG_REQUIRE_ALL`` (continuous integration) a skipped test is a failed one."""
    report = yield
    if report.skipped and os.environ.get("VIDSEG_REQUIRE_ALL") and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped although everything is to be tested: {report.longrepr}"
    return report
