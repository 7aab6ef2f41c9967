"""Damage is told before anything is timed, and in the clips that show it.

Blocks of files are swapped, zeroed and taken out, and single bits turned, by seeds; how many
pictures there were is known.
"""

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from synthetic_clips import make_clip
from vidseg.cli import main
from vidseg.media.read.probe import read_part

FRAMES = 100
HEAD, BLOCK = 4096, 4096


def swapped(data: bytes, chance: random.Random) -> bytes:
    blocks = [data[at : at + BLOCK] for at in range(0, len(data), BLOCK)]
    for _ in range(3):
        a, b = chance.sample(range(1, len(blocks) - 2), 2)
        blocks[a], blocks[b] = blocks[b], blocks[a]
    return b"".join(blocks)


def zeroed(data: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(HEAD, len(data) - 3 * BLOCK)
    return data[:at] + bytes(BLOCK) + data[at + BLOCK :]


def taken_out(data: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(HEAD, len(data) - 3 * BLOCK)
    return data[:at] + data[at + chance.randrange(500, BLOCK) :]


def flipped(data: bytes, chance: random.Random) -> bytes:
    changed = bytearray(data)
    for _ in range(40):
        changed[chance.randrange(2 * HEAD, len(data) - BLOCK)] ^= 1 << chance.randrange(8)
    return bytes(changed)


@pytest.fixture(scope="module", params=["mpeg4", "libx264"])
def avi(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("damage") / f"{request.param}.avi"
    make_clip(path, codec=request.param, frames=FRAMES, gop=25, bframes=0, audio=False)
    return path


def test_a_whole_avi_is_not_doubted(avi: Path) -> None:
    part = read_part(avi)
    assert len(part.frame_ns) == FRAMES
    assert not any("lost" in doubt for doubt in part.doubts)


@pytest.mark.parametrize("damage", [swapped, zeroed, taken_out])
@pytest.mark.parametrize("seed", range(4))
def test_pictures_lost_from_an_avi_are_told(
    damage: Callable[[bytes, random.Random], bytes], seed: int, avi: Path, tmp_path: Path
) -> None:
    path = tmp_path / "damaged.avi"
    path.write_bytes(damage(avi.read_bytes(), random.Random(seed)))
    part = read_part(path)
    if len(part.frame_ns) < FRAMES:
        assert any("lost" in doubt or "cannot be decoded" in doubt for doubt in part.doubts)


def test_clips_that_show_damaged_pictures_are_errors(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole, path, steps = tmp_path / "whole.avi", tmp_path / "case.avi", tmp_path / "steps.csv"
    make_clip(whole, codec="mpeg4", frames=FRAMES, gop=25, bframes=0, audio=False)
    path.write_bytes(flipped(whole.read_bytes(), random.Random(1)))
    steps.write_text("start,end,step\n0:00.4,0:03.6,capsulorhexis\n", encoding="utf-8")
    given = [str(steps), "--quiet", "--out"]
    assert main(["clips", str(whole), *given, str(tmp_path / "good")]) == 0
    assert "damaged" not in capsys.readouterr().err
    for _ in range(2):  # also where the clip is kept from before
        assert main(["clips", str(path), *given, str(tmp_path / "bad")]) == 1
        told = capsys.readouterr().err
        assert "that the recording holds damaged" in told
        assert "capsulorhexis" in told
    (row,) = (tmp_path / "bad" / "clips" / "clips.csv").read_text("utf-8").splitlines()[1:]
    assert int(row.split(",")[-1]) > 0
