"""What is said aloud in a recording that keeps its sound: found, silenced, allowed, told."""

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from synthetic_clips import make_clip
from vidseg.cli import main
from vidseg.formats.vocabulary import load_procedure
from vidseg.model.clock import NS
from vidseg.model.span import Span
from vidseg.model.transcript import HeardCue, HeardWord, Transcript
from vidseg.sharing.hearing import MARGIN_NS, spoken_identifiers
from vidseg.speech import captions_file

PHACO = load_procedure("phaco")
SAID = "this is Mrs Hopkins and the rhexis is round"
EACH = NS // 2


def words(text: str) -> list[HeardWord]:
    return [
        HeardWord(Span(n * EACH, (n + 1) * EACH), word, 0.9) for n, word in enumerate(text.split())
    ]


def heard(text: str) -> Transcript:
    own = words(text)
    half = len(own) // 2
    cue = HeardCue(Span(0, own[-1].span.end), (tuple(own[:half]), tuple(own[half:])))
    return Transcript((cue,), "en", "made-up")


def test_a_name_is_found_with_the_time_in_which_it_is_said() -> None:
    (found,) = spoken_identifiers(heard(SAID), PHACO, (), 60 * NS)
    assert "Hopkins" in found.text
    assert not found.allowed
    # the third and fourth word, and a margin on either side
    assert found.span.start in (2 * EACH - MARGIN_NS, 3 * EACH - MARGIN_NS)
    assert found.span.end == 4 * EACH + MARGIN_NS
    (allowed,) = spoken_identifiers(heard(SAID), PHACO, (found.text.upper(),), 60 * NS)
    assert allowed.allowed
    assert spoken_identifiers(heard("now the rhexis is round"), PHACO, (), 60 * NS) == ()


@pytest.fixture
def case(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    make_clip(
        tmp_path / "case.mp4", frames=60, rate=Fraction(10), size=(128, 96),
        tones_ns=[n * NS // 4 for n in range(24)],
    )  # fmt: skip
    (tmp_path / "steps.csv").write_text("start,end,step\n1,3,main incision\n", encoding="utf-8")
    (tmp_path / "case.toml").write_text(
        'id = "x"\nrecordings = ["case.mp4"]\nannotation = "steps.csv"\n'
        '[consent]\nteaching = "yes"\n',
        encoding="utf-8",
    )

    class Hearer:
        language = "en"

        def __init__(self, *_: Any) -> None:
            pass

        def heard(self, samples: Any, progress: Any = None) -> tuple[HeardWord, ...]:
            return tuple(words(SAID))

    monkeypatch.setattr(captions_file, "Recogniser", Hearer)
    (tmp_path / "model").mkdir()
    (tmp_path / "model" / "model.bin").touch()
    monkeypatch.setattr(captions_file, "find_model", lambda asked: tmp_path / "model")
    return tmp_path / "case.toml"


def loudest(path: Path, start_s: float, end_s: float) -> float:
    """The highest amplitude, as PyAV decodes the file."""
    with av.open(str(path)) as container:
        stream = container.streams.audio[0]
        rate = stream.rate
        sound = np.concatenate([f.to_ndarray()[0] for f in container.decode(stream)])
    return float(np.abs(sound[int(start_s * rate) : int(end_s * rate)]).max())


def test_what_is_said_stops_the_copy_until_it_is_decided_on(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = case.parent / "out"
    command = ["deidentify", str(case), "--for", "teaching", "--out", str(out), "--looked"]
    keep = ["--keep-sound", "the surgeon explains", "--transcribe"]
    assert main([*command, *keep]) == 1
    told = capsys.readouterr().err
    assert "Hopkins" in told
    assert "--silence 0:00:0" in told
    assert not (out / "copy").exists()

    assert main([*command, *keep, "--silence-heard", "--id", "silenced"]) == 0
    (copy,) = (out / "copy").glob("*.mp4")
    assert loudest(copy, 1.6, 1.9) == 0  # within the name
    assert loudest(copy, 3.0, 4.0) > 0.1
    record = json.loads((out / "record" / "deidentification.json").read_text(encoding="utf-8"))
    assert any("made-up" in line or "Speech heard" in line for line in record["done"])
    assert "a recogniser heard the speech" in json.dumps(record)
    assert not list(case.parent.glob(".*.heard"))


def test_what_a_person_allows_stays(case: Path) -> None:
    out = case.parent / "out"
    found = spoken_identifiers(heard(SAID), PHACO, (), 60 * NS)[0].text
    command = ["deidentify", str(case), "--for", "teaching", "--out", str(out), "--looked"]
    keep = ["--keep-sound", "the surgeon explains", "--transcribe", "--allow", found]
    assert main([*command, *keep, "--id", "allowed"]) == 0
    (copy,) = (out / "copy").glob("*.mp4")
    assert loudest(copy, 1.0, 2.0) > 0.1


@pytest.mark.parametrize(
    ("options", "says"),
    [(["--transcribe"], "see --keep-sound"), (["--silence-heard"], "give both")],
)
def test_listening_to_what_is_not_kept_is_refused(
    case: Path, capsys: pytest.CaptureFixture[str], options: list[str], says: str
) -> None:
    command = ["deidentify", str(case), "--for", "teaching", "--out", str(case.parent / "out")]
    assert main([*command, *options]) == 2
    assert says in capsys.readouterr().err
