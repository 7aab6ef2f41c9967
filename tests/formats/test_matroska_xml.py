"""Matroska chapter XML against RFC 9559, and against mkvtoolnix where it is installed."""

from __future__ import annotations

import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from synthetic_clips import make_clip
from vidseg.formats import matroska_xml
from vidseg.model.annotation import Edge, Frame, Mark, Sheet
from vidseg.model.problem import FormatError, Severity, UsageError

BROKEN = Path(__file__).parents[2] / "annotations" / "broken"
S = 1_000_000_000


def put(folder: Path, text: str | bytes) -> Path:
    path = folder / "case.xml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def atom(start: str, end: str = "", title: str = "paracentesis", inner: str = "") -> str:
    ending = f"<ChapterTimeEnd>{end}</ChapterTimeEnd>" if end else ""
    return (
        f"<ChapterAtom><ChapterTimeStart>{start}</ChapterTimeStart>{ending}"
        f"<ChapterDisplay><ChapterString>{title}</ChapterString>"
        f"<ChapterLanguage>eng</ChapterLanguage></ChapterDisplay>{inner}</ChapterAtom>\n"
    )


def file(*atoms: str, head: str = "") -> str:
    return f"{head}<Chapters>\n<EditionEntry>\n{''.join(atoms)}</EditionEntry>\n</Chapters>\n"


def codes(sheet: Sheet) -> list[tuple[str, int | None]]:
    return [(problem.code, problem.line) for problem in sheet.problems]


def rows(sheet: Sheet) -> list[tuple[str, object, object]]:
    return [(mark.label, mark.start, mark.end) for mark in sheet.marks]


@pytest.mark.parametrize(
    ("text", "ns"),
    [
        ("02:00:00.000000000", 7_200_000_000_000),  # RFC 9559: 2 h in ns, unscaled
        ("00:00:00.000000001", 1),
        ("00:09:49.880958333", 589_880_958_333),
        ("00:00:01.5", 1_500_000_000),
        ("1:00:00", 3_600_000_000_000),
        ("100:00:00.000000001", 360_000_000_000_001),
    ],
)
def test_times_are_exact(tmp_path: Path, text: str, ns: int) -> None:
    sheet = matroska_xml.read(put(tmp_path, file(atom(text))))
    assert rows(sheet) == [("paracentesis", ns, None)]
    assert sheet.problems == ()
    assert sheet.starts_only


@pytest.mark.parametrize(
    "text",
    ["00:60:00", "00:00:60", "4.25", "00:00:01.0000000001", "00:00:01:000", "x", "-00:00:01"],
)
def test_bad_times(tmp_path: Path, text: str) -> None:
    sheet = matroska_xml.read(put(tmp_path, file(atom("00:00:00"), atom(text), atom("0:0:1"))))
    assert codes(sheet) == [("bad-time", 4), ("bad-time", 5)]
    assert sheet.problems[0].severity is Severity.ERROR
    assert text in sheet.problems[0].message
    assert rows(sheet) == [("paracentesis", 0, None)]


def test_nested_chapters_become_rows(tmp_path: Path) -> None:
    inner = atom("00:00:00", "00:00:10", "grooving") + atom("00:00:20", "00:00:30", "cracking")
    text = file(
        atom("00:00:00", "00:00:30", "nucleus_division", inner),
        atom("00:00:40", "00:00:50", "fragment_removal"),
    )
    sheet = matroska_xml.read(put(tmp_path, text))
    assert rows(sheet) == [
        ("nucleus_division", 0, 30 * S),
        ("grooving", 0, 10 * S),
        ("cracking", 20 * S, 30 * S),
        ("fragment_removal", 40 * S, 50 * S),
    ]
    assert [mark.line for mark in sheet.marks] == [3, 3, 4, 6]
    assert not sheet.starts_only


def test_nested_chapters_without_ends_are_no_list_of_starts(tmp_path: Path) -> None:
    """A chapter holds those nested in it (RFC 9559), so it does not end where they start."""
    text = file(atom("00:00:00", "", "nucleus_division", atom("00:00:05", "", "cracking")))
    assert not matroska_xml.read(put(tmp_path, text)).starts_only


def test_everything_wrong_is_reported_in_one_go(tmp_path: Path) -> None:
    linked = "<ChapterSegmentUUID>ab</ChapterSegmentUUID>"
    text = file(
        atom("00:00:05", "00:00:04"),
        atom("00:00:06", "00:00:07", ""),
        "<ChapterAtom><ChapterDisplay><ChapterString>x</ChapterString></ChapterDisplay>"
        "</ChapterAtom>\n",
        atom("00:00:08", "00:00:09", "other", linked),
        atom("00:00:10", "00:00:10", "point"),
    )
    sheet = matroska_xml.read(put(tmp_path, text))
    assert codes(sheet) == [
        ("ends-before-start", 3),
        ("no-label", 4),
        ("no-start", 5),
        ("bad-row", 6),
    ]
    assert rows(sheet) == [("point", 10 * S, None)]


def test_what_is_not_read_is_told(tmp_path: Path) -> None:
    flags = "<ChapterFlagHidden>1</ChapterFlagHidden>"
    off = "<ChapterFlagEnabled>0</ChapterFlagEnabled>"
    second = "<ChapterDisplay><ChapterString>incision</ChapterString></ChapterDisplay>"
    text = file(
        atom("00:00:01", inner=flags), atom("00:00:02", inner=off), atom("00:00:03", inner=second)
    )
    sheet = matroska_xml.read(put(tmp_path, text))
    assert [(p.code, p.severity, p.line) for p in sheet.problems] == [
        ("unread-part", Severity.NOTE, 3),
        ("unread-part", Severity.NOTE, 5),
    ]
    assert "2 chapters" in sheet.problems[0].message
    assert [mark.label for mark in sheet.marks] == ["paracentesis"] * 3


# RFC 9559, "Default Edition": the three tables of which edition is the default one.


@pytest.mark.parametrize(("flags", "chosen"), [("111", 0), ("000", 0), ("010", 1)])
def test_default_edition(tmp_path: Path, flags: str, chosen: int) -> None:
    editions = [
        f"<EditionEntry><EditionFlagDefault>{flag}</EditionFlagDefault>"
        f"{atom('00:00:01', '00:00:02', f'edition {number}')}</EditionEntry>\n"
        for number, flag in enumerate(flags)
    ]
    sheet = matroska_xml.read(put(tmp_path, f"<Chapters>\n{''.join(editions)}</Chapters>"))
    assert [mark.label for mark in sheet.marks] == [f"edition {chosen}"]
    assert [(p.code, p.severity) for p in sheet.problems] == [
        ("several-editions", Severity.WARNING)
    ]
    assert sheet.problems[0].line == sheet.marks[0].line


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("\n", 2),
        ("<Chapters>\n<EditionEntry>", 2),
        ("<Chapters>\n</EditionEntry>", 2),
        ("<Tags/>", 1),
        ("<Chapters>\n<ChapterAtom/></Chapters>", 2),
        ("start,end\n1,2\n", 1),
        ('<?xml version="1.0" encoding="klingon"?><Chapters/>', 1),
        ('<?xml version="1.0"?>\n<Chapters>&nothing;</Chapters>', 2),
    ],
)
def test_other_files_stop_work(tmp_path: Path, text: str, line: int) -> None:
    with pytest.raises(FormatError) as caught:
        matroska_xml.read(put(tmp_path, text))
    assert (caught.value.source, caught.value.line) == ("case.xml", line)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match=r"none\.xml"):
        matroska_xml.read(tmp_path / "none.xml")


# Entities that grow ("billion laughs"; OWASP, XML Security Cheat Sheet) or fetch (CWE-611).


def bomb() -> str:
    entities = "".join(f'<!ENTITY e{n + 1} "{f"&e{n};" * 10}">\n' for n in range(9))
    return f'<!DOCTYPE Chapters [\n<!ENTITY e0 "ha">\n{entities}]>\n'


@pytest.mark.parametrize(
    ("head", "title"),
    [
        (bomb(), "&e9;"),
        ('<!DOCTYPE Chapters [<!ENTITY x SYSTEM "secret.txt">]>\n', "&x;"),
        ('<!DOCTYPE Chapters [<!ENTITY % x SYSTEM "secret.dtd"> %x;]>\n', "paracentesis"),
        ('<!DOCTYPE Chapters SYSTEM "a.dtd" [<!ENTITY x "y">]>\n', "paracentesis"),
        ('<!DOCTYPE Chapters SYSTEM "secret.dtd">\n', "&x;"),
    ],
)
def test_entities_are_refused(tmp_path: Path, head: str, title: str) -> None:
    (tmp_path / "secret.txt").write_text("found", encoding="utf-8")
    (tmp_path / "secret.dtd").write_text('<!ENTITY x "found">', encoding="utf-8")
    with pytest.raises(FormatError) as caught:
        matroska_xml.read(put(tmp_path, file(atom("00:00:01", title=title), head=head)))
    assert "found" not in str(caught.value)
    assert "entit" in str(caught.value)


def test_the_doctype_of_mkvtoolnix_is_fine(tmp_path: Path) -> None:
    head = '\ufeff<?xml version="1.0"?>\n<!DOCTYPE Chapters SYSTEM "matroskachapters.dtd">\n'
    sheet = matroska_xml.read(put(tmp_path, file(atom("00:00:01", title="a &amp; b"), head=head)))
    assert rows(sheet) == [("a & b", S, None)]
    assert sheet.problems == ()


# What we write.

MARKS = (
    Mark("nucleus_division", 0, 60 * S),
    Mark("a & <b> 'é'", S + 1, 2 * S + 2),
    Mark("posterior capsule tear", 5 * S, None),
    Mark("fragment_removal", 50 * S, 90 * S),
    Mark("cortex_removal", 120 * S, 7_200_000_000_000),
)


def test_written_tree(tmp_path: Path) -> None:
    told = matroska_xml.write(Sheet("x", MARKS), tmp_path / "out.xml")
    assert len(told) == 2
    assert "2 chapters inside another" in told[0]
    assert "1 chapter partly over" in told[1]
    root = ElementTree.parse(tmp_path / "out.xml").getroot()
    (edition,) = root.findall("EditionEntry")
    assert [len(outer.findall("ChapterAtom")) for outer in edition.findall("ChapterAtom")] == [
        2,
        0,
        0,
    ]
    atoms = list(edition.iter("ChapterAtom"))
    assert [atom.findtext("ChapterTimeEnd") for atom in atoms] == [
        "00:01:00.000000000",
        "00:00:02.000000002",
        "00:00:05.000000000",
        "00:01:30.000000000",
        "02:00:00.000000000",
    ]
    assert {node.text for node in root.iter("ChapterLanguage")} == {"und"}
    uids = [node.text for node in root.iter("ChapterUID")]
    assert len(set(uids)) == 5
    assert all(0 < int(uid or 0) < 2**64 for uid in uids)


def test_the_same_sheet_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one.xml", "two.xml"):
        matroska_xml.write(Sheet("x", MARKS), tmp_path / name)
    assert (tmp_path / "one.xml").read_bytes() == (tmp_path / "two.xml").read_bytes()


def test_what_cannot_be_held_is_told(tmp_path: Path) -> None:
    marks = (
        Mark("iol_insertion", 20 * S, Edge.OPEN, "a note"),
        Mark("hydro\ndissection", Edge.OPEN, 5 * S, attributes=(("hand", "left"),)),
    )
    told = matroska_xml.write(Sheet("x", marks, annotator="A"), tmp_path / "out.xml")
    for words in (
        "order",
        "open start",
        "open end",
        "notes of 1",
        "extra",
        "line break",
        "annotator",
    ):
        assert sum(words in sentence for sentence in told) == 1, words
    assert rows(matroska_xml.read(tmp_path / "out.xml")) == [
        ("hydro dissection", 0, 5 * S),
        ("iol_insertion", 20 * S, None),
    ]


def test_letters_that_xml_forbids_are_replaced(tmp_path: Path) -> None:
    told = matroska_xml.write(Sheet("x", (Mark("a\x00b\x1b", 0, S),)), tmp_path / "out.xml")
    assert any("control characters" in sentence for sentence in told)
    assert rows(matroska_xml.read(tmp_path / "out.xml")) == [("a\ufffdb\ufffd", 0, S)]


def test_frame_numbers_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="frame number"):
        matroska_xml.write(Sheet("x", (Mark("a", Frame(3), Frame(9)),)), tmp_path / "out.xml")
    assert list(tmp_path.iterdir()) == []


def test_lists_of_starts_stay_lists_of_starts(tmp_path: Path) -> None:
    marks = (Mark("paracentesis", S, None), Mark("main_incision", 2 * S, None))
    assert matroska_xml.write(Sheet("x", marks, starts_only=True), tmp_path / "out.xml") == ()
    again = matroska_xml.read(tmp_path / "out.xml")
    assert again.starts_only
    assert rows(again) == [("paracentesis", S, None), ("main_incision", 2 * S, None)]


TITLES = st.text(
    st.characters(exclude_categories=("Cs", "Cc"), exclude_characters="\ufffe\uffff")
).map(str.strip)


@given(
    drawn=st.lists(
        st.tuples(TITLES.filter(bool), st.integers(0, 10**14), st.none() | st.integers(1, 10**13)),
        max_size=8,
    )
)
def test_written_and_read_again(
    drawn: list[tuple[str, int, int | None]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("xml") / "out.xml"
    wanted = [(title, at, None if width is None else at + width) for title, at, width in drawn]
    matroska_xml.write(Sheet("drawn", tuple(Mark(*row) for row in wanted)), path)
    again = matroska_xml.read(path)
    assert again.problems == ()
    assert sorted(map(repr, rows(again))) == sorted(map(repr, wanted))
    starts = [mark.start for mark in again.marks]
    assert starts == sorted(starts, key=lambda start: start if isinstance(start, int) else 0)


@pytest.fixture
def chaptered(tmp_path: Path) -> Path:
    """A recording into which mkvmerge has put the chapters that we wrote."""
    for program in ("mkvmerge", "mkvextract"):
        if shutil.which(program) is None:
            pytest.skip(f"{program} is not installed")
    clip, chapters, out = tmp_path / "clip.mkv", tmp_path / "ours.xml", tmp_path / "out.mkv"
    make_clip(clip, frames=10, size=(64, 48), rate=Fraction(25), audio=False)
    matroska_xml.write(Sheet("x", MARKS), chapters)
    subprocess.run(["mkvmerge", "-q", "-o", out, "--chapters", chapters, clip], check=True)
    return out


def test_mkvtoolnix_takes_and_gives_back_every_nanosecond(chaptered: Path) -> None:
    extracted = chaptered.with_name("extracted.xml")
    subprocess.run(["mkvextract", "-q", chaptered, "chapters", extracted], check=True)
    sheet = matroska_xml.read(extracted)
    assert sheet.problems == ()
    assert rows(sheet) == [(mark.label, mark.start, mark.end) for mark in MARKS]


def test_two_hours_in_the_recording_as_rfc_9559_encodes_them(chaptered: Path) -> None:
    """ChapterTimeEnd (id 92) of 7,200,000,000,000 ns; the value bytes are those of the RFC's
    example of two hours, which has them in a ChapterTimeStart (id 91)."""
    assert bytes.fromhex("92 86 06 8C 61 71 40 00") in chaptered.read_bytes()


@pytest.mark.parametrize("code", ["several-editions", "unread-part"])
def test_broken_examples(code: str) -> None:
    sheet = matroska_xml.read(BROKEN / f"{code}.xml")
    assert {problem.code for problem in sheet.problems} == {code}
    assert [mark.label for mark in sheet.marks] == ["paracentesis", "main_incision"]


PIECES = st.lists(
    st.sampled_from(
        [
            "\n",
            "<ChapterAtom>",
            "</ChapterAtom>",
            "<ChapterTimeStart>0:00:01</ChapterTimeStart>",
            "<ChapterTimeEnd>0:00:02</ChapterTimeEnd>",
            "<ChapterTimeEnd>0</ChapterTimeEnd>",
            "<ChapterDisplay><ChapterString>a</ChapterString></ChapterDisplay>",
            "</EditionEntry>",
            "<EditionEntry>",
            "</EditionEntry></Chapters>",
            "&amp;",
        ]
    ),
    max_size=25,
)


@given(pieces=PIECES)
def test_any_text_gives_problems_or_a_format_error(
    pieces: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = put(tmp_path_factory.mktemp("any"), "<Chapters><EditionEntry>" + "".join(pieces))
    try:
        sheet = matroska_xml.read(path)
    except FormatError:
        return
    lines = path.read_bytes().count(b"\n") + 1
    assert all(1 <= (problem.line or 0) <= lines for problem in sheet.problems)
    assert all(mark.label.strip() for mark in sheet.marks)
    assert all(mark.source == path.name for mark in sheet.marks)
