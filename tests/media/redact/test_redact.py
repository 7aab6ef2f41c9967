"""Copies fit to share, read back by FFmpeg's programs and others, and by carving."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt
import pytest

from synthetic_clips import make_clip, read_number
from synthetic_clips.planted import NAMES, by_lengths, plant, words_in
from vidseg.media.codec import avc
from vidseg.media.picture.still import shown
from vidseg.media.read.frames import upright
from vidseg.media.read.probe import read_part
from vidseg.media.redact.redact import redact
from vidseg.media.redact.redact_plan import Redaction
from vidseg.media.redact.residue import residue
from vidseg.media.splice.verify import planes
from vidseg.media.write.cover import Box, Cover, box_of
from vidseg.model.annotation import Cue
from vidseg.model.mask import Mask
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.recording import Captions, Chapter, Recording
from vidseg.model.span import Span, Spans

S = 1_000_000_000
FRAME = S // 25
FRAMES = 75
BEGIN, END = 20, 33
MASKED = (50, 64)


def one(path: Path) -> Recording:
    return Recording((read_part(path),))


def spans(*frames: tuple[int, int]) -> Spans:
    return Spans(Span(first * FRAME, last * FRAME) for first, last in frames)


def mask(x: int, y: int, width: int, height: int) -> Mask:
    return Mask(x, y, width, height, Span(MASKED[0] * FRAME, MASKED[1] * FRAME))


KINDS: dict[str, dict[str, Any]] = {
    "plain.mp4": {},
    "pyramid.mkv": {"bframes": 3, "options": {"x264-params": "b-pyramid=normal"}},
    "late.ts": {"start_offset_s": 100.0, "audio_lead_s": 0.3},
    "fields.mp4": {"interlaced": True},
    "ten.mov": {"pixel_format": "yuv422p10le"},
    "five.mp4": {"codec": "libx265"},
    "five-open.mkv": {"codec": "libx265", "open_gop": True, "bframes": 3},
    "mpeg2.mpg": {"codec": "mpeg2video"},
    "prores.mov": {"codec": "prores_ks", "pixel_format": "yuv422p10le"},
    "jpeg.avi": {"codec": "mjpeg", "pixel_format": "yuvj420p"},
    "nine.webm": {"codec": "libvpx-vp9"},
}
COPIED = ("plain.mp4", "pyramid.mkv", "late.ts", "fields.mp4", "ten.mov", "five.mp4",
          "five-open.mkv")  # fmt: skip


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    folder = tmp_path_factory.mktemp("sources")

    def give(name: str) -> Path:
        path = folder / name
        if not path.exists():
            given = {"frames": FRAMES, "size": (320, 192), "gop": 12} | KINDS[name]
            make_clip(path, **given)  # type: ignore[arg-type]
        return path

    return give


def frames(path: Path, **options: str) -> list[tuple[Fraction, av.VideoFrame]]:
    with av.open(str(path), options=options) as container:
        stream = container.streams.video[0]
        assert stream.time_base is not None
        return [
            (f.pts * stream.time_base, f) for f in container.decode(stream) if f.pts is not None
        ]


def numbers(path: Path, **options: str) -> list[int | None]:
    return [read_number(f.to_ndarray(format="gray")) for _, f in frames(path, **options)]


@pytest.mark.parametrize("name", KINDS)
def test_cut_and_masked(source: Callable[[str], Path], tmp_path: Path, name: str) -> None:
    """Removed frames are nowhere, masks are black sample by sample, the rest is in its time."""
    path, out = source(name), tmp_path / ("out.mkv" if name.endswith("mkv") else "out.mp4")
    asked = mask(45, 21, 70, 50)
    done = redact(one(path), Redaction(spans((BEGIN, END)), masks=(asked,)), out)
    kept = [*range(BEGIN), *range(END, FRAMES)]
    assert done.kept == (
        (Span(0, BEGIN * FRAME), 0),
        (Span(END * FRAME, FRAMES * FRAME), BEGIN * FRAME),
    )
    assert numbers(out) == kept
    assert numbers(out, ignore_editlist="1") == kept
    found = frames(out)
    assert [abs(at - Fraction(place, 25)) < Fraction(1, 1000) for place, (at, _) in
            enumerate(found)] == [True] * len(kept)  # fmt: skip
    cover = Cover((Box(45, 21, 115, 71),))
    strays = {n: cover.strays(frame) for n, (_, frame) in zip(kept, found, strict=True)}
    assert {n for n, off in strays.items() if off == 0} == set(range(*MASKED))
    for number, (_, frame) in zip(kept, found, strict=True):
        if MASKED[0] <= number < MASKED[1]:
            luma = planes(frame)[0].view(np.uint16 if "10" in frame.format.name else np.uint8)
            assert len(np.unique(luma[21:71, 45:115])) == 1, "the mask is not even"
    assert done.copied_frames + done.encoded_frames == len(kept)
    assert (done.copied_frames > 0) == (name in COPIED), done.ways
    if name in COPIED:
        # all but the masked frames, one group on either side of each of the three edges
        assert done.encoded_frames <= MASKED[1] - MASKED[0] + 3 * 12, done.ways
    assert residue(out, ()) == ()


def test_copied_pictures_are_those_of_the_source(
    source: Callable[[str], Path], tmp_path: Path
) -> None:
    """Where nothing is done to the pictures, every sample of every one is the source's."""
    for name in COPIED:
        out = tmp_path / f"{name}.mp4"
        done = redact(one(source(name)), Redaction(), out)
        assert (done.copied_frames, done.encoded_frames) == (FRAMES, 0), (name, done.ways)
        for (_, mine), (_, theirs) in zip(frames(out), frames(source(name)), strict=True):
            assert all(map(np.array_equal, planes(mine), planes(theirs))), name


def carved(path: Path) -> list[int | None]:
    """Decode every unit in the media data of an MP4 without sound, in the order of the bytes."""
    data = path.read_bytes()
    at = data.index(b"avcC") + 4
    _, sets = avc.read_header(data[at : at + int.from_bytes(data[at - 8 : at - 4], "big") - 8])
    at = data.index(b"mdat", data.index(b"moov")) + 4
    units = by_lengths(data[at : at - 8 + int.from_bytes(data[at - 8 : at - 4], "big")])
    stream = b"".join(b"\0\0\0\1" + unit for unit in [*sets, *units])
    decoder: Any = av.CodecContext.create("h264", "r")
    found = []
    for packet in [*decoder.parse(stream), *decoder.parse(b""), None]:
        found += [read_number(f.to_ndarray(format="gray")) for f in decoder.decode(packet)]
    return found


@pytest.mark.parametrize("name", ["plain.mp4", "mpeg2.mpg"])
def test_carving_finds_no_removed_frame(
    source: Callable[[str], Path], tmp_path: Path, name: str
) -> None:
    out = tmp_path / "out.mp4"
    redact(one(source(name)), Redaction(spans((BEGIN, END))), out)
    assert carved(out) == [*range(BEGIN), *range(END, FRAMES)]


def test_frames_hidden_by_an_old_edit_list_go(
    source: Callable[[str], Path], tmp_path: Path, ffmpeg: Callable[..., None]
) -> None:
    cut, out = tmp_path / "cut.mp4", tmp_path / "out.mp4"
    ffmpeg("-ss", "0.8", "-i", source("plain.mp4"), "-c", "copy", cut)
    assert numbers(cut) == [*range(20, FRAMES)]
    assert 13 in numbers(cut, ignore_editlist="1"), "nothing is hidden in the source"
    redact(one(cut), Redaction(), out)
    assert numbers(out) == numbers(out, ignore_editlist="1") == [*range(20, FRAMES)]
    assert carved(out) == [*range(20, FRAMES)]


@pytest.mark.parametrize("name", ["plain.mp4", "mpeg2.mpg"])
def test_blanked_time_is_kept_and_black(
    source: Callable[[str], Path], tmp_path: Path, name: str
) -> None:
    out = tmp_path / "out.mp4"
    recording = one(source(name))
    done = redact(recording, Redaction(blanked=spans((BEGIN, END))), out)
    assert done.kept == ((Span(0, FRAMES * FRAME), 0),)
    hidden = [None] * (END - BEGIN)
    assert numbers(out) == [*range(BEGIN), *hidden, *range(END, FRAMES)]
    for _, frame in frames(out)[BEGIN:END]:
        assert [set(np.unique(plane)) for plane in planes(frame)] == [{16}, {128}, {128}]


@pytest.mark.parametrize("rotation", [90, 180, 270])
def test_a_mask_is_told_in_px_of_the_picture_as_shown(tmp_path: Path, rotation: int) -> None:
    path, out = tmp_path / "turned.mp4", tmp_path / "out.mp4"
    make_clip(path, frames=12, size=(320, 192), rotation=rotation, audio=False)
    recording = one(path)
    redact(recording, Redaction(masks=(Mask(10, 100, 60, 40),)), out)
    copy = read_part(out)
    assert copy.rotation == recording.parts[0].rotation == rotation
    for _, frame in frames(out):
        luma = upright(frame.to_ndarray(format="gray"), rotation)  # type: ignore[arg-type]
        assert len(np.unique(luma[100:140, 10:70])) == 1
        assert len(np.unique(luma[0:60])) > 1, "more than the mask is covered"


@pytest.mark.parametrize(
    ("codec", "pixel_format"),
    [("rawvideo", "bgr24"), ("ffv1", "gray16le"), ("ffv1", "yuv422p12le"), ("ffv1", "yuv411p"),
     ("libx264", "yuv444p"), ("libx264", "gray")],
)  # fmt: skip
def test_masks_are_black_in_every_pixel_format(
    tmp_path: Path, codec: str, pixel_format: str
) -> None:
    path = tmp_path / ("source.avi" if codec == "rawvideo" else "source.mkv")
    out = tmp_path / "out.mp4"
    noise = np.random.default_rng(7).integers(0, 255, (6, 98, 162, 3)).astype(np.uint8)
    with av.open(str(path), "w") as target:
        stream: Any = target.add_stream(codec, rate=25)
        stream.width, stream.height, stream.pix_fmt = 162, 98, pixel_format
        for picture in noise:
            frame = av.VideoFrame.from_ndarray(picture, "rgb24").reformat(format=pixel_format)
            target.mux(stream.encode(frame))
        target.mux(stream.encode(None))
    done = redact(one(path), Redaction(masks=(Mask(33, 21, 40, 30),)), out)
    assert done.encoded_frames == len(frames(out)) == 6
    for _, frame in frames(out):
        picture = frame.to_ndarray(format="rgb24")
        assert len(np.unique(picture[22:50, 34:72])) == 1
        assert int(picture[22:50, 34:72].max()) <= 1
        assert len(np.unique(picture)) > 30, "more than the mask is covered"


def test_a_mask_on_pixels_that_are_not_square(tmp_path: Path) -> None:
    part = read_part(_wide(tmp_path))
    assert part.pixel_aspect == 2
    assert box_of(Mask(101, 10, 98, 20), part) == Box(50, 10, 100, 30)
    out = tmp_path / "out.mp4"
    redact(Recording((part,)), Redaction(masks=(Mask(101, 10, 98, 20),)), out)
    assert read_part(out).pixel_aspect == 2
    picture = shown(frames(out)[-1][1], part)
    assert int(picture[12:28, 104:196].max()) == 0


def _wide(folder: Path) -> Path:
    """A recording whose pixels are twice as wide as high."""
    path, plain = folder / "wide.mp4", folder / "plain.mp4"
    make_clip(plain, frames=6, size=(160, 96), audio=False)
    with av.open(str(plain)) as given, av.open(str(path), "w") as target:
        stream = target.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 160, 96, "yuv420p"
        stream.codec_context.sample_aspect_ratio = Fraction(2)
        for frame in given.decode(video=0):
            target.mux(stream.encode(frame))
        target.mux(stream.encode(None))
    return path


def heard(program: str, path: Path) -> npt.NDArray[np.float32]:
    command = [program, "-v", "error", "-i", str(path), "-map", "0:a", "-ac", "1", "-f", "f32le"]
    done = subprocess.run([*command, "-"], capture_output=True, check=True, timeout=300)
    return np.frombuffer(done.stdout, np.float32)


@pytest.mark.parametrize("suffix", ["mp4", "mkv"])
def test_silence_is_zero_after_decoding(tmp_path: Path, suffix: str) -> None:
    """Read by the ffmpeg program. A tone lasts 200 ms; those at 1.0 and 2.0 s go."""
    program = shutil.which("ffmpeg")
    if program is None:
        pytest.skip("ffmpeg is not installed")
    path, out = tmp_path / "source.mp4", tmp_path / f"out.{suffix}"
    make_clip(path, frames=FRAMES, size=(160, 96), tones_ns=[S // 2, S, 2 * S, 5 * S // 2])
    asked = Redaction(
        keep_sound=True, silenced=Spans([Span(950 * S // 1000, 1250 * S // 1000)]),
        blanked=Spans([Span(1960 * S // 1000, 2240 * S // 1000)]),
    )  # fmt: skip
    redact(one(path), asked, out)
    samples = heard(program, out)
    for start, end in ((0.95, 1.25), (1.96, 2.24)):
        assert not samples[round(start * 48000) : round(end * 48000)].any()
    for start in (0.5, 2.5):
        assert np.abs(samples[round((start + 0.05) * 48000) :][:4800]).max() > 0.05
    assert residue(out, ()) == ()


def test_sound_goes_by_default_and_is_cut_with_the_pictures(tmp_path: Path) -> None:
    path, silent, kept = tmp_path / "source.mp4", tmp_path / "silent.mp4", tmp_path / "kept.mp4"
    make_clip(path, frames=FRAMES, size=(160, 96), tones_ns=[S, 2 * S])
    cut = spans((BEGIN, END))
    redact(one(path), Redaction(cut), silent)
    assert read_part(silent).audio == ()
    redact(one(path), Redaction(cut, keep_sound=True), kept)
    with av.open(str(kept)) as container:
        sound = np.concatenate([f.to_ndarray()[0] for f in container.decode(audio=0)])
    loud = np.flatnonzero(np.abs(sound) > 0.05) / 48000
    assert abs(loud[0] - (2.0 - (END - BEGIN) / 25)) < 0.03, "the tone at 1.0 s was removed"


Planted = dict[str, tuple[Path, dict[str, str]]]


@pytest.fixture(scope="module")
def planted(tmp_path_factory: pytest.TempPathFactory) -> Planted:
    """The planted recordings by name: path, and where each word was put."""
    folder = tmp_path_factory.mktemp("planted")
    return {name: plant(folder, name) for name in NAMES}


@pytest.mark.parametrize("name", NAMES)
def test_no_planted_word_is_left(tmp_path: Path, planted: Planted, name: str) -> None:
    """Searched for byte by byte, and in what independent programs print."""
    path, words = planted[name]
    assert words_in(path.read_bytes(), words) == [*words], "not all words were planted"
    recording = one(path)
    for suffix in ("mp4", "mkv"):
        out = tmp_path / f"out.{suffix}"
        done = redact(recording, Redaction(keep_sound=True), out)
        assert words_in(out.read_bytes(), words) == []
        assert (done.copied_frames > 0) == (name != "mpeg4.avi"), done.ways
        for command in READERS:
            if shutil.which(command[0]) and not (command[0] == "mkvinfo" and suffix == "mp4"):
                printed = subprocess.run([*command, out], capture_output=True, timeout=300).stdout
                assert printed
                assert words_in(printed, words) == [], command
                assert b"2019" not in printed, command
                assert b"13:37:42" not in printed, command


READERS = (
    ("exiftool", "-a", "-u", "-U", "-G1", "-ee3"),
    ("mediainfo", "--Full"),
    ("ffprobe", "-v", "quiet", "-show_format", "-show_streams", "-show_chapters",
     "-show_programs", "-show_frames"),
    ("mkvinfo", "-v", "-v", "-v"),
)  # fmt: skip


def test_more_than_sixty_words_are_planted(planted: Planted) -> None:
    assert sum(len(words) for _, words in planted.values()) >= 60


def test_chapters_and_captions_move_with_the_cut(tmp_path: Path) -> None:
    path, out = tmp_path / "source.mp4", tmp_path / "out.mkv"
    make_clip(path, frames=FRAMES, size=(160, 96), audio=False)
    chapters = [Chapter(Span(0, S), "A"), Chapter(Span(FRAME * 22, FRAME * 30), "B"),
                Chapter(Span(2 * S, 3 * S), "C")]  # fmt: skip
    cues = (Cue(Span(0, S // 2), "before"), Cue(Span(FRAME * 31, FRAME * 35), "said while cut"),
            Cue(Span(2 * S, 2 * S + S // 2), "after"))  # fmt: skip
    captions = Captions("", cues, "John Doe")
    done = redact(one(path), Redaction(spans((BEGIN, END))), out, chapters=chapters,
                  captions=captions)  # fmt: skip
    gone = (END - BEGIN) * FRAME
    with av.open(str(out)) as container:
        found = [(c["start"], c["end"], c["metadata"]["title"]) for c in container.chapters()]
        texts = [(round(p.pts * p.time_base * S), bytes(p)) for p in container.demux(subtitles=0)
                 if p.size and p.pts is not None]  # fmt: skip
    assert found == [(0, BEGIN * FRAME, "A"), (2 * S - gone, 3 * S - gone, "C")]
    assert texts == [(0, b"before"), (2 * S - gone, b"after")]
    assert residue(out, ("A", "C", "before", "after")) == ()
    assert len(done.notes) == 2


def test_any_part_of_a_frame_counts(source: Callable[[str], Path], tmp_path: Path) -> None:
    out = tmp_path / "out.mp4"
    cut = Spans([Span(BEGIN * FRAME + FRAME - 1, END * FRAME + 1)])
    redact(one(source("plain.mp4")), Redaction(cut), out)
    assert numbers(out) == [*range(BEGIN), *range(END + 1, FRAMES)]


def test_parts_with_a_hole_between_them(source: Callable[[str], Path], tmp_path: Path) -> None:
    first = read_part(source("plain.mp4"))
    late = replace(first, start=first.length + 7 * S)
    out = tmp_path / "out.mp4"
    whole = Spans([Span(0, S), Span(late.start + 2 * S, late.start + 3 * S)])
    done = redact(Recording((first, late), "declared"), Redaction(whole), out)
    assert done.kept == (
        (Span(S, 3 * S), 0),
        (Span(late.start, late.start + 2 * S), 2 * S),
    )
    assert numbers(out) == [*range(25, 75), *range(50)]


def test_refused(source: Callable[[str], Path], tmp_path: Path) -> None:
    recording = one(source("plain.mp4"))
    out = tmp_path / "out.mp4"
    with pytest.raises(UsageError, match="nothing"):
        redact(recording, Redaction(Spans([Span(0, 4 * S)])), out)
    with pytest.raises(UsageError, match="outside the picture"):
        redact(recording, Redaction(masks=(Mask(320, 0, 10, 10),)), out)
    with pytest.raises(MediaError, match="recording itself"):
        redact(recording, Redaction(), source("plain.mp4"))
    with pytest.raises(MediaError, match=r"\.mkv"):
        redact(recording, Redaction(), tmp_path / "out.webm")
    assert not list(tmp_path.iterdir())


def test_everything_anew_if_asked(source: Callable[[str], Path], tmp_path: Path) -> None:
    done = redact(one(source("plain.mp4")), Redaction(reencode=True), tmp_path / "out.mp4")
    assert (done.copied_frames, done.encoded_frames) == (0, FRAMES)
    assert numbers(tmp_path / "out.mp4") == [*range(FRAMES)]
