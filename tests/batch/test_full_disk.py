"""A disk that fills up: told, nothing half-written, and the rest done when there is room."""

import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from vidseg.batch.job import Ending
from vidseg.batch.whole import BatchSettings, Told
from vidseg.pipeline.outputs import RunOptions


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 600 KiB in memory."""
    place = tmp_path / "disk"
    place.mkdir()
    if os.name == "nt" or os.getuid() != 0:
        pytest.skip("only root may mount a small file system")
    command = ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(place)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip(f"mounting is not allowed here: {done.stderr.strip()}")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk_ends_the_batch_and_more_room_goes_on(
    small_disk: Path,
    share: Callable[..., Path],
    tmp_path: Path,
    batch: Callable[..., Told],
    contents_of: Callable[[Path], dict[str, bytes]],
) -> None:
    source, out, plain = share(12), small_disk / "out", tmp_path / "plain"
    settings = BatchSettings(RunOptions(outputs=frozenset({"durations", "stills"})))
    assert batch(source, plain, settings=settings).halt == ""
    wanted = contents_of(plain)
    assert sum(map(len, wanted.values())) > 600 << 10, "the disk would not fill"
    told = batch(source, out, settings=settings)
    assert "the disk is full" in told.halt
    assert {row.outcome.ending for row in told.rows} == {
        Ending.DONE, Ending.FAILED, Ending.WAITING,
    }  # fmt: skip
    there = contents_of(out)
    shown = {name for name in there if not name.split("/")[1].startswith(".")}
    assert shown
    assert {name: there[name] for name in shown} == {name: wanted[name] for name in shown}
    for case in {name.split("/")[1] for name in shown}:
        own = {name for name in wanted if name.split("/")[1] == case}
        assert own <= shown
    subprocess.run(["mount", "-o", "remount,size=8m", str(small_disk)], check=True)
    told = batch(source, out, settings=settings)
    assert all(row.outcome.ending.good for row in told.rows)
    assert contents_of(out) == wanted
