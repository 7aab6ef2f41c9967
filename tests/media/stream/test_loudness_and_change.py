"""Lanes and helps of the marking page: how loud it is, and where the picture changes."""

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import av
import numpy as np
import pytest

from synthetic_clips import make_clip
from vidseg.media.picture.change import nearest_change
from vidseg.media.read.probe import open_recording
from vidseg.media.stream.loudness import audio_levels
from vidseg.media.stream.native_playback import playable_type
from vidseg.model.problem import UsageError

NS = 1_000_000_000
STEP = NS // 10


def test_levels_are_the_peaks_that_ffmpeg_decodes(kind: Callable[[str], Path]) -> None:
    program = shutil.which("ffmpeg")
    if program is None:
        pytest.skip("ffmpeg is not installed")
    path = kind("jpeg.avi")
    command = [program, "-v", "error", "-i", str(path), "-f", "f32le", "-"]
    raw = subprocess.run(command, capture_output=True, check=True, timeout=300).stdout
    recording = open_recording([path])
    track = recording.parts[0].audio[0]
    loud = np.abs(np.frombuffer(raw, np.float32).reshape(-1, track.channels)).max(axis=1)
    size = track.rate_hz // 10
    expected = [float(loud[i * size : (i + 1) * size].max()) for i in range(32)]
    done: list[float] = []
    levels = audio_levels(recording, STEP, done.append)
    assert levels.dtype == np.float32
    np.testing.assert_allclose(levels, expected, atol=1e-4)
    assert done[-1] == 1


def test_levels_of_parts_lie_at_their_times(kind: Callable[[str], Path]) -> None:
    paths = [kind("plain.mp4"), kind("silent.mp4"), kind("plain.mkv")]
    recording = open_recording(paths, starts=(0, 4 * NS, 8 * NS))
    levels = audio_levels(recording, STEP)
    assert len(levels) == 112
    assert levels[[0, 10, 20, 80, 90]].min() > 0.4  # the clip's tone, at every whole second
    assert not levels[33:80].any()
    with pytest.raises(UsageError, match="1 ms"):
        audio_levels(recording, 1)


@pytest.fixture(scope="module")
def cut(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A gray picture with some grain; at frame 37 (1.48 s) a brighter one takes its place."""
    path = tmp_path_factory.mktemp("change") / "cut.mp4"
    grain = np.random.default_rng(5)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 160, 96, "yuv420p"
        for index in range(75):
            picture = np.full((96, 160), 80, np.uint8)
            if index >= 37:
                picture[30:70, 40:100] = 170
            picture += grain.integers(0, 6, picture.shape, np.uint8)
            frame = av.VideoFrame.from_ndarray(picture, format="gray")
            container.mux(stream.encode(frame.reformat(format="yuv420p")))
        container.mux(stream.encode(None))
    return path


@pytest.mark.parametrize("at_ms", [700, 1480, 2300])
def test_the_change_is_found_on_its_frame(cut: Path, at_ms: int) -> None:
    found = nearest_change(open_recording([cut]), at_ms * 1_000_000, NS)
    assert found is not None
    assert found[0] == 37 * NS // 25
    assert found[1] > 10


def test_no_change_is_none(cut: Path) -> None:
    recording = open_recording([cut])
    assert nearest_change(recording, 500_000_000, 400_000_000) is None
    assert nearest_change(recording, 60 * NS, NS) is None


AS_IT_IS = {
    "plain.mp4": 'video/mp4; codecs="avc1.64000c, mp4a.40.2"',
    "silent.mp4": 'video/mp4; codecs="avc1.64000c"',
    "vp9.webm": 'video/webm; codecs="vp9, opus"',
    "offset.mp4": None,
    "interlaced.mp4": None,
    "turned.mp4": None,
    "hevc.mp4": None,
    "plain.mkv": None,
    "plain.ts": None,
    "mpeg4.avi": None,
    "prores.mov": None,
}


@pytest.mark.parametrize("name", sorted(AS_IT_IS))
def test_what_a_browser_plays_as_it_is(name: str, kind: Callable[[str], Path]) -> None:
    assert playable_type(open_recording([kind(name)])) == AS_IT_IS[name]


def test_key_frames_far_apart_need_segments(tmp_path: Path) -> None:
    path = tmp_path / "slow.mp4"
    make_clip(path, frames=40, size=(64, 36), rate=2, gop=100, audio=False)  # type: ignore[arg-type]
    assert playable_type(open_recording([path])) is None
