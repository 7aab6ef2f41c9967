"""Made-up step tables, and Cataract-101 where it lies beside the project."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pandas as pd
import pytest

CATARACT101 = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "cataract101"
Maker = Callable[..., pd.DataFrame]


def rows_of(
    times: Mapping[str, Sequence[float | None]],
    cut: Mapping[str, Sequence[bool]] | None = None,
    first_case: int = 1,
) -> pd.DataFrame:
    """One row per step and case from lists of seconds; None where the case lacks the step."""
    return pd.DataFrame(
        [
            {
                "case": f"case-{number:03d}",
                "annotator": "A",
                "procedure": "test",
                "step": step,
                "name": step.title(),
                "level": "step",
                "segments": 1,
                "active_s": float(seconds),
                "elapsed_s": float(seconds),
                "interrupted_s": 0.0,
                "share": float("nan"),
                "open_start": False,
                "open_end": bool(cut and step in cut and cut[step][number - first_case]),
            }
            for step, listed in times.items()
            for number, seconds in enumerate(listed, first_case)
            if seconds is not None
        ]
    )


@pytest.fixture
def make_steps() -> Maker:
    return rows_of


@pytest.fixture(scope="session")
def cataract101() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Steps and cases of Cataract-101: a segment runs to the next start, the last to the end."""
    if not CATARACT101.exists():
        pytest.skip("Cataract-101 does not lie beside the project")
    marks = pd.read_csv(CATARACT101 / "annotations.csv", sep=";")
    videos = pd.read_csv(CATARACT101 / "videos.csv", sep=";")
    names = pd.read_csv(CATARACT101 / "phases.csv", sep=";").set_index("Phase")["Meaning"]
    marks = marks.merge(videos, on="VideoID").sort_values(["VideoID", "FrameNo"], kind="stable")
    ends = marks.groupby("VideoID")["FrameNo"].shift(-1).fillna(marks["Frames"])
    marks["seconds"] = (ends - marks["FrameNo"]) / marks["FPS"]
    marks["end"] = ends
    found = (
        marks.groupby(["VideoID", "Phase", "Frames", "FPS"])
        .agg(
            segments=("seconds", "size"),
            active_s=("seconds", "sum"),
            first=("FrameNo", "min"),
            last=("end", "max"),
        )
        .reset_index()
    )
    elapsed = (found["last"] - found["first"]) / found["FPS"]
    steps = pd.DataFrame(
        {
            "case": found["VideoID"].astype(str),
            "annotator": "published",
            "procedure": "cataract-101",
            "step": found["Phase"].astype(str),
            "name": found["Phase"].map(names),
            "level": "step",
            "segments": found["segments"],
            "active_s": found["active_s"],
            "elapsed_s": elapsed,
            "interrupted_s": (elapsed - found["active_s"]).clip(lower=0),
            "share": found["active_s"] * found["FPS"] / found["Frames"],
            "open_start": False,
            "open_end": False,
        }
    )
    cases = pd.DataFrame(
        {
            "case": videos["VideoID"].astype(str),
            "surgeon": videos["Surgeon"].astype(str),
            "experience": videos["Experience"].map({1: "low", 2: "high"}),
            "case_number": videos.groupby("Surgeon").cumcount() + 1,
            "observed_s": videos["Frames"] / videos["FPS"],
            "complete": True,
        }
    )
    return steps, cases
