"""Chapters from an annotation, their files read back by other programs and by the formats."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from itertools import pairwise
from pathlib import Path

import pytest
import webvtt as webvtt_py
from hypothesis import given
from hypothesis import strategies as st

from vidseg.export.chapters import case_chapters, chapter_texts, site_list
from vidseg.formats import matroska_xml, webvtt
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.procedure import Kind, Procedure, Step
from vidseg.model.recording import Chapter
from vidseg.model.span import Span, Spans

NS = 1_000_000_000

INCISION = Step("incision", "Corneal incision")
VISCO = Step("visco", "Viscoelastic & <OVD>")
RHEXIS = Step("rhexis", "Capsulorhexis – Öffnung")
PHASE = Step("opening", "Opening", Kind.PHASE)
PAUSE = Step("pause", "Recording paused", Kind.EXCLUDED)


def seconds(step: Step, start: float, end: float) -> Segment:
    return Segment(step, Span(round(start * NS), round(end * NS)))


def annotation(*segments: Segment, excluded: tuple[Segment, ...] = ()) -> Annotation:
    return Annotation("case", "test", segments=segments, excluded=excluded)


def rows(chapters: tuple[Chapter, ...]) -> list[tuple[str, float, float]]:
    return [(c.title, c.span.start / NS, c.span.end / NS) for c in chapters]


def test_one_chapter_a_visit_and_long_gaps_named() -> None:
    told = annotation(
        seconds(INCISION, 4, 20),
        seconds(VISCO, 20.5, 30),
        seconds(INCISION, 40, 50),
        seconds(PHASE, 0, 50),
    )
    assert rows(case_chapters(told, 51 * NS)) == [
        ("No step", 0, 4),
        ("Corneal incision", 4, 20.5),  # half a second of gap goes to the chapter before
        ("Viscoelastic & <OVD>", 20.5, 30),
        ("No step", 30, 40),
        ("Corneal incision", 40, 51),
    ]
    exact = rows(case_chapters(told, 51 * NS, gap_ns=0, numbered=True))
    assert exact[1:3] == [("Corneal incision", 4, 20), ("No step", 20, 20.5)]
    assert exact[-2:] == [("Corneal incision (2)", 40, 50), ("No step", 50, 51)]


def test_phases_where_there_are_no_steps() -> None:
    assert rows(case_chapters(annotation(seconds(PHASE, 0, 8)), 8 * NS)) == [("Opening", 0, 8)]


def test_nothing_annotated_is_one_chapter() -> None:
    assert rows(case_chapters(annotation(), 8 * NS)) == [("No step", 0, 8)]


def test_overlaps_and_excluded_time() -> None:
    told = annotation(
        seconds(INCISION, 0, 10),
        seconds(VISCO, 4, 6),
        excluded=(seconds(PAUSE, 8, 9),),
    )
    assert rows(case_chapters(told, 10 * NS)) == [
        ("Corneal incision", 0, 4),
        ("Viscoelastic & <OVD>", 4, 6),
        ("Corneal incision", 6, 8),
        ("Recording paused", 8, 9),
        ("Corneal incision", 9, 10),
    ]


def test_segments_beyond_the_recording_are_cut() -> None:
    told = annotation(seconds(INCISION, 2, 20), seconds(VISCO, 30, 40))
    assert rows(case_chapters(told, 10 * NS)) == [("No step", 0, 2), ("Corneal incision", 2, 10)]


visits = st.builds(
    lambda step, start, length: Segment(step, Span(start * NS // 4, (start + length) * NS // 4)),
    st.sampled_from([INCISION, VISCO, RHEXIS]),
    st.integers(0, 200),
    st.integers(1, 60),
)


@given(st.lists(visits, max_size=8), st.integers(1, 300), st.sampled_from([0, NS, 5 * NS]))
def test_chapters_tile_and_starts_are_true(
    segments: list[Segment], quarters: int, gap_ns: int
) -> None:
    length = quarters * NS // 4
    told = annotation(*segments)
    chapters = case_chapters(told, length, gap_ns=gap_ns)
    assert chapters[0].span.start == 0
    assert chapters[-1].span.end == length
    for before, after in pairwise(chapters):
        assert before.span.end == after.span.start
    starts = {s.span.start for s in segments if s.span.start < length}
    assert starts <= {c.span.start for c in chapters}
    covered = Spans(s.span for s in segments) & Spans([Span(0, length)])
    for chapter in chapters:
        running = {s.step.name for s in segments if s.span.holds(chapter.span.start)}
        assert chapter.title in (running or {"No step"})
    if gap_ns == 0:
        named = Spans(c.span for c in chapters if c.title != "No step")
        assert named == covered


CHAPTERS = (
    Chapter(Span(0, 4 * NS), "No step"),
    Chapter(Span(4 * NS, 83_250_000_000), INCISION.name),
    Chapter(Span(83_250_000_000, 83_600_000_000), VISCO.name),
    Chapter(Span(83_600_000_000, 3605 * NS), RHEXIS.name),
)


def write_files(folder: Path) -> tuple[str, ...]:
    texts, notes = chapter_texts(CHAPTERS)
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return notes


def test_files_read_back_as_written(tmp_path: Path) -> None:
    notes = write_files(tmp_path)
    assert all(note.startswith("chapters.txt: ") for note in notes)
    expected = [(c.title, c.span.start, c.span.end) for c in CHAPTERS]
    for module, name in ((webvtt, "chapters.vtt"), (matroska_xml, "chapters.xml")):
        sheet = module.read(tmp_path / name)
        assert not sheet.problems
        assert [(m.label, m.start, m.end) for m in sheet.marks] == expected
    procedure = Procedure("p", "P", "1", "", (INCISION, VISCO, RHEXIS))
    labels = [c.title for c in CHAPTERS]
    assert [procedure.is_idle(label) for label in labels] == [True, False, False, False]
    assert [procedure.find(label) for label in labels[1:]] == [INCISION, VISCO, RHEXIS]


def test_webvtt_read_by_an_independent_library(tmp_path: Path) -> None:
    write_files(tmp_path)
    cues = list(webvtt_py.read(str(tmp_path / "chapters.vtt")))
    assert [(c.start, c.end) for c in cues][:3] == [
        ("00:00:00.000", "00:00:04.000"),
        ("00:00:04.000", "00:01:23.250"),
        ("00:01:23.250", "00:01:23.600"),
    ]
    assert cues[1].text == "Corneal incision"


def test_matroska_xml_read_by_mkvtoolnix(tmp_path: Path) -> None:
    mkvmerge, mkvextract = shutil.which("mkvmerge"), shutil.which("mkvextract")
    if not mkvmerge or not mkvextract:
        pytest.skip("mkvtoolnix is not installed")
    write_files(tmp_path)
    text = tmp_path / "text.srt"
    text.write_text("1\n00:00:01,000 --> 00:00:02,000\nx\n", encoding="utf-8")
    out = tmp_path / "out.mks"
    made = subprocess.run(
        [mkvmerge, "-o", out, "--chapters", tmp_path / "chapters.xml", text],
        capture_output=True,
        text=True,
        check=False,
    )
    assert made.returncode == 0, made.stdout
    simple = subprocess.run(
        [mkvextract, out, "chapters", "--simple", "-"], capture_output=True, check=True
    ).stdout.decode()
    found = re.findall(r"CHAPTER\d+=([\d:.]+)\s+CHAPTER\d+NAME=(.*)", simple)
    assert found == [
        ("00:00:00.000", "No step"),
        ("00:00:04.000", "Corneal incision"),
        ("00:01:23.250", "Viscoelastic & <OVD>"),
        ("00:01:23.600", "Capsulorhexis – Öffnung"),
    ]


def test_site_list() -> None:
    text, notes = site_list(CHAPTERS)
    assert text == "0:00:00 No step\n0:00:04 Corneal incision\n0:01:23 Capsulorhexis – Öffnung\n"
    assert len(notes) == 2
    assert "'Viscoelastic & <OVD>' at 0:01:23.250 was left out" in notes[0]
    assert "3 chapters, 1 of them under 10 s" in notes[1]
    short = (
        Chapter(Span(0, 30 * NS), "A"),
        Chapter(Span(30 * NS, 65 * NS), "B"),
        Chapter(Span(65 * NS, 600 * NS), "C"),
    )
    assert site_list(short) == ("0:00 A\n0:30 B\n1:05 C\n", ())
    late = site_list([Chapter(Span(30 * NS, 90 * NS), "A\nB")])[0]
    assert late == "0:00 No step\n0:30 A B\n"


@given(st.lists(visits, max_size=8), st.integers(40, 300))
def test_site_list_starts_at_zero_and_rises(segments: list[Segment], seconds_long: int) -> None:
    text, _ = site_list(case_chapters(annotation(*segments), seconds_long * NS))
    starts = []
    for line in text.splitlines():
        match = re.fullmatch(r"(\d+):(\d\d) \S.*", line)
        assert match
        starts.append(int(match[1]) * 60 + int(match[2]))
    assert starts[0] == 0
    assert all(a < b for a, b in pairwise(starts))


def test_ffmpeg_reads_the_same_chapters(tmp_path: Path) -> None:
    ffprobe = shutil.which("ffprobe")
    mkvmerge = shutil.which("mkvmerge")
    if not ffprobe or not mkvmerge:
        pytest.skip("ffprobe or mkvmerge is not installed")
    write_files(tmp_path)
    text = tmp_path / "text.srt"
    text.write_text("1\n00:00:01,000 --> 01:00:05,000\nx\n", encoding="utf-8")
    out = tmp_path / "out.mks"
    command = [mkvmerge, "-q", "-o", out, "--chapters", tmp_path / "chapters.xml", text]
    subprocess.run(command, check=True, capture_output=True)  # type: ignore[arg-type]
    read = subprocess.run(
        [ffprobe, "-v", "error", "-show_chapters", "-of", "json", out],
        capture_output=True,
        check=True,
    )
    found = json.loads(read.stdout)["chapters"]
    assert [(c["tags"]["title"], c["start"], c["end"]) for c in found] == [
        (c.title, c.span.start, c.span.end) for c in CHAPTERS
    ]
