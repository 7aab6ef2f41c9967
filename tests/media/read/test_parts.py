"""Several files, one case clock."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from synthetic_clips import make_clip, read_number
from vidseg.media.read.frames import decode
from vidseg.media.read.parts import join_parts, timecode_starts
from vidseg.media.read.probe import open_recording
from vidseg.model.clock import NS
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.recording import Part, Recording


@pytest.fixture
def minute(ten_minutes: Recording) -> Part:
    whole = ten_minutes.parts[0]
    return replace(whole, frame_ns=whole.frame_ns[:1500], length=60 * NS)


def named(part: Part, name: str, **changes: object) -> Part:
    return replace(part, path=Path(name), **changes)  # type: ignore[arg-type]


def test_parts_touch_where_nothing_is_known(minute: Part) -> None:
    both = join_parts([named(minute, "a.mp4"), named(minute, "b.mp4")])
    assert both.clock == "touching"
    assert [part.start for part in both.parts] == [0, 60 * NS]


def test_declared_starts_leave_holes(minute: Part) -> None:
    day = 9 * 3600 * NS
    parts = [named(minute, "a.mp4"), named(minute, "b.mp4")]
    both = join_parts(parts, [day, day + 90 * NS])
    assert both.clock == "declared"
    assert [(s.start // NS, s.end // NS) for s in both.recorded] == [(0, 60), (90, 150)]


def test_timecode_tracks_that_agree_count(minute: Part) -> None:
    parts = [
        named(minute, "a.mp4", timecode="09:00:00:00"),
        named(minute, "b.mp4", timecode="09:01:30:05"),
    ]
    both = join_parts(parts)
    assert both.clock == "timecode"
    assert both.parts[1].start == 90 * NS + 200_000_000


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("09:00:00:00", "09:00:30:00"),  # starts before the first part ends
        ("09:00:00:00", "23:00:00:00"),  # a hole of 14 hours
        ("09:00:00:00", None),
        ("00:00:00:00", "00:00:00:00"),  # every file starts anew
    ],
)
def test_timecode_tracks_that_do_not_agree_do_not_count(
    minute: Part, first: str, second: str | None
) -> None:
    parts = [named(minute, "a.mp4", timecode=first), named(minute, "b.mp4", timecode=second)]
    assert timecode_starts(parts) is None
    assert join_parts(parts).clock == "touching"


def test_bad_parts(minute: Part) -> None:
    a, b = named(minute, "a.mp4"), named(minute, "b.mp4")
    with pytest.raises(UsageError, match="given twice"):
        join_parts([a, a])
    with pytest.raises(MediaError, match="320x180"):
        join_parts([a, named(minute, "b.mp4", width=320, height=180)])
    with pytest.raises(MediaError, match="frames/s"):
        join_parts([a, named(minute, "b.mp4", rate=Fraction(30))])
    with pytest.raises(UsageError, match="in order"):
        join_parts([a, b], [10 * NS, 5 * NS])
    with pytest.raises(UsageError, match="wholly within"):
        join_parts(
            [a, named(minute, "b.mp4", frame_ns=minute.frame_ns[:50], length=2 * NS)], [0, NS]
        )


def test_overlapping_files_show_each_moment_once(tmp_path: Path) -> None:
    # the second file repeats the last 20 frames of the first
    make_clip(tmp_path / "a.mp4", frames=100, size=(320, 180), gop=25)
    make_clip(tmp_path / "b.mp4", frames=80, size=(320, 180), gop=25, first_number=80)
    both = open_recording([tmp_path / "a.mp4", tmp_path / "b.mp4"], starts=[0, 80 * NS // 25])
    second = both.parts[1]
    assert second.skipped == 20
    assert both.n_frames == 160
    assert both.length == 160 * NS // 25
    assert np.all(np.diff(second.frame_ns) > 0)
    shown = [read_number(frame.to_ndarray(format="gray")) for _, frame in decode(second, 0, 60)]
    assert shown == list(range(100, 160))
