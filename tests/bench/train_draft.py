"""Learn the draft's weights from narrated cases, and measure them on cases held aside by turns.

    python tests/bench/train_draft.py [--write] [--folds N] [FOLDER]

FOLDER (else ``shared/narration`` beside the project) holds ``NAME.vtt`` and ``NAME.truth.csv``.
Every case is held aside once: nothing is counted, fitted or calibrated on it then. ``--write``
fits on all cases and writes ``vidseg/measure/draft/learned.npz``; only numbers go in, no text.
The same folder gives the same file.

1. *Words.* Multinomial logistic regression over hashed n-grams of sounds. Which step a sentence
   speaks of is not in the truth, only what is done when: so a sentence may speak of any step that
   is done within about a quarter of a minute, or of none, and regression and assignment take turns
   (expectation and maximisation). The vocabularies' own sayings count as sentences.
2. *When.* Multinomial logistic regression, by cell of time, on how much was said of each step how
   long before and after; the weights are shared by all steps. It sees the sentences as read by
   weights that were learned without their case.
3. *Lengths.* Geometric means of visits.
4. *How sure.* Logistic regression on the marks of rows drafted of cases held aside.
"""

from __future__ import annotations

import argparse
import csv
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import minimize

from vidseg.formats import read_captions
from vidseg.formats.vocabulary import load_procedure
from vidseg.measure.draft import reader as rd
from vidseg.measure.draft.draft import CELL_S, rows_drafted, usual_lengths
from vidseg.measure.draft.effort import Run, effort
from vidseg.measure.draft.evidence import as_sentences, hear
from vidseg.measure.draft.places import course_of, drafted_steps
from vidseg.measure.draft.rows import DraftRow
from vidseg.measure.draft.settings import DraftWeights
from vidseg.measure.draft.small_talk import SMALL_TALK
from vidseg.measure.draft.understanding import terms_heard
from vidseg.measure.draft.utterances import Utterance, merged, utterances
from vidseg.model.annotation import Cue
from vidseg.model.clock import NS, parse_time
from vidseg.model.procedure import Procedure

HERE = Path(__file__).resolve()
SHARED = HERE.parents[3] / "shared" / "narration"
OUT = HERE.parents[2] / "vidseg" / "measure" / "draft" / "learned.npz"
CODES = ("phaco", "msics", "lap_chole")
NEAR_S = 14.0
"""How fast the chance falls, with time, that a sentence speaks of what is done before or after."""
TALK = 0.45
"""Chance, before it is read, that a sentence speaks of no step, against one for a step in hand."""
WORDS_RIDGE, WHEN_RIDGE, SURE_RIDGE = 1e-5, 3e-4, 1e-2
TURNS = 3

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """A narrated case; ``terms`` (utterances, steps + 1), ``counts`` hashed n-grams."""

    name: str
    cues: tuple[Cue, ...]
    procedure: Procedure
    truth: list[Run]
    spoken: tuple[Utterance, ...]
    voices: list[int]
    terms: Array
    counts: sparse.csr_matrix
    end_s: float

    @property
    def codes(self) -> tuple[str, ...]:
        """Codes of the steps that are drafted."""
        return tuple(step.code for step in drafted_steps(self.procedure))


def load(folder: Path) -> list[Case]:
    """Load the cases of a folder, in order of name."""
    return [_case(path) for path in sorted(folder.rglob("*.vtt"))]


def _case(path: Path) -> Case:
    with path.with_name(path.stem + ".truth.csv").open(encoding="utf-8-sig", newline="") as handle:
        truth = [
            (row["phase"], parse_time(row["start"]), parse_time(row["end"]))
            for row in csv.DictReader(handle)
        ]
    labels = {code for code, _, _ in truth}
    code = "lap_chole" if labels & {"closure", "trocar_placement"} else "phaco"
    procedure = load_procedure("msics" if "scleral_tunnel" in labels else code)
    cues = tuple(sorted(read_captions(path).cues, key=lambda cue: (cue.span.start, cue.span.end)))
    spoken = utterances(merged(cues))
    sentences = as_sentences(spoken)
    steps = drafted_steps(procedure)
    return Case(
        path.stem,
        cues,
        procedure,
        truth,
        spoken,
        [rd.voice(sentence.reading) for sentence in sentences],
        terms_heard(hear(sentences, steps), steps, DraftWeights()),
        sparse.csr_matrix(rd.hashed([one.text for one in spoken])),
        max(cues[-1].span.end, truth[-1][2]) / NS,
    )


def all_codes() -> tuple[str, ...]:
    """Give the codes of all vocabularies learned, in order."""
    return tuple(sorted({s.code for code in CODES for s in drafted_steps(load_procedure(code))}))


def bank() -> tuple[list[str], list[str]]:
    """Give the vocabularies' labels and sayings with their codes; talk has the code ""."""
    texts = {(text, ""): None for text in SMALL_TALK}
    for code in CODES:
        for step in drafted_steps(load_procedure(code)):
            texts.update({(text, step.code): None for text in (step.name, *step.aliases)})
            texts.update({(text, step.code): None for text in step.spoken})
    return [text for text, _ in texts], [code for _, code in texts]


def nearness(case: Case, codes: Sequence[str]) -> Array:
    """Give how near each sentence lies to a visit of each step; 0 for steps never done."""
    middle = np.array([one.middle_s for one in case.spoken])
    near = np.zeros((len(middle), len(codes) + 1))
    for code, start, end in case.truth:
        if code in codes:
            apart = np.maximum(0, np.maximum(start / NS - middle, middle - end / NS))
            column = codes.index(code)
            near[:, column] = np.maximum(near[:, column], np.exp(-apart / NEAR_S))
    near[near < 0.02] = 0
    near[:, -1] = TALK
    return near


def allowed(case: Case, codes: Sequence[str]) -> NDArray[np.bool_]:
    """Say which codes the case's vocabulary has, talk included: (utterances, codes + 1)."""
    own = np.array([code in case.codes for code in codes] + [True])
    return np.repeat(own[None], len(case.spoken), axis=0)


def multinomial(
    x: sparse.csr_matrix,
    wanted: Array,
    weigh: Array,
    may: NDArray[np.bool_],
    first: Array | None,
    ridge: float = WORDS_RIDGE,
) -> Array:
    """Fit a multinomial logistic regression to shares; the last row is the bias."""
    width = x.shape[1]
    classes = wanted.shape[1]
    weigh = weigh / weigh.sum()
    out_of = np.where(may, 0.0, -1e9)
    turned = x.T.tocsr()

    def loss(flat: Array) -> tuple[float, Array]:
        w = flat.reshape(width + 1, classes)
        logs = rd.log_share(x @ w[:-1] + w[-1] + out_of)
        value = -(weigh[:, None] * wanted * np.where(may, logs, 0.0)).sum()
        rest = weigh[:, None] * (np.exp(logs) * wanted.sum(axis=1, keepdims=True) - wanted)
        slope = np.vstack([turned @ rest + ridge * w[:-1], rest.sum(axis=0)])
        return value + 0.5 * ridge * float((w[:-1] ** 2).sum()), slope.ravel()

    start = np.zeros((width + 1, classes)) if first is None else first
    done = minimize(loss, start.ravel(), jac=True, method="L-BFGS-B", options={"maxiter": 25})
    return np.asarray(done.x.reshape(width + 1, classes))


def learn_words(cases: Sequence[Case], codes: Sequence[str]) -> tuple[Array, Array]:
    """Learn which step a sentence speaks of: weights (BUCKETS + 1, codes + 1) and rarity."""
    texts, owners = bank()
    own = sparse.csr_matrix(rd.hashed(texts))
    counted = sparse.vstack([own, *(case.counts for case in cases)]).tocsr()
    rare = np.log((1 + counted.shape[0]) / (1 + np.asarray((counted > 0).sum(axis=0)).ravel()))
    rarity = (rare + 1).astype(np.float16).astype(np.float64)
    x = counted @ sparse.diags(rarity)
    length = np.sqrt(np.asarray(x.multiply(x).sum(axis=1)).ravel())
    x = (sparse.diags(1 / np.maximum(length, 1e-9)) @ x).tocsr()
    known = np.zeros((len(texts), len(codes) + 1))
    places = [codes.index(code) if code else len(codes) for code in owners]
    known[np.arange(len(texts)), places] = 1
    near = np.vstack([nearness(case, codes) for case in cases])
    may = np.vstack([allowed(case, codes) for case in cases])
    every = np.ones((len(texts), len(codes) + 1), dtype=bool)
    own_x, said = x[: len(texts)], x[len(texts) :]
    weights = multinomial(own_x, known, np.ones(len(texts)), every, None, 1e-4)
    first: Array | None = None
    for _ in range(TURNS):
        likely = np.exp(rd.log_share(np.where(may, said @ weights[:-1] + weights[-1], -1e9)))
        wanted = likely * near
        wanted /= wanted.sum(axis=1, keepdims=True)
        both = np.vstack([known, wanted])
        weights = first = multinomial(x, both, np.ones(len(both)), np.vstack([every, may]), first)
    return weights, rarity


def counted_lengths(cases: Sequence[Case]) -> dict[str, tuple[float, int]]:
    """Give the geometric mean of visits in s, and their number, by code."""
    logs: dict[str, list[float]] = {}
    for case in cases:
        for code, start, end in case.truth:
            logs.setdefault(code, []).append(math.log((end - start) / NS))
    return {code: (math.exp(sum(v) / len(v)), len(v)) for code, v in sorted(logs.items())}


def laid_out(
    case: Case, words: rd.Learned, lengths: rd.Learned
) -> tuple[NDArray[np.float32], Array]:
    """Give the features of time, sentences read by ``words``, and the shares of steps."""
    steps = drafted_steps(case.procedure)
    scores = rd.read([one.text for one in case.spoken], steps, words)
    likely = np.exp(rd.log_share(scores + rd.TERM * case.terms))
    cells = math.ceil(case.end_s / CELL_S)
    share = rd.shares(usual_lengths(steps, lengths, {}), course_of(case.procedure))
    return rd.when(case.spoken, case.voices, likely[:, :-1], cells, CELL_S), share


def running(case: Case, cells: int) -> NDArray[np.int64]:
    """Give the number of the step that runs in each cell, the number of steps for none."""
    at = (np.arange(cells) + 0.5) * CELL_S * NS
    out = np.full(cells, len(case.codes))
    for code, start, end in case.truth:
        if code in case.codes:
            out[(at >= start) & (at < end)] = case.codes.index(code)
    return out


def learn_when(
    cases: Sequence[Case], laid: Sequence[tuple[NDArray[np.float32], Array]]
) -> tuple[Array, Array, float, float]:
    """Learn how long before and after its words a step is done."""
    width = laid[0][0].shape[2]
    items = [
        (features, features.sum(axis=1), np.log(share), running(case, len(features)))
        for case, (features, share) in zip(cases, laid, strict=True)
    ]
    cells = sum(len(truth) for _, _, _, truth in items)

    def loss(flat: Array) -> tuple[float, Array]:
        step, gap, bias, share = flat[:width], flat[width:-2], flat[-2], flat[-1]
        value, slope = 0.0, np.zeros_like(flat)
        for features, total, logs, truth in items:
            scores = np.concatenate(
                [features @ step + share * logs, (total @ gap + bias)[:, None]], axis=1
            )
            shares = rd.log_share(scores)
            rows = np.arange(len(truth))
            value -= shares[rows, truth].sum()
            rest = np.exp(shares)
            rest[rows, truth] -= 1
            slope[:width] += np.einsum("tk,tkf->f", rest[:, :-1], features)
            slope[width:-2] += rest[:, -1] @ total
            slope[-2] += rest[:, -1].sum()
            slope[-1] += (rest[:, :-1] * logs).sum()
        slope /= cells
        slope[:-2] += WHEN_RIDGE * flat[:-2]
        return value / cells + 0.5 * WHEN_RIDGE * float((flat[:-2] ** 2).sum()), slope

    first = np.zeros(2 * width + 2)
    first[-2:] = 4, 1
    done = minimize(loss, first, jac=True, method="L-BFGS-B", options={"maxiter": 60}).x
    return done[:width], done[width:-2], float(done[-2]), float(done[-1])


def blank(codes: Sequence[str], words: Array, rarity: Array, cases: Sequence[Case]) -> rd.Learned:
    """Make weights that know words and lengths only."""
    width = (len(rd.FAR_S) - 1) * (len(rd.VOICES) + 1)
    none = np.zeros(width)
    return rd.Learned(
        tuple(codes), words, rarity, none, none, 0.0, 1.0, counted_lengths(cases), np.zeros(7)
    )


def rounded(weights: rd.Learned) -> rd.Learned:
    """Give the weights as they come out of the file."""
    return rd.unpacked(rd.packed(weights))


def fit(
    cases: Sequence[Case], codes: Sequence[str], read_apart: Sequence[rd.Learned]
) -> rd.Learned:
    """Fit all but the confidence; ``read_apart`` read each case's words without knowing it."""
    words, rarity = learn_words(cases, codes)
    weights = blank(codes, words, rarity, cases)
    laid = [laid_out(case, apart, weights) for case, apart in zip(cases, read_apart, strict=True)]
    step, gap, bias, share = learn_when(cases, laid)
    return rounded(replace(weights, step_when=step, gap_when=gap, bias=bias, share=share))


def right(row: Run, truth: Sequence[Run]) -> bool:
    """Say whether a drafted row shares time with a true row of the same step."""
    return any(t[0] == row[0] and min(t[2], row[2]) > max(t[1], row[1]) for t in truth)


def rows_by(case: Case, weights: rd.Learned, settings: DraftWeights) -> tuple[DraftRow, ...]:
    """Draft the rows of a case."""
    end = round(max(cue.span.end for cue in case.cues))
    return rows_drafted(case.spoken, case.procedure, end, {}, settings, weights)[2]


def learn_sure(rows: Sequence[tuple[DraftRow, bool]]) -> Array:
    """Learn how far a row's marks make it right: weights and a bias."""
    marks = np.array([[*row.marks, 1.0] for row, _ in rows])
    good = np.array([float(ok) for _, ok in rows])

    def loss(w: Array) -> tuple[float, Array]:
        sure = 1 / (1 + np.exp(-(marks @ w)))
        value = -np.mean(good * np.log(sure + 1e-12) + (1 - good) * np.log(1 - sure + 1e-12))
        slope = marks.T @ (sure - good) / len(good)
        slope[:-1] += SURE_RIDGE * w[:-1]
        return float(value + 0.5 * SURE_RIDGE * (w[:-1] ** 2).sum()), slope

    done = minimize(loss, np.zeros(marks.shape[1]), jac=True, method="L-BFGS-B")
    return np.asarray(done.x)


def judged(case: Case, rows: Sequence[DraftRow]) -> list[tuple[DraftRow, bool]]:
    """Pair rows with whether they are right."""
    return [(row, right((row.step.code, row.span.start, row.span.end), case.truth)) for row in rows]


def turns(cases: Sequence[Case], folds: int) -> list[rd.Learned]:
    """Give for each case weights that were learned without it and its fold.

    Within a fold's training cases, the words of each are read by weights of another turn, which
    did not know it either.
    """
    codes = all_codes()
    fold = [number % folds for number in range(len(cases))]
    apart = []
    for turn in range(folds):
        rest = [case for case, own in zip(cases, fold, strict=True) if own != turn]
        apart.append(blank(codes, *learn_words(rest, codes), rest))
        print(f"words learned without turn {turn + 1} of {folds}", file=sys.stderr)
    made = []
    for turn in range(folds):
        others = [n for n, own in enumerate(fold) if own != turn]
        laid = [laid_out(cases[n], apart[fold[n]], apart[turn]) for n in others]
        step, gap, bias, share = learn_when([cases[n] for n in others], laid)
        made.append(
            rounded(replace(apart[turn], step_when=step, gap_when=gap, bias=bias, share=share))
        )
    return [made[own] for own in fold]


def reliability(rows: Sequence[tuple[DraftRow, bool]]) -> str:
    """Write how many rows of each confidence are right."""
    lines = ["confidence   rows  right"]
    edges = (0.0, 0.35, 0.5, 0.65, 0.8, 0.9, 1.0)
    for low, high in pairwise(edges):
        found = [ok for row, ok in rows if low <= row.confidence < high]
        if found:
            share = 100 * sum(found) / len(found)
            lines.append(f"{low:.2f}–{high:.2f}   {len(found):5d}  {share:4.0f} %")
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Measure by turns, and write the weights where asked."""
    parser = argparse.ArgumentParser(description="Learn the draft's weights.")
    parser.add_argument("folder", type=Path, nargs="?", default=SHARED)
    parser.add_argument("--folds", type=int, default=5)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args(arguments)
    cases = load(asked.folder)
    aside = turns(cases, asked.folds)
    settings = DraftWeights()
    found = [
        judged(case, rows_by(case, weights, settings))
        for case, weights in zip(cases, aside, strict=True)
    ]
    shown: list[tuple[DraftRow, bool]] = []
    for turn in range(asked.folds):
        rest = [rows for n, rows in enumerate(found) if n % asked.folds != turn]
        sure = learn_sure([row for rows in rest for row in rows])
        for number, (case, weights) in enumerate(zip(cases, aside, strict=True)):
            if number % asked.folds == turn:
                rows = rows_by(case, replace(weights, sure=sure), settings)
                shown += judged(case, rows)
                runs = [(row.step.code, row.span.start, row.span.end) for row in rows]
                print(f"{case.name:10} fix10 {effort(case.truth, runs):5.1f}")
    print(reliability(shown))
    if asked.write:
        sure = learn_sure([row for rows in found for row in rows])
        codes = all_codes()
        apart = [replace(weights, step_when=weights.step_when * 0) for weights in aside]
        weights = replace(fit(cases, codes, apart), sure=sure)
        np.savez_compressed(OUT, **rd.packed(weights))  # type: ignore[arg-type]
        print(f"written: {OUT.name}, {OUT.stat().st_size} bytes")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
