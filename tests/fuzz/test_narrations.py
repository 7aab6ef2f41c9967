"""Narrations made wrong, and drafted from: a draft, a refusal or one message."""

from pathlib import Path

import pytest
from hypothesis import given
from mutation import TEXT, mutated, nothing_but_a_message, tried

from vidseg.export.draft_sheet import draft_sheet
from vidseg.formats import read_captions, write_sheet
from vidseg.formats.vocabulary import load_procedure
from vidseg.measure.draft.draft import draft
from vidseg.measure.draft.measures import find_measures
from vidseg.measure.draft.utterances import merged

NARRATION = Path(__file__).resolve().parents[2] / "annotations" / "example" / "narration.vtt"


def test_drafts(tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("fuzz") / "talk.vtt"
    vocabulary = load_procedure("phaco")
    whole = NARRATION.read_bytes()
    short = b"\n\n".join(whole.split(b"\n\n")[:12])

    @tried(15)
    @given(data=mutated((whole, short, short), TEXT))
    def each(data: bytes) -> None:
        path.write_bytes(data)
        with nothing_but_a_message():
            read = read_captions(path)
            made = draft(read.cues, vocabulary, None)
            find_measures(merged(made.cues), vocabulary.quantities, {})
            write_sheet(draft_sheet(made, path.name), path.with_name("draft.json"))

    each()
