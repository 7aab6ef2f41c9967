"""Which frames the clips of a case hold, and that they are written so."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import webvtt as webvtt_py

from synthetic_clips import make_clip, read_number
from vidseg.export.clips import (
    REPORT_COLUMNS,
    ClipPlan,
    clip_files,
    plan_clips,
    report_row,
    write_clips,
)
from vidseg.media.read.probe import read_part
from vidseg.model.annotation import Annotation, Cue, Segment
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.procedure import Kind, Step
from vidseg.model.recording import Captions, Recording
from vidseg.model.span import Span

MS = 1_000_000
RATE = 25

INCISION = Step("incision", "Corneal incision")
VISCO = Step("visco elastic/ovd", "Viscoelastic")
PHASE = Step("opening", "Opening", Kind.PHASE)
PAUSE = Step("pause", "Recording paused", Kind.EXCLUDED)


def frames(step: Step, first: int, last: int) -> Segment:
    return Segment(step, Span(first * 40 * MS, last * 40 * MS))


SEGMENTS = (
    frames(PHASE, 0, 60),
    frames(INCISION, 5, 15),
    frames(VISCO, 15, 22),
    frames(INCISION, 30, 50),
)
TOLD = Annotation("case", "test", segments=SEGMENTS, excluded=(frames(PAUSE, 36, 40),))


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    path = tmp_path_factory.mktemp("source") / "case.mp4"
    make_clip(path, frames=75, gop=25)
    return Recording((read_part(path),))


def ranges(plan: ClipPlan) -> tuple[tuple[int, int], ...]:
    return tuple((piece.first, piece.last) for piece in plan.clip.pieces)


def test_one_clip_a_visit_without_excluded_time(recording: Recording) -> None:
    plans = plan_clips(TOLD, recording)
    assert [(p.clip.name, p.visit, ranges(p)) for p in plans] == [
        ("01-incision.mp4", 1, ((5, 15),)),
        ("02-visco-elastic-ovd.mp4", 1, ((15, 22),)),
        ("03-incision-2.mp4", 2, ((30, 36), (40, 50))),
    ]
    assert plans[2].clip.spans == (Span(1200 * MS, 1440 * MS), Span(1600 * MS, 2000 * MS))
    assert (plans[2].clip.n_frames, plans[2].clip.length) == (16, 640 * MS)


def test_chosen_steps_keep_their_numbers(recording: Recording) -> None:
    plans = plan_clips(TOLD, recording, steps=["visco elastic/ovd"])
    assert [p.clip.name for p in plans] == ["02-visco-elastic-ovd.mp4"]
    assert [p.clip.name for p in plan_clips(TOLD, recording, steps=["opening"])] == [
        "01-opening.mp4"
    ]
    with pytest.raises(UsageError, match=r"no such step in this case: rhexis; it has incision"):
        plan_clips(TOLD, recording, steps=["rhexis"])


def test_padding_stops_at_the_edges_and_at_excluded_time(recording: Recording) -> None:
    padded = {p.clip.name: ranges(p) for p in plan_clips(TOLD, recording, pad_ns=280 * MS)}
    assert padded == {
        "01-incision.mp4": ((0, 22),),
        "02-visco-elastic-ovd.mp4": ((8, 29),),
        "03-incision-2.mp4": ((23, 36), (40, 57)),
    }
    before_pause = Annotation(
        "case", "test", segments=(frames(VISCO, 30, 35),), excluded=(frames(PAUSE, 36, 40),)
    )
    (plan,) = plan_clips(before_pause, recording, pad_ns=1000 * MS)
    assert ranges(plan) == ((5, 36),)


def test_visits_joined(recording: Recording) -> None:
    plans = plan_clips(TOLD, recording, join_visits=True)
    assert [(p.clip.name, p.visit, ranges(p)) for p in plans] == [
        ("01-incision.mp4", None, ((5, 15), (30, 36), (40, 50))),
        ("02-visco-elastic-ovd.mp4", None, ((15, 22),)),
    ]
    (near, _) = plan_clips(TOLD, recording, pad_ns=320 * MS, join_visits=True)
    assert ranges(near) == ((0, 36), (40, 58))  # padded visits meet and are shown once


def test_a_visit_within_one_frame_gets_that_frame(recording: Recording) -> None:
    told = Annotation("case", "t", segments=(Segment(VISCO, Span(401 * MS, 403 * MS)),))
    assert ranges(plan_clips(told, recording)[0]) == ((10, 11),)


def test_a_visit_that_is_all_excluded_gives_no_clip(recording: Recording) -> None:
    told = Annotation(
        "case", "t", segments=(frames(VISCO, 10, 12),), excluded=(frames(PAUSE, 8, 20),)
    )
    assert plan_clips(told, recording) == ()


CAPTIONS = Captions(
    "narration.vtt",
    (
        Cue(Span(400 * MS, 800 * MS), "a < b & so on"),
        Cue(Span(1400 * MS, 1700 * MS), "over the pause"),
    ),
    "en",
)


@pytest.fixture
def ffmpeg() -> str:
    found = shutil.which("ffmpeg")
    if found is None:
        pytest.skip("ffmpeg is not installed")
    return found


def bar_codes(ffmpeg: str, path: Path) -> list[int | None]:
    raw = subprocess.run(
        [ffmpeg, "-v", "error", "-xerror", "-i", path, "-map", "0:v:0", "-fps_mode", "passthrough",
         "-f", "rawvideo", "-pix_fmt", "gray", "-"],
        capture_output=True,
        check=True,
    ).stdout  # fmt: skip
    return [read_number(frame) for frame in np.frombuffer(raw, np.uint8).reshape(-1, 180, 320)]


def test_written_clips_and_their_captions(
    recording: Recording, ffmpeg: str, tmp_path: Path
) -> None:
    plans = plan_clips(TOLD, recording, captions=CAPTIONS)
    clips = [plan.clip for plan in plans]
    heard: list[str] = []
    seen: list[float] = []
    folder = tmp_path / "clips"
    reports = write_clips(
        clips,
        folder,
        progress=seen.append,
        on_clip=lambda place, report: heard.append(clips[place].name),
    )
    written = sorted(folder.iterdir())
    assert [p.name for p in written] == [
        "01-incision.mp4",
        "01-incision.vtt",
        "02-visco-elastic-ovd.mp4",
        "02-visco-elastic-ovd.vtt",
        "03-incision-2.mp4",
        "03-incision-2.vtt",
    ]
    assert sorted(heard) == ["01-incision.mp4", "02-visco-elastic-ovd.mp4", "03-incision-2.mp4"]
    for plan, report in zip(plans, reports, strict=True):
        assert report.copied_frames + report.encoded_frames == plan.clip.n_frames
        row = report_row(plan, report)
        assert set(row) == set(REPORT_COLUMNS)
        assert (row["file"], row["frames"]) == (plan.clip.name, plan.clip.n_frames)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert bar_codes(ffmpeg, written[0]) == list(range(5, 15))
    assert bar_codes(ffmpeg, written[4]) == [*range(30, 36), *range(40, 50)]
    cues = [(c.start, c.end) for c in webvtt_py.read(str(written[5]))]
    assert cues == [
        ("00:00:00.200", "00:00:00.240"),  # 1.4 s to the pause at 1.44 s
        ("00:00:00.240", "00:00:00.340"),  # from the end of the pause at 1.6 s to 1.7 s
    ]
    inside = subprocess.run(
        [ffmpeg, "-v", "error", "-i", written[0], "-map", "0:s:0", "-f", "srt", "-"],
        capture_output=True,
        check=True,
    ).stdout.decode()
    assert inside.splitlines()[1:3] == ["00:00:00,200 --> 00:00:00,400", "a < b & so on"]


def test_a_clip_in_silence_has_no_caption_file(recording: Recording) -> None:
    none_said = Captions("x", (Cue(Span(0, 200 * MS), "early"),))
    plans = plan_clips(TOLD, recording, captions=none_said)
    assert [len(clip_files(plan.clip)) for plan in plans] == [1, 1, 1]
    plans = plan_clips(TOLD, recording, captions=CAPTIONS)
    assert clip_files(plans[0].clip) == ("01-incision.mp4", "01-incision.vtt")


def test_finished_clips_stay_and_half_ones_do_not(tmp_path: Path, recording: Recording) -> None:
    def interrupt(plan: object, report: object) -> None:
        raise KeyboardInterrupt

    clips = [plan.clip for plan in plan_clips(TOLD, recording)]
    with pytest.raises(KeyboardInterrupt):
        write_clips(clips, tmp_path, cores=1, on_clip=interrupt)
    assert [p.name for p in tmp_path.iterdir()] == ["01-incision.mp4"]


def test_damage_is_told(tmp_path: Path, make_damaged: Callable[[Path], Recording]) -> None:
    plans = plan_clips(TOLD, make_damaged(tmp_path))
    with pytest.raises(MediaError, match="cannot be decoded"):
        write_clips([plan.clip for plan in plans], tmp_path)


@pytest.fixture
def make_damaged() -> Callable[[Path], Recording]:
    def make(folder: Path) -> Recording:
        path = folder / "case.mkv"
        make_clip(path, frames=75, gop=25)
        part = read_part(path)
        whole = path.read_bytes()
        path.write_bytes(whole[: len(whole) // 6])
        return Recording((part,))

    return make
