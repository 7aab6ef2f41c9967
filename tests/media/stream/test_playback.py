"""Segments for a browser, read back by FFmpeg's programs: the very frames at the very times."""

import json
import shutil
import subprocess
from collections.abc import Callable
from contextlib import closing
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from synthetic_clips import make_clip, read_number
from vidseg.media.read.probe import open_recording
from vidseg.media.stream import copyable
from vidseg.media.stream.playback import Playback, plan_playback
from vidseg.media.stream.segment_maker import SegmentMaker
from vidseg.model.recording import Recording

NS = 1_000_000_000
HOLE_START = 5 * NS

WAYS = {
    "plain.mkv": "copied",
    "offset.ts": "copied",
    "ntsc.ts": "copied",
    "open.mp4": "copied",
    "variable.mp4": "copied",
    "variable.ts": "copied",
    "reordered.avi": "encoded",
    "mpeg4.avi": "encoded",
    "mpeg2.mpg": "encoded",
    "mpeg2-open.ts": "encoded",
    "interlaced.mp4": "encoded",
    "hevc.mp4": "encoded",
    "hevc-open.mkv": "encoded",
    "prores.mov": "encoded",
    "vp9.webm": "encoded",
    "turned.mp4": "encoded",
}

FROM_THE_MIDDLE = ("offset.ts", "variable.mp4", "reordered.avi", "mpeg2.mpg", "hevc-open.mkv")

OWN: dict[str, dict[str, Any]] = {
    "deep.mkv": {"pixel_format": "yuv420p10le", "rate": Fraction(30000, 1001)},
    "deep-hevc.mp4": {"codec": "libx265", "pixel_format": "yuv420p10le"},
    "variable-hevc.mkv": {
        "codec": "libx265",
        "times_ns": [i * 40_000_000 + (0, 7, 15, 4)[i % 4] * 1_000_000 for i in range(60)],
    },
    "anamorphic.avi": {"codec": "mjpeg", "pixel_format": "yuvj422p", "frames": 20},
}


@pytest.fixture(scope="session")
def own(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    folder = tmp_path_factory.mktemp("playback")

    def make(name: str) -> Path:
        path = folder / name
        if not path.exists():
            make_clip(path, **{"frames": 60, "size": (192, 108), "gop": 25} | OWN[name])  # type: ignore[arg-type]
        return path

    return make


@pytest.fixture(scope="session")
def program() -> Callable[[str], str]:
    def find(name: str) -> str:
        found = shutil.which(name)
        if found is None:
            pytest.skip(f"{name} is not installed")
        return found

    return find


def planned(*paths: Path, starts: tuple[int, ...] = ()) -> tuple[Recording, Playback]:
    recording = open_recording(paths, starts=starts)
    return recording, plan_playback(recording, prefer_segments=True)


def run(*command: str | Path, given: bytes) -> bytes:
    done = subprocess.run(command, input=given, capture_output=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr.decode()
    assert not done.stderr, done.stderr.decode()
    return done.stdout


def shown(program: Callable[[str], str], data: bytes, width: int, height: int) -> Any:
    """(times in s, luma of shape (n, h, w)) as ffprobe and ffmpeg see them."""
    listed = run(
        program("ffprobe"), "-v", "error", "-show_entries", "frame=pts_time", "-of", "json", "-",
        given=data,
    )  # fmt: skip
    times = [float(frame["pts_time"]) for frame in json.loads(listed)["frames"]]
    raw = run(
        program("ffmpeg"), "-v", "error", "-xerror", "-i", "-", "-fps_mode", "passthrough",
        "-enc_time_base", "-1", "-f", "rawvideo", "-pix_fmt", "gray", "-", given=data,
    )  # fmt: skip
    return times, np.frombuffer(raw, np.uint8).reshape(-1, height, width)


def check_pictures(
    program: Callable[[str], str],
    recording: Recording,
    playback: Playback,
    maker: SegmentMaker,
    indices: list[int],
) -> None:
    """Segments of one run, appended: every frame is there, once, at its time."""
    segments = [playback.segments[index] for index in indices]
    number = segments[0].run
    form = playback.runs[number]
    data = maker.initial(number, "video")
    data += b"".join(maker.segment(index, "video") for index in indices)
    times, pictures = shown(program, data, form.width, form.height)
    frames = [
        recording.first_frame(s.part) + frame for s in segments for frame in range(s.first, s.last)
    ]
    turn = recording.parts[segments[0].part].rotation // 90
    assert [read_number(np.rot90(picture, turn)) for picture in pictures] == frames
    expected = [recording.frame_start(frame) / NS for frame in frames]
    np.testing.assert_allclose(times, expected, rtol=0, atol=2e-6)
    assert segments[0].start_ns == recording.frame_start(frames[0])


@pytest.mark.parametrize("name", sorted(WAYS))
def test_every_frame_comes_at_its_time(
    name: str, kind: Callable[[str], Path], program: Callable[[str], str]
) -> None:
    recording, playback = planned(kind(name))
    assert [way.way for way in playback.ways] == [WAYS[name]]
    count = len(playback.segments)
    assert playback.segments[-1].end_ns == recording.length
    with closing(SegmentMaker(recording, playback)) as maker:
        if name in FROM_THE_MIDDLE:
            check_pictures(program, recording, playback, maker, [count - 1])
        check_pictures(program, recording, playback, maker, list(range(count)))


@pytest.mark.parametrize("name", sorted(OWN))
def test_deep_and_uncommon_pictures_are_encoded(
    name: str, own: Callable[[str], Path], program: Callable[[str], str]
) -> None:
    recording, playback = planned(own(name))
    assert [way.way for way in playback.ways] == ["encoded"]
    with closing(SegmentMaker(recording, playback)) as maker:
        check_pictures(program, recording, playback, maker, list(range(len(playback.segments))))


def test_one_long_group_is_encoded_in_pieces(
    kind: Callable[[str], Path], program: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert planned(kind("one-group.mkv"))[1].ways[0].way == "copied"
    monkeypatch.setattr(copyable, "LONGEST_NS", 2 * NS)
    recording, playback = planned(kind("one-group.mkv"))
    assert playback.ways[0].way == "encoded"
    assert len(playback.segments) == 2
    with closing(SegmentMaker(recording, playback)) as maker:
        check_pictures(program, recording, playback, maker, [1])
        check_pictures(program, recording, playback, maker, [0, 1])


def test_a_long_group_among_short_ones_is_encoded_alone(
    program: Callable[[str], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    size = (192, 108)
    make_clip(tmp_path / "a.ts", frames=80, size=size, gop=20)
    make_clip(
        tmp_path / "b.ts", frames=40, size=size, gop=100, start_offset_s=3.28, first_number=80
    )
    both = tmp_path / "both.ts"
    both.write_bytes((tmp_path / "a.ts").read_bytes() + (tmp_path / "b.ts").read_bytes())
    monkeypatch.setattr(copyable, "LONGEST_NS", NS)
    recording, playback = planned(both)
    assert playback.ways[0].way == "both"
    assert playback.ways[0].why.startswith("50.0% encoded")
    assert [(s.first, s.last, playback.runs[s.run].way) for s in playback.segments] == [
        (0, 60, "copied"),
        (60, 120, "encoded"),  # with the group before the join, whose last packet is unfinished
    ]
    with closing(SegmentMaker(recording, playback)) as maker:
        check_pictures(program, recording, playback, maker, [0])
        check_pictures(program, recording, playback, maker, [1])


@pytest.fixture(scope="module")
def two_parts(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Recording, Playback]:
    folder = tmp_path_factory.mktemp("parts")
    make_clip(folder / "one.mkv", frames=60, size=(192, 108), gop=25)
    make_clip(
        folder / "two.mpg", frames=60, size=(192, 108), codec="mpeg2video", gop=15, first_number=60
    )
    return planned(folder / "one.mkv", folder / "two.mpg", starts=(0, HOLE_START))


def test_parts_follow_one_another_at_their_times(
    two_parts: tuple[Recording, Playback], program: Callable[[str], str]
) -> None:
    recording, playback = two_parts
    assert [way.way for way in playback.ways] == ["copied", "encoded"]
    first, second = ([i for i, s in enumerate(playback.segments) if s.run == n] for n in (0, 1))
    assert playback.segments[second[0]].start_ns == HOLE_START
    assert playback.segments[first[-1]].end_ns == recording.parts[0].length
    with closing(SegmentMaker(recording, playback)) as maker:
        check_pictures(program, recording, playback, maker, second)
        check_pictures(program, recording, playback, maker, first)


def heard(program: Callable[[str], str], given: bytes) -> npt.NDArray[np.int16]:
    raw = run(program("ffmpeg"), "-v", "error", "-i", "-", "-f", "s16le", "-", given=given)
    return np.frombuffer(raw, np.int16)


@pytest.mark.parametrize(("name", "order"), [("jpeg.avi", (1, 0)), ("plain.mp4", (0, 1))])
def test_sound_is_that_of_the_file_without_a_seam(
    name: str,
    order: tuple[int, int],
    kind: Callable[[str], Path],
    program: Callable[[str], str],
) -> None:
    """PCM, the second segment first; and AAC, which decodes to other noise after a jump."""
    recording, playback = planned(kind(name))
    form = playback.sound
    assert form is not None
    source = run(
        program("ffmpeg"), "-v", "error", "-i", kind(name), "-map", "0:a", "-f", "s16le", "-",
        given=b"",
    )  # fmt: skip
    expected = np.frombuffer(source, np.int16).reshape(-1, form.channels)
    with closing(SegmentMaker(recording, playback)) as maker:
        initial = maker.initial(0, "audio")
        made = {index: maker.segment(index, "audio") for index in order}
        data = initial + made[0] + made[1]
    got = heard(program, data).reshape(-1, form.channels)
    assert len(got) == form.sample_at(recording.length)
    both = min(len(got), len(expected))
    assert np.abs(got[:both].astype(int) - expected[:both]).max() <= 2  # rounding of decoders
    times = run(
        program("ffprobe"), "-v", "error", "-show_entries", "packet=pts_time", "-of", "csv=p=0",
        "-", given=initial + made[1],
    )  # fmt: skip
    first = float(times.split()[0].strip(b","))
    assert first == pytest.approx(playback.segments[1].start_ns / NS, abs=1 / form.rate_hz)
