"""Windows, parts, stops: with a recogniser of our own making, so that no model is needed."""

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from synthetic_clips import make_clip
from vidseg.media.read.probe import open_recording
from vidseg.media.stream.voice import RATE_HZ, Voice, voice
from vidseg.model.clock import NS
from vidseg.model.problem import UsageError
from vidseg.model.progress import Progress
from vidseg.model.span import Span
from vidseg.model.transcript import HeardWord
from vidseg.speech import transcribe as module
from vidseg.speech.transcribe import transcribe

TONE_S = (1, 4, 9, 13, 18, 22)
LENGTH_S = 24


def write_tones(path: Path, tones_s: Sequence[int] = TONE_S, length_s: int = LENGTH_S) -> Path:
    """Write a recording with a tone of 200 ms at each of ``tones_s``."""
    make_clip(
        path,
        frames=length_s * 10,
        rate=Fraction(10),
        size=(64, 48),
        tones_ns=[at * NS for at in tones_s],
    )
    return path


class ToneHearer:
    """Hears a word wherever sound begins; stops, as Ctrl-C does, before window ``stop_at``."""

    language = "en"

    def __init__(self, stop_at: int | None = None) -> None:
        self.windows = 0
        self.stop_at = stop_at

    def heard(self, samples: Voice, progress: Progress | None = None) -> tuple[HeardWord, ...]:
        if self.windows == self.stop_at:
            raise KeyboardInterrupt
        self.windows += 1
        loud = np.abs(samples) > 0.05
        quiet_before = np.concatenate(
            [[True], np.convolve(loud, np.ones(1600))[: len(loud) - 1] == 0]
        )
        starts = np.flatnonzero(loud & quiet_before) * NS // RATE_HZ
        if progress is not None:
            progress(1.0)
        return tuple(HeardWord(Span(int(at), int(at) + NS // 2), "beep", 0.9) for at in starts)


@pytest.fixture
def small_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "WINDOW_S", 8)
    monkeypatch.setattr(module, "SEARCH_S", 4)


def hear(
    paths: Sequence[Path],
    state: Path,
    hearer: ToneHearer,
    key: str = "k",
    starts: Sequence[int] = (),
) -> list[float]:
    """Give the seconds at which words begin; progress must rise to 1."""
    made: Callable[[], Any] = lambda: hearer  # noqa: E731
    told: list[float] = []
    recording = open_recording(paths, starts=starts)
    found = transcribe(recording, made, state, key, "tones", told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0
    return [word.span.start / NS for word in found.words]


def test_the_voice_is_one_channel_from_the_first_frame_to_the_last(tmp_path: Path) -> None:
    (part,) = open_recording([write_tones(tmp_path / "a.mkv")]).parts
    samples = np.concatenate(list(voice(part, 0)))
    assert abs(len(samples) - LENGTH_S * RATE_HZ) <= 2
    loud = np.flatnonzero(np.abs(samples) > 0.05)
    assert abs(loud[0] / RATE_HZ - TONE_S[0]) < 0.01
    within = samples[loud[0] + 800 : loud[0] + 2400]
    # a cosine of amplitude 0.5, within what AAC loses
    assert float(np.sqrt(np.mean(within**2))) == pytest.approx(0.5 / 2**0.5, rel=0.05)


@pytest.mark.usefixtures("small_windows")
def test_windows_lose_nothing_and_cut_where_it_is_quiet(tmp_path: Path) -> None:
    hearer = ToneHearer()
    found = hear([write_tones(tmp_path / "a.mkv")], tmp_path / "state", hearer)
    assert found == pytest.approx(TONE_S, abs=0.01)
    assert hearer.windows >= 3


@pytest.mark.usefixtures("small_windows")
def test_stopped_and_begun_again_hears_only_what_is_left(tmp_path: Path) -> None:
    recording, state = write_tones(tmp_path / "a.mkv"), tmp_path / "state"
    whole = ToneHearer()
    wanted = hear([recording], tmp_path / "other", whole)
    with pytest.raises(KeyboardInterrupt):
        hear([recording], state, ToneHearer(stop_at=2))
    with state.open("ab") as file:
        file.write(b'{"window": "0:99", "wo')  # torn by a power cut
    rest = ToneHearer()
    assert hear([recording], state, rest) == wanted
    assert rest.windows == whole.windows - 2


@pytest.mark.usefixtures("small_windows")
def test_what_was_heard_under_another_key_is_not_used(tmp_path: Path) -> None:
    recording, state = write_tones(tmp_path / "a.mkv"), tmp_path / "state"
    first, second = ToneHearer(), ToneHearer()
    hear([recording], state, first)
    assert hear([recording], state, second, "another") == pytest.approx(TONE_S, abs=0.01)
    assert second.windows == first.windows


def test_parts_are_heard_on_one_clock(tmp_path: Path) -> None:
    paths = [
        write_tones(tmp_path / "a.mkv", (1, 4), 6),
        write_tones(tmp_path / "b.mkv", (2,), 5),
    ]
    found = hear(paths, tmp_path / "state", ToneHearer(), starts=(0, 10 * NS))
    assert found == pytest.approx((1, 4, 12), abs=0.01)


def test_no_sound_is_said(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", frames=10, audio=False)
    with pytest.raises(UsageError, match=r"a\.mp4 has no sound track"):
        hear([tmp_path / "a.mp4"], tmp_path / "state", ToneHearer())
