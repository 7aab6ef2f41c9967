"""Recordings made wrong, byte by byte: they are read, or one message says why not."""

from pathlib import Path

import pytest
from hypothesis import given
from mutation import BINARY, mutated, nothing_but_a_message, tried

from synthetic_clips import make_clip
from vidseg.media.read.probe import open_recording
from vidseg.reading import hidden_problems, recording_problems

NAMES = ("clip.mp4", "clip.mkv", "clip.avi", "clip.ts", "clip.webm", "clip.mpg")
CODECS = {"clip.webm": "libvpx-vp9", "clip.avi": "mpeg4", "clip.mpg": "mpeg2video"}


@pytest.mark.parametrize("name", NAMES)
def test_containers(name: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("fuzz")
    make_clip(folder / name, frames=12, size=(96, 64), gop=6, codec=CODECS.get(name, "libx264"))
    data = (folder / name).read_bytes()
    # headers and indexes lie at the ends; most bytes between them are pictures
    ends = data[:3000] + data[-3000:] if len(data) > 6000 else data

    @tried(15)
    @given(data=mutated((data, data, ends), BINARY))
    def each(data: bytes) -> None:
        path = folder / ("wrong" + Path(name).suffix)
        path.write_bytes(data)
        with nothing_but_a_message():
            recording = open_recording([path])
            [str(problem).encode() for problem in recording_problems(recording)]
            [str(problem).encode() for problem in hidden_problems(recording)]

    each()
