"""The learned reader: probabilities that are some, small files, and no text in them."""

import numpy as np

from vidseg.formats.vocabulary import load_procedure, parse_procedure, procedure_text
from vidseg.measure.draft import draft
from vidseg.measure.draft.places import course_of, drafted_steps
from vidseg.measure.draft.reader import (
    FAR_S,
    VOICES,
    confidence,
    learned,
    log_running,
    packed,
    read,
    shares,
    unpacked,
    when,
)
from vidseg.measure.draft.utterances import Utterance
from vidseg.model.annotation import Cue
from vidseg.model.clock import NS
from vidseg.model.span import Span

STEPS = drafted_steps(load_procedure("phaco"))
CODES = [step.code for step in STEPS]


def test_sentences_never_seen_are_read() -> None:
    likely = np.exp(read(["the artificial lens unrolls inside the bag"], STEPS, learned()))
    assert likely.shape == (1, len(STEPS) + 1)
    assert abs(likely.sum() - 1) < 1e-9
    assert CODES[int(likely[0, :-1].argmax())] == "iol_insertion"


def test_words_count_where_they_were_said() -> None:
    spoken = [Utterance(0, 100, 104, "x")]
    likely = np.zeros((1, len(STEPS)))
    likely[0, CODES.index("capsulorhexis")] = 1
    laid = when(spoken, [0], likely, 150, 2.0)
    assert laid.shape == (150, len(STEPS), (len(FAR_S) - 1) * (len(VOICES) + 1))
    assert np.flatnonzero(laid.sum(axis=(0, 2))).tolist() == [CODES.index("capsulorhexis")]
    usual = {step.code: 30.0 for step in STEPS}
    share = shares(usual, course_of(load_procedure("phaco")))
    running = np.exp(log_running(laid, share, learned()))
    assert np.allclose(running.sum(axis=1), 1)
    best = running[:, CODES.index("capsulorhexis")]
    assert 90 <= 2 * best.argmax() <= 125
    assert best[0] < best.max() / 3


def test_weights_come_back_from_their_file_and_hold_no_text() -> None:
    weights = learned()
    kept = packed(weights)
    again = unpacked(kept)
    assert np.abs(again.words - weights.words).max() < 1e-3
    texts = [name for name, array in kept.items() if array.dtype.kind in "US"]
    assert sorted(texts) == ["codes", "length_codes"]
    known = {s.code for c in ("phaco", "msics", "lap_chole") for s in load_procedure(c).steps}
    assert set(kept["codes"].tolist()) | set(kept["length_codes"].tolist()) <= known
    assert sum(array.nbytes for array in kept.values()) < 400_000


def test_more_marks_make_surer() -> None:
    poor, good = np.array([[-2.0, -0.2, 0.0, 0.0, 0.0, 1.0]]), np.array([[3, 1, 0.9, 1, 1, 1.0]])
    poor_sure, good_sure = confidence(np.vstack([poor, good]), learned())
    assert poor_sure < 0.7 < 0.9 < good_sure


def test_a_vocabulary_that_was_not_learned_is_read_by_its_own_sayings() -> None:
    own = parse_procedure(procedure_text("blank"), "own.toml")
    assert not learned().knows(drafted_steps(own))
    lines = ["grasp the tissue", "now I grasp the tissue", "cut along the edge", "cut the edge"]
    cues = [Cue(Span(n * 60 * NS, (n * 60 + 5) * NS), line) for n, line in enumerate(lines)]
    assert "first_step" in {row.step.code for row in draft(cues, own).rows}
