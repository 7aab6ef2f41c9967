"""Clips of known structure, made once for all media tests, and ffprobe as an outside witness."""

import json
import shutil
import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from synthetic_clips import make_clip

FRAMES = 80
_MS = 1_000_000


def _uneven_times() -> list[int]:
    steps = [33, 17, 40, 50, 120, 20, 34, 41]
    times = [0]
    for index in range(FRAMES - 1):
        times.append(times[-1] + steps[(index * index + index // 3) % len(steps)] * _MS + index)
    return times


VARIABLE = _uneven_times()

KINDS: dict[str, dict[str, Any]] = {
    "plain.mp4": {},
    "plain.mov": {},
    "plain.mkv": {},
    "plain.ts": {},
    "mpeg2.mpg": {"codec": "mpeg2video", "gop": 15},
    "mpeg2-open.mpg": {"codec": "mpeg2video", "gop": 15, "open_gop": True},
    "mpeg2-open.ts": {"codec": "mpeg2video", "gop": 15, "open_gop": True},
    "mpeg4.avi": {"codec": "mpeg4"},
    "jpeg.avi": {"codec": "mjpeg", "pixel_format": "yuvj420p"},
    "reordered.avi": {},
    "vp9.webm": {"codec": "libvpx-vp9"},
    "hevc.mp4": {"codec": "libx265"},
    "hevc-open.mkv": {"codec": "libx265", "open_gop": True},
    "hevc-open.ts": {"codec": "libx265", "open_gop": True},
    "prores.mov": {"codec": "prores_ks", "pixel_format": "yuv422p10le"},
    "open.mp4": {"open_gop": True},
    "open.ts": {"open_gop": True},
    "one-group.mkv": {"gop": 1000},
    "variable.mp4": {"times_ns": VARIABLE},
    "variable.mkv": {"times_ns": VARIABLE},
    "variable.ts": {"times_ns": VARIABLE},
    "offset.mp4": {"start_offset_s": 3.3},
    "offset.mkv": {"start_offset_s": 3.3},
    "offset.ts": {"start_offset_s": 100.0},
    "wrap.ts": {"start_offset_s": 95_442.0},  # 2**33 / 90000 = 95443.7: the clock starts again
    "lead.mp4": {"audio_lead_s": 1.3},
    "lead.mkv": {"audio_lead_s": 1.3},
    "lead.ts": {"audio_lead_s": 1.3},
    "interlaced.mp4": {"interlaced": True},
    "interlaced.ts": {"interlaced": True},
    "interlaced.mpg": {"interlaced": True, "codec": "mpeg2video", "gop": 15},
    "turned.mp4": {"rotation": 90},
    "ntsc.mkv": {"rate": Fraction(30000, 1001)},
    "ntsc.mp4": {"rate": Fraction(30000, 1001)},
    "ntsc.ts": {"rate": Fraction(30000, 1001)},
    "sixty.mp4": {"rate": Fraction(60)},
    "fast-ntsc.mkv": {"rate": Fraction(60000, 1001)},
    "fast-ntsc.ts": {"rate": Fraction(60000, 1001)},
    "silent.mp4": {"audio": False},
}
"""Every container and codec, and every trap of time known to us: name -> arguments of make_clip."""


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Run a test that asks for ``kind_name`` once for each of ``KINDS``."""
    if "kind_name" in metafunc.fixturenames:
        metafunc.parametrize("kind_name", sorted(KINDS))


@pytest.fixture(scope="session")
def true_times() -> Callable[[str], list[Fraction]]:
    """Give when each frame of one of ``KINDS`` is shown, in ns from the first: the truth."""

    def times(name: str) -> list[Fraction]:
        if "times_ns" in KINDS[name]:
            return [Fraction(time) for time in KINDS[name]["times_ns"]]
        rate = KINDS[name].get("rate", Fraction(25))
        return [index * 1_000_000_000 / rate for index in range(FRAMES)]

    return times


@pytest.fixture(scope="session")
def kind(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Give the path of one of ``KINDS``, made when first asked for."""
    folder = tmp_path_factory.mktemp("kinds")

    def make(name: str) -> Path:
        path = folder / name
        if not path.exists():
            make_clip(path, **{"frames": FRAMES, "size": (320, 180), "gop": 30} | KINDS[name])  # type: ignore[arg-type]
        return path

    return make


@pytest.fixture(scope="session")
def probe_frames() -> Callable[[Path], list[int | None]]:
    """Give the timestamps of the frames that ffprobe shows, in order (an independent program)."""
    program = shutil.which("ffprobe")
    if program is None:
        pytest.skip("ffprobe is not installed")

    def frames(path: Path) -> list[int | None]:
        command = [program, "-v", "quiet", "-select_streams", "v:0", "-show_frames"]
        command += ["-show_entries", "frame=best_effort_timestamp", "-of", "json", str(path)]
        done = subprocess.run(command, capture_output=True, check=False, timeout=300)
        return [f.get("best_effort_timestamp") for f in json.loads(done.stdout)["frames"]]

    return frames


@pytest.fixture(scope="session")
def ffmpeg() -> Callable[..., None]:
    """Run ffmpeg with the given arguments, overwriting."""
    program = shutil.which("ffmpeg")
    if program is None:
        pytest.skip("ffmpeg is not installed")

    def run(*arguments: object) -> None:
        command = [program, "-v", "error", "-y", *(str(a) for a in arguments)]
        subprocess.run(command, check=True, timeout=300)

    return run
