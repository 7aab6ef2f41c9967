"""Clips have the structure, the clock and the facts asked for."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from synthetic_clips import make_clip, read_number
from synthetic_clips.write import write_recording

NS = 1_000_000_000
Probe = Callable[..., dict[str, Any]]


@pytest.fixture
def ffprobe() -> Probe:
    program = shutil.which("ffprobe")
    if program is None:
        pytest.skip("the ffprobe program is not installed")

    def probe(path: Path, *arguments: str) -> dict[str, Any]:
        command = [program, "-v", "error", "-of", "json", *arguments, str(path)]
        found: dict[str, Any] = json.loads(
            subprocess.run(command, capture_output=True, check=True).stdout
        )
        return found

    return probe


def video_packets(path: Path) -> list[tuple[int, bool]]:
    """Give (pts, is key) in stored order."""
    with av.open(str(path)) as container:
        return [(p.pts, p.is_keyframe) for p in container.demux(video=0) if p.size]  # type: ignore[misc]


def time_of(frame: av.VideoFrame | av.AudioFrame) -> Fraction:
    assert frame.pts is not None
    assert frame.time_base is not None
    return frame.pts * frame.time_base


def video_times(path: Path) -> list[Fraction]:
    with av.open(str(path)) as container:
        return [time_of(frame) for frame in container.decode(video=0)]


def sound(path: Path) -> tuple[np.ndarray, Fraction, int]:
    """Give the samples, the time of the first one and the sampling rate."""
    with av.open(str(path)) as container:
        frames = list(container.decode(audio=0))
    first = time_of(frames[0])
    samples = [f.to_ndarray().reshape(-1) for f in frames]
    joined = np.concatenate(samples).astype(float)
    if samples[0].dtype == np.int16:
        joined /= 32768
    return joined, first, frames[0].sample_rate


def tone_starts(path: Path) -> list[float]:
    """Give when the loud stretches begin, in the file's own seconds."""
    samples, first, rate = sound(path)
    loud = np.flatnonzero(np.abs(samples) > 0.2)
    starts = loud[np.flatnonzero(np.diff(loud, prepend=-rate) > rate // 10)]
    return [float(first) + start / rate for start in starts]


GROUPS = [
    ("libx264", ".mp4", 2),
    ("libx264", ".mkv", 0),
    ("libx265", ".mp4", 2),
    ("mpeg4", ".mp4", 2),
    ("mpeg2video", ".mpg", 2),
    ("mpeg2video", ".ts", 0),
]


@pytest.mark.parametrize("open_gop", [False, True])
@pytest.mark.parametrize("gop", [12, 25])
@pytest.mark.parametrize(("codec", "suffix", "bframes"), GROUPS)
def test_key_frames_stand_at_every_gop_and_nowhere_else(
    tmp_path: Path, codec: str, suffix: str, bframes: int, gop: int, open_gop: bool
) -> None:
    path = tmp_path / f"clip{suffix}"
    make_clip(
        path, frames=60, size=(160, 90), codec=codec, gop=gop, bframes=bframes, open_gop=open_gop
    )
    packets = video_packets(path)
    order = sorted(pts for pts, _ in packets)
    keys = [order.index(pts) for pts, key in packets if key]
    assert keys == list(range(0, 60, gop))


@pytest.mark.parametrize(
    ("codec", "suffix"), [("libx264", ".mp4"), ("libx265", ".mkv"), ("mpeg2video", ".ts")]
)
def test_only_open_groups_have_frames_before_their_key_frame(
    tmp_path: Path, codec: str, suffix: str
) -> None:
    leading = {}
    for open_gop in (False, True):
        path = tmp_path / f"{open_gop}{suffix}"
        make_clip(path, frames=60, size=(160, 90), codec=codec, gop=20, open_gop=open_gop)
        count, last_key = 0, None
        for pts, key in video_packets(path):
            last_key = pts if key else last_key
            count += last_key is not None and pts < last_key
        leading[open_gop] = count
    assert leading[False] == 0
    assert leading[True] >= 2


@pytest.mark.parametrize("rate", [Fraction(25), Fraction(30000, 1001), Fraction(60)])
@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
def test_constant_rate(tmp_path: Path, rate: Fraction, suffix: str) -> None:
    path = tmp_path / f"clip{suffix}"
    make_clip(path, frames=40, size=(160, 90), rate=rate)
    times = video_times(path)
    tolerance = Fraction(1, 2000) if suffix == ".mkv" else 0
    assert len(times) == 40
    assert all(abs(t - i / rate) <= tolerance for i, t in enumerate(times))


@pytest.mark.parametrize(
    ("codec", "suffix", "tick"),
    [
        ("libx264", ".mp4", Fraction(1, 90_000)),
        ("libx265", ".mov", Fraction(1, 90_000)),
        ("mpeg4", ".mp4", Fraction(1, 60_000)),
        ("libx264", ".mkv", Fraction(1, 1000)),
    ],
)
def test_variable_rate_keeps_each_time(
    tmp_path: Path, codec: str, suffix: str, tick: Fraction
) -> None:
    gaps = np.random.default_rng(3).integers(8_000_000, 120_000_000, 49)
    times = [0, *(int(t) for t in np.cumsum(gaps))]
    path = tmp_path / f"clip{suffix}"
    make_clip(path, frames=50, size=(160, 90), codec=codec, gop=15, times_ns=times)
    found = video_times(path)
    assert len(found) == 50
    assert all(abs(f - Fraction(t, NS)) <= tick / 2 for f, t in zip(found, times, strict=True))


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv", ".ts", ".mpg"])
def test_start_offset_and_audio_lead(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"clip{suffix}"
    codec = "mpeg2video" if suffix == ".mpg" else "libx264"
    make_clip(path, frames=50, size=(160, 90), codec=codec, start_offset_s=2.5, audio_lead_s=0.4)
    times = video_times(path)
    _, first_sound, _ = sound(path)
    assert abs(times[0] - Fraction(29, 10)) <= Fraction(1, 1000)
    assert abs(float(first_sound) - 2.5) < 0.025  # a codec's first packet at most
    for second, start in enumerate(tone_starts(path)):
        assert abs(start - float(times[0]) - second) < 0.010


@pytest.mark.parametrize(
    ("suffix", "codec"),
    [
        (".mp4", "libx264"),
        (".mkv", "libx264"),
        (".ts", "libx264"),
        (".mpg", "mpeg2video"),
        (".avi", "mpeg4"),
        (".webm", "libvpx-vp9"),
    ],
)
def test_tones_fall_with_their_pictures(tmp_path: Path, suffix: str, codec: str) -> None:
    path = tmp_path / f"clip{suffix}"
    tones = [300_000_000, 1_210_000_000]
    make_clip(path, frames=50, size=(160, 90), codec=codec, bframes=0, tones_ns=tones)
    first = float(video_times(path)[0])
    found = tone_starts(path)
    assert len(found) == 2
    assert all(abs(f - first - t / NS) < 0.010 for f, t in zip(found, tones, strict=True))


def test_a_tone_is_1_khz_for_200_ms(tmp_path: Path) -> None:
    path = tmp_path / "clip.avi"
    make_clip(path, frames=25, size=(160, 90), codec="mpeg4", tones_ns=[400_000_000])
    samples, _, rate = sound(path)
    loud = np.flatnonzero(np.abs(samples) > 0.2)
    assert (loud[-1] - loud[0]) / rate == pytest.approx(0.2, abs=0.001)
    spectrum = np.abs(np.fft.rfft(samples[loud[0] : loud[-1]]))
    peak = np.argmax(spectrum) * rate / (loud[-1] - loud[0])
    assert peak == pytest.approx(1000, abs=5)


@pytest.mark.parametrize(("codec", "suffix"), [("libx264", ".mp4"), ("mpeg2video", ".mpg")])
def test_interlaced(tmp_path: Path, ffprobe: Probe, codec: str, suffix: str) -> None:
    path = tmp_path / f"clip{suffix}"
    make_clip(path, frames=12, codec=codec, interlaced=True, audio=False)
    with av.open(str(path)) as container:
        frames = list(container.decode(video=0))
    assert [read_number(f.reformat(format="gray").to_ndarray()) for f in frames] == list(range(12))
    assert all(f.interlaced_frame for f in frames)
    luma = frames[5].reformat(format="gray").to_ndarray()[:150].astype(int)
    between_fields = np.abs(luma[2:-1:2] - luma[1:-2:2]).mean()
    within_field = np.abs(luma[2::2] - luma[:-2:2]).mean()
    assert between_fields > 2 * within_field
    seen = ffprobe(path, "-show_entries", "frame=interlaced_frame,top_field_first")["frames"]
    seen = [f for f in seen if "interlaced_frame" in f]
    assert len(seen) == 12
    assert all(f["interlaced_frame"] == 1 and f["top_field_first"] == 1 for f in seen)


@pytest.mark.parametrize("suffix", [".mp4", ".mov"])
@pytest.mark.parametrize("degrees", [90, 180, 270])
def test_rotation(tmp_path: Path, ffprobe: Probe, suffix: str, degrees: int) -> None:
    path = tmp_path / f"clip{suffix}"
    make_clip(path, frames=5, size=(160, 90), rotation=degrees)
    stream = ffprobe(path, "-select_streams", "v", "-show_streams")["streams"][0]
    turns = [s["rotation"] for s in stream["side_data_list"] if "rotation" in s]
    # ffprobe counts counter-clockwise
    assert [-turn % 360 for turn in turns] == [degrees]
    with av.open(str(path)) as container:
        assert -next(container.decode(video=0)).rotation % 360 == degrees


@pytest.mark.parametrize(
    ("pixel_format", "codec"),
    [("yuv422p", "libx264"), ("yuv420p10le", "libx264"), ("yuv420p10le", "libx265")],
)
def test_pixel_formats(tmp_path: Path, pixel_format: str, codec: str) -> None:
    path = tmp_path / "clip.mkv"
    make_clip(path, frames=10, codec=codec, pixel_format=pixel_format)
    with av.open(str(path)) as container:
        frames = list(container.decode(video=0))
    assert {f.format.name for f in frames} == {pixel_format}
    assert [read_number(f.reformat(format="gray").to_ndarray()) for f in frames] == list(range(10))


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
def test_metadata_and_language(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"clip{suffix}"
    make_clip(
        path, frames=5, size=(160, 90), metadata={"title": "Größe", "artist": "B"}, language="fra"
    )
    with av.open(str(path)) as container:
        facts = {key.lower(): value for key, value in container.metadata.items()}
        language = container.streams.audio[0].metadata["language"]
    assert (facts["title"], facts["artist"], language) == ("Größe", "B", "fra")


def test_without_audio_there_is_no_audio_track(tmp_path: Path) -> None:
    make_clip(tmp_path / "clip.mp4", frames=5, size=(160, 90), audio=False)
    with av.open(str(tmp_path / "clip.mp4")) as container:
        assert [s.type for s in container.streams] == ["video"]


def test_the_same_call_gives_the_same_packets(tmp_path: Path) -> None:
    kept = []
    for name in ("one.mp4", "two.mp4"):
        make_clip(tmp_path / name, frames=20, size=(160, 90))
        with av.open(str(tmp_path / name)) as container:
            kept.append([bytes(p) for p in container.demux() if p.size])
    assert kept[0] == kept[1]


@pytest.mark.parametrize(
    ("name", "wrong", "says"),
    [
        ("a.flv", {}, "write one of"),
        ("a.mp4", {"frames": 0}, "at least one frame"),
        ("a.mp4", {"size": (161, 90)}, "even"),
        ("a.mkv", {"rotation": 90}, "mp4 and .mov"),
        ("a.mp4", {"rotation": 45}, "0, 90, 180 or 270"),
        ("a.avi", {"start_offset_s": 1.0}, "AVI"),
        ("a.mp4", {"times_ns": [0, 5]}, "2 times for 3 frames"),
        ("a.mp4", {"times_ns": [0, 5, 5]}, "increase"),
        ("a.mpg", {"times_ns": [0, 5, 9], "codec": "mpeg2video"}, "fixed rate"),
        ("a.mpg", {"gop": 601, "codec": "mpeg2video"}, "600"),
        ("a.mp4", {"interlaced": True, "codec": "libx265"}, "interlaced"),
        ("a.mp4", {"audio_lead_s": -1.0}, "0 or more"),
    ],
)
def test_what_cannot_be_is_refused(
    tmp_path: Path, name: str, wrong: dict[str, Any], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        make_clip(tmp_path / name, **{"frames": 3, "size": (160, 90), **wrong})
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_left_when_writing_stops(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*arguments: Any, **named: Any) -> None:
        def stop(done: float) -> None:
            if done > 0.5:
                raise KeyboardInterrupt

        write_recording(*arguments, progress=stop, **named)

    monkeypatch.setattr("synthetic_clips.clip.write_recording", interrupted)
    with pytest.raises(KeyboardInterrupt):
        make_clip(tmp_path / "clip.mp4", frames=60, size=(160, 90))
    assert list(tmp_path.iterdir()) == []
