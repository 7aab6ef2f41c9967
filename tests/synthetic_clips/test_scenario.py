"""Scenarios are read strictly, stretched on frames, and tell their truth."""

from __future__ import annotations

import csv
import io
import tomllib
from fractions import Fraction
from pathlib import Path

import pytest
import webvtt

from synthetic_clips import Scenario, load_scenario
from synthetic_clips.beside import captions_vtt, steps_csv, truth_csv

DEMO = Path(__file__).parents[2] / "synthetic_clips" / "scenarios" / "demo.toml"
PROCEDURES = Path(__file__).parents[2] / "vidseg" / "procedures"

PLAIN = """
title = "t"
procedure = "phaco"
rate = "25"
size = [160, 90]
length = 10.0

[[steps]]
code = "a"
start = 1.0
end = 3.0
"""


def loaded(tmp_path: Path, text: str) -> Scenario:
    path = tmp_path / "made.toml"
    path.write_text(text, encoding="utf-8")
    return load_scenario(path)


def seconds(clock: str) -> Fraction:
    hours, minutes, rest = clock.split(":")
    return (int(hours) * 60 + int(minutes)) * 60 + Fraction(rest)


def test_the_demo_holds_what_a_case_can_hold() -> None:
    demo = load_scenario("demo")
    codes = [step.code for step in demo.steps]
    assert (demo.size, demo.rate, demo.frames) == ((640, 360), Fraction(25), 2400)
    assert {c for c in codes if codes.count(c) == 2} == {"viscoelastic_injection", "cortex_removal"}
    assert {x.code for x in demo.excluded} == {"pause", "out_of_eye"}
    assert len(demo.events) == 2
    inside = [x for x in demo.excluded for s in demo.steps if s.start < x.start and x.end < s.end]
    assert [x.code for x in inside] == ["pause"]
    assert all(a.end < b.start for a, b in zip(demo.steps, demo.steps[1:], strict=False))


def test_every_code_of_the_demo_is_in_its_vocabulary() -> None:
    demo = load_scenario("demo")
    known = tomllib.loads((PROCEDURES / "phaco.toml").read_text(encoding="utf-8"))["steps"]
    kinds = {step["code"]: step.get("kind", "step") for step in known}
    assert {kinds[s.code] for s in demo.steps} == {"step"}
    assert {kinds[e.code] for e in demo.events} == {"event"}
    assert {kinds[x.code] for x in demo.excluded} == {"excluded"}


def test_the_annotation_says_the_same_as_the_truth() -> None:
    demo = load_scenario("demo")
    source = tomllib.loads(DEMO.read_text(encoding="utf-8"))
    rows = list(csv.DictReader(io.StringIO(steps_csv(demo))))
    truth = list(csv.DictReader(io.StringIO(truth_csv(demo))))
    written = sorted(
        (r["step"], seconds(r["start"]) * 25, seconds(r["end"] or r["start"]) * 25) for r in rows
    )
    assert written == sorted(
        (t["code"], Fraction(t["start_frame"]), Fraction(t["end_frame"])) for t in truth
    )
    spans = source["steps"] + source["excluded"]
    stated = [
        (s["code"], Fraction(str(s["start"])) * 25, Fraction(str(s["end"])) * 25) for s in spans
    ]
    stated += [
        (e["code"], Fraction(str(e["at"])) * 25, Fraction(str(e["at"])) * 25)
        for e in source["events"]
    ]
    assert written == sorted(stated)
    assert [seconds(r["start"]) for r in rows] == sorted(seconds(r["start"]) for r in rows)
    assert [r["step"] for r in rows if not r["end"]] == [e["code"] for e in source["events"]]


def test_captions_are_webvtt(tmp_path: Path) -> None:
    text = PLAIN + '[[captions]]\nstart = 1.0\nend = 2.0\ntext = "a < b & c"\n'
    path = tmp_path / "captions.vtt"
    path.write_text(captions_vtt(loaded(tmp_path, text)), encoding="utf-8")
    cues = webvtt.read(str(path)).captions  # independent reader: webvtt-py
    assert [(c.start, c.end) for c in cues] == [("00:00:01.000", "00:00:02.000")]
    # W3C WebVTT: & and < are written as escapes in cue text
    assert "a &lt; b &amp; c" in path.read_text(encoding="utf-8")
    demo = load_scenario("demo")
    path.write_text(captions_vtt(demo), encoding="utf-8")
    assert [c.text for c in webvtt.read(str(path)).captions] == [c.text for c in demo.captions]


@pytest.mark.parametrize("minutes", [0.8, 1.6, 7.3, 30])
@pytest.mark.parametrize("rate", ["25", "30000/1001"])
def test_stretching_keeps_order_and_frames(tmp_path: Path, minutes: float, rate: str) -> None:
    text = DEMO.read_text(encoding="utf-8").replace('rate = "25"', f'rate = "{rate}"')
    before = loaded(tmp_path, text)
    after = before.scaled(minutes)
    assert after.frames == pytest.approx(minutes * 60 * before.rate, abs=0.5)
    factor = after.length / before.length
    for old, new in zip(before.steps, after.steps, strict=True):
        assert new.start == pytest.approx(old.start * factor, abs=25_000_000)
        for at in (new.start, new.end):
            assert at == round(after.frame_of(at) / after.rate * 1_000_000_000)
    names = [(t.kind, t.code) for t in before.truth()]
    assert [(t.kind, t.code) for t in after.truth()] == names


def test_stretching_refuses_what_leaves_nothing() -> None:
    demo = load_scenario("demo")
    with pytest.raises(ValueError, match="more than 0"):
        demo.scaled(0)
    with pytest.raises(ValueError, match="too short"):
        demo.scaled(0.01)


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"nowhere.*built in: .*demo"):
        load_scenario("nowhere")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('title = "t"\n', "", "title: is missing"),
        ('title = "t"', "title = 3", "title: must be text"),
        ('rate = "25"', 'rate = "fast"', "rate: must be like"),
        ('rate = "25"', 'rate = "1/0"', "rate: must be like"),
        ('rate = "25"', "rate = 25", "rate: must be text"),
        ('rate = "25"', 'rate = "500"', "rate: must be from 1 to 120"),
        ("size = [160, 90]", "size = [161, 90]", "size: must be"),
        ("length = 10.0", 'length = "10"', "length: must be a number"),
        ("length = 10.0", "length = true", "length: must be a number"),
        ("end = 3.0", "end = 11.0", "steps 1: end: must be from 0 to 10"),
        ("end = 3.0", "end = 1.01", "steps 1: end: must come at least a frame after"),
        ("end = 3.0", "", "steps 1: end: is missing"),
        ("end = 3.0", "end = 3.0\nstop = 4", "steps 1: stop: is not a known key"),
        ('title = "t"', 'title = "t"\ncolour = 1', "colour: is not a known key"),
        ('title = "t"', 'title = "t"\nevents = [3]', "events 1: must be a table"),
        ("[[steps]]", "[look]\npupil = 2.0\n[[steps]]", "look: pupil: must be from 0.4 to 0.8"),
        ("[[steps]]", "[look]\niris = [1, 2]\n[[steps]]", "look: iris: must be three"),
        ("[[steps]]", "[look]\nlid = 1\n[[steps]]", "look: lid: is not a known key"),
        ("[[steps]]", "[[events]]", "events 1: at: is missing"),
        (PLAIN[PLAIN.index("[[steps]]") :], "", "steps: must hold at least one step"),
        ("title", "= title", "Invalid"),
    ],
)
def test_mistakes_are_named_with_path_and_key(
    tmp_path: Path, old: str, new: str, says: str
) -> None:
    assert old in PLAIN
    with pytest.raises(ValueError, match=says) as caught:
        loaded(tmp_path, PLAIN.replace(old, new, 1))
    assert "made.toml" in str(caught.value)
