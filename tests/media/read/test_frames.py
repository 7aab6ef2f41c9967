"""Exact frames by number: every frame carries its own number as a bar code."""

import random
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from av import VideoFrame
from av.container import InputContainer

from synthetic_clips import make_clip, read_number
from vidseg.media.read import reader
from vidseg.media.read.frames import decode, pick, upright
from vidseg.media.read.opening import opened
from vidseg.media.read.probe import read_part
from vidseg.model.clock import ns_to_pts
from vidseg.model.problem import MediaError


def numbers(run: Iterable[tuple[int, VideoFrame]]) -> list[tuple[int, int | None]]:
    return [(index, read_number(frame.to_ndarray(format="gray"))) for index, frame in run]


def same(indices: Iterable[int]) -> list[tuple[int, int]]:
    return [(index, index) for index in indices]


def test_all_frames_in_order(kind_name: str, kind: Callable[[str], Path]) -> None:
    part = read_part(kind(kind_name))
    total = len(part.frame_ns)
    assert numbers(decode(part, 0, total)) == same(range(total))


def test_random_ranges(kind_name: str, kind: Callable[[str], Path]) -> None:
    part = read_part(kind(kind_name))
    total = len(part.frame_ns)
    chance = random.Random(kind_name)
    starts = [chance.randrange(total) for _ in range(4)]
    for first in [*starts, total - 1]:
        last = min(total, first + chance.randrange(1, 5))
        assert numbers(decode(part, first, last)) == same(range(first, last))


def test_random_picks(kind_name: str, kind: Callable[[str], Path]) -> None:
    part = read_part(kind(kind_name))
    chance = random.Random(kind_name)
    for count in (1, 3, 9):
        wanted = chance.sample(range(len(part.frame_ns)), count)
        assert numbers(pick(part, [*wanted, wanted[0]])) == same(sorted(wanted))


@pytest.mark.parametrize("suffix", [".mp4", ".ts"])
def test_picks_far_apart_jump(suffix: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / f"long{suffix}"
    make_clip(path, frames=900, size=(160, 90), gop=40, audio=False)
    part = read_part(path)
    decoded = 0
    whole = reader.decoded

    def counted(packets):  # type: ignore[no-untyped-def]
        nonlocal decoded
        for frame in whole(packets):
            decoded += 1
            yield frame

    monkeypatch.setattr(reader, "decoded", counted)
    wanted = [0, 3, 300, 620, 899]
    assert numbers(pick(part, wanted)) == same(wanted)
    assert decoded < 450, "the stretches between are not to be decoded"


def test_empty_requests(kind: Callable[[str], Path]) -> None:
    part = read_part(kind("plain.mp4"))
    assert list(decode(part, 5, 5)) == []
    assert list(pick(part, [])) == []


@pytest.mark.parametrize(("first", "last"), [(-1, 3), (5, 4), (0, 81)])
def test_ranges_outside_the_part(first: int, last: int, kind: Callable[[str], Path]) -> None:
    part = read_part(kind("plain.mp4"))
    with pytest.raises(IndexError):
        list(decode(part, first, last))
    with pytest.raises(IndexError):
        list(pick(part, [last - 1, 80]))


def test_frame_that_is_not_there(kind: Callable[[str], Path]) -> None:
    part = read_part(kind("plain.mp4"))
    times = part.frame_ns.copy()
    times[40] += 7_000_000
    with pytest.raises(MediaError, match=r"frame 40 .*cannot be decoded"):
        list(decode(replace(part, frame_ns=times), 38, 44))
    with pytest.raises(MediaError, match=r"frame 40 .*cannot be decoded"):
        list(pick(replace(part, frame_ns=times), [3, 40]))


@pytest.mark.parametrize("name", ["ntsc.ts", "ntsc.mkv", "fast-ntsc.ts", "reordered.avi"])
def test_part_whose_first_frames_repeat_another(name: str, kind: Callable[[str], Path]) -> None:
    whole = read_part(kind(name))
    offset = int(whole.frame_ns[7])
    part = replace(
        whole,
        frame_ns=whole.frame_ns[7:] - offset,
        first_pts=whole.first_pts + ns_to_pts(offset, whole.time_base),
        skipped=7,
        skipped_ns=offset,
    )
    expected = [(index, index + 7) for index in range(73)]
    assert numbers(decode(part, 0, 73)) == expected
    assert numbers(decode(part, 40, 44)) == expected[40:44]
    assert numbers(pick(part, [0, 1, 72])) == [expected[0], expected[1], expected[72]]


@pytest.mark.parametrize("read", [lambda p: decode(p, 3, 10), lambda p: pick(p, [3, 70])])
def test_file_closed_when_left_early(
    read: Callable[..., Generator[tuple[int, VideoFrame], None, None]],
    kind: Callable[[str], Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    part = read_part(kind("plain.mp4"))
    states: list[str] = []
    whole = opened

    @contextmanager
    def watched(path: Path) -> Iterator[InputContainer]:
        with whole(path) as container:
            states.append("open")
            try:
                yield container
            finally:
                states.append("closed")

    monkeypatch.setattr(reader, "opened", watched)
    run = read(part)
    next(run)
    assert states[-1] == "open"
    run.close()
    assert states.count("open") == states.count("closed")


@pytest.mark.parametrize(
    ("rotation", "corner"), [(0, (0, 0)), (90, (0, 1)), (180, (1, 1)), (270, (1, 0))]
)
def test_upright_turns_clockwise(rotation: int, corner: tuple[int, int]) -> None:
    image = np.zeros((2, 4, 3), np.uint8)
    image[0, 0] = 255
    turned = upright(image, rotation)
    rows, columns = turned.shape[0] - 1, turned.shape[1] - 1
    assert turned[corner[0] * rows, corner[1] * columns].tolist() == [255, 255, 255]
    assert int(turned.sum()) == 3 * 255


@pytest.mark.parametrize("rotation", [0, 90, 180, 270])
def test_rotation_as_ffmpeg_applies_it(
    rotation: int, tmp_path: Path, ffmpeg: Callable[..., None]
) -> None:
    path, shown = tmp_path / "turned.mp4", tmp_path / "shown.png"
    make_clip(path, frames=3, rotation=rotation, audio=False)
    part = read_part(path)
    assert part.rotation == rotation
    ffmpeg("-i", path, "-frames:v", 1, shown)  # ffmpeg turns pictures by itself
    witness = cv2.imread(str(shown))
    _, frame = next(decode(part, 0, 1))
    ours = upright(frame.to_ndarray(format="bgr24"), part.rotation)  # type: ignore[arg-type]
    assert witness is not None
    assert ours.shape == witness.shape
    assert np.abs(ours.astype(int) - witness.astype(int)).mean() < 3
