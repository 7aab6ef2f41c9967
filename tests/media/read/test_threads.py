"""The number of threads that is chosen reaches decoders and encoders, and changes no byte."""

from collections.abc import Iterator
from pathlib import Path

import cv2
import pytest

from synthetic_clips import make_clip
from vidseg.media.read import threads
from vidseg.media.read.opening import opened, video_stream
from vidseg.media.read.probe import open_recording
from vidseg.media.read.threads import use_threads
from vidseg.media.splice.many_clips import write_exact_clips
from vidseg.model.clip import Clip
from vidseg.model.cutting import Cutting
from vidseg.model.stretch import stretches


@pytest.fixture(autouse=True)
def as_before(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(threads, "_chosen", [])
    before = cv2.getNumThreads()
    yield
    cv2.setNumThreads(before)


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("threads") / "r.mp4"
    make_clip(path, frames=75, size=(160, 96), gop=25)
    return path


def test_decoders_use_what_is_chosen(clip: Path) -> None:
    def count() -> int:
        with opened(clip) as container:
            return video_stream(container, clip).codec_context.thread_count

    assert count() == 0
    use_threads(3)
    assert (count(), threads.cores(), cv2.getNumThreads()) == (3, 3, 3)


@pytest.mark.parametrize("reencode", [False, True])
def test_clips_are_the_same_whatever_is_chosen(clip: Path, tmp_path: Path, reencode: bool) -> None:
    pieces = stretches(open_recording([clip]), [(10, 68)])
    made = []
    for count in (1, 3):
        use_threads(count)
        out = tmp_path / f"{count}.mp4"
        write_exact_clips([Clip(out.name, pieces)], tmp_path, Cutting(reencode=reencode))
        made.append(out.read_bytes())
    assert made[0] == made[1]
