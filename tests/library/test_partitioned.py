"""Parquet partitioned by procedure, read by pandas and by workers of a Dask cluster."""

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from vidseg.cli import main
from vidseg.library.filters import Filter
from vidseg.library.read import read_every
from vidseg.library.store import Library
from vidseg.model.record import Record

QUANTILES = [0.25, 0.5, 0.75]


@pytest.fixture
def tables(place: str, tmp_path: Path, make_record: Callable[..., Record]) -> Path:
    """An export of forty cases of each of two made-up operations."""
    chance = np.random.default_rng(8)
    records = []
    for code in ("made_up", "other one"):
        for number in range(40):
            first, second = (round(float(x), 3) for x in chance.gamma(4, 5, 2))
            rows = [("cut", 0, first), ("turn", first, first + second)]
            record = make_record(f"{code} {number}", rows, length_s=200)
            marked = replace(record.annotation, procedure=code)
            records.append(replace(record, annotation=marked))
    with Library(place, make=True) as library:
        library.add(records)
    out = tmp_path / "tables"
    command = ["library", "export", "--partition", "--out", str(out), "--library", place]
    assert main([*command, "--quiet"]) == 0
    return out


def test_the_partitions_are_the_whole(tables: Path, place: str) -> None:
    assert sorted(path.name for path in (tables / "steps").iterdir()) == [
        "procedure=made_up",
        "procedure=other%20one",
    ]
    read = pd.read_parquet(tables / "steps")  # names the column after the folders
    read["procedure"] = read["procedure"].astype(str)
    with Library(place) as library:
        whole = read_every(library, Filter()).steps
    keys = ["procedure", "case", "step"]
    columns = [*keys, "active_s", "open_end", "share"]
    pd.testing.assert_frame_equal(
        read.sort_values(keys, ignore_index=True)[columns],
        whole.sort_values(keys, ignore_index=True)[columns],
        check_dtype=False,
    )


def test_an_export_replaces_the_one_before_as_a_whole(tables: Path, place: str) -> None:
    command = ["library", "export", "--partition", "--out", str(tables), "--library", place]
    assert main([*command, "--procedure", "made_up", "--quiet"]) == 0
    assert [path.name for path in (tables / "steps").iterdir()] == ["procedure=made_up"]
    assert main([*command, "--procedure", "none"]) == 2
    assert (tables / "steps" / "procedure=made_up" / "part-0.parquet").exists()
    shutil.rmtree(tables)
    tables.mkdir()
    (tables / "mine.txt").write_text("x", encoding="utf-8")
    assert main([*command, "--quiet"]) == 2


def step_quantiles(path: str) -> pd.DataFrame:
    """Quantiles of the time in each step; all rows of a vocabulary are in one file."""
    steps = pd.read_parquet(path)
    whole = steps[~steps["open_start"] & ~steps["open_end"]]
    return whole.groupby("step")["active_s"].quantile(QUANTILES).unstack()  # type: ignore[arg-type]


def test_step_quantiles_on_a_cluster(tables: Path, place: str) -> None:
    """The example of the README, beside numpy on the library itself."""
    distributed = pytest.importorskip("distributed", reason="distributed is not installed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        paths = sorted(map(str, tables.glob("steps/procedure=*/*.parquet")))
        found = client.gather(client.map(step_quantiles, paths))
    assert len(found) == 2
    with Library(place) as library:
        whole = read_every(library, Filter()).steps
    for table, procedure in zip(found, ("made_up", "other one"), strict=True):
        for step in ("cut", "turn"):
            own = whole[(whole["procedure"] == procedure) & (whole["step"] == step)]
            expected = np.quantile(own["active_s"].to_numpy(), QUANTILES)
            assert table.loc[step].to_numpy() == pytest.approx(expected)
