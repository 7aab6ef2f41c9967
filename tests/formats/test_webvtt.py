"""WebVTT against the syntax of the W3C text, and against webvtt-py, which reads what we write."""

from __future__ import annotations

import html
from pathlib import Path

import pytest
import webvtt as outside
from hypothesis import given
from hypothesis import strategies as st

from vidseg.formats import webvtt
from vidseg.model.annotation import Cue, Edge, Frame, Mark, Sheet, Timecode
from vidseg.model.problem import FormatError, Severity, UsageError
from vidseg.model.recording import Captions
from vidseg.model.span import Span

BROKEN = Path(__file__).parents[2] / "annotations" / "broken"
S = 1_000_000_000
MS = 1_000_000


def put(folder: Path, text: str | bytes, name: str = "case.vtt") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def cue(timing: str, text: str = "capsulorhexis") -> str:
    return f"WEBVTT\n\n{timing}\n{text}\n"


def codes(sheet: Sheet | Captions) -> list[tuple[str, int | None]]:
    return [(problem.code, problem.line) for problem in sheet.problems]


def rows(sheet: Sheet) -> list[tuple[str, object, object, str]]:
    return [(mark.label, mark.start, mark.end, mark.note) for mark in sheet.marks]


# Timestamps: W3C WebVTT, section 4.1, "WebVTT timestamp" and "WebVTT cue timings".


@pytest.mark.parametrize(
    ("timing", "start", "end"),
    [
        ("00:00.000 --> 00:00.001", 0, MS),
        ("59:59.999 --> 01:00:00.000", 3_599_999 * MS, 3600 * S),
        ("00:04:10.250 --> 00:05:00.000", 250_250 * MS, 300 * S),
        ("100:00:01.000 --> 1000:00:00.000", 360_001 * S, 3_600_000 * S),
        ("00:01.000\t-->\t00:02.000", S, 2 * S),
        ("00:01.000  \t--> \t 00:02.000", S, 2 * S),
        ("00:01.000 --> 00:02.000 line:0 position:20% size:60% align:start", S, 2 * S),
        ("00:01.000 --> 00:02.000 vertical:rl line:-1,end region:fred", S, 2 * S),
    ],
)
def test_timings_of_the_grammar(tmp_path: Path, timing: str, start: int, end: int) -> None:
    sheet = webvtt.read(put(tmp_path, cue(timing)))
    assert rows(sheet) == [("capsulorhexis", start, end, "")]
    assert sheet.problems == ()


@pytest.mark.parametrize(
    "timing",
    [
        "0:01.000 --> 00:02.000",  # two digits for minutes
        "1:00:01.000 --> 01:00:02.000",  # two digits or more for hours
        "00:01 --> 00:02",  # the thousandths are required
        "00:01.00 --> 00:02.00",  # exactly three
        "00:01.0000 --> 00:02.0000",
        "00:01,000 --> 00:02,000",  # a full stop, not a comma
        "00:60.000 --> 01:02.000",  # seconds to 59
        "60:00.000 --> 60:02.000",  # minutes to 59
        "00:00:60.000 --> 00:01:02.000",
        "00:60:00.000 --> 00:60:02.000",
        "1.000 --> 2.000",
        "00:01.000-->00:02.000",  # a space or tab on both sides
        "00:01.000 -->00:02.000",
        "00:01.000 --> ",
        " --> 00:02.000",
        "-00:01.000 --> 00:02.000",
        "00:01.000 --> 00:02.000align:start",
        "٠٠:٠١.٠٠٠ --> 00:02.000",  # ASCII digits
    ],
)
def test_timings_against_the_grammar(tmp_path: Path, timing: str) -> None:
    text = cue("00:00.000 --> 00:01.000", "paracentesis") + "\n" + timing + "\ncapsulorhexis\n"
    sheet = webvtt.read(put(tmp_path, text))
    assert codes(sheet) == [("bad-cue", 6)]
    assert sheet.problems[0].severity is Severity.ERROR
    assert sheet.problems[0].source == "case.vtt"
    assert timing.strip()[:10] in sheet.problems[0].message
    assert rows(sheet) == [("paracentesis", 0, S, "")]


def test_end_must_come_after_start(tmp_path: Path) -> None:
    text = "WEBVTT\n\n00:02.000 --> 00:02.000\na\n\n00:03.000 --> 00:02.999\nb\n"
    path = put(tmp_path, text)
    assert codes(webvtt.read(path)) == [("ends-before-start", 3), ("ends-before-start", 6)]
    assert codes(webvtt.read_captions(path)) == [("ends-before-start", 3), ("ends-before-start", 6)]
    assert webvtt.read(path).marks == ()


def test_starts_must_not_decrease(tmp_path: Path) -> None:
    text = (
        "WEBVTT\n\n00:05.000 --> 00:09.000\na\n\n00:05.000 --> 00:06.000\nb\n\n"
        "00:04.999 --> 00:06.000\nc\n"
    )
    sheet = webvtt.read(put(tmp_path, text))
    assert codes(sheet) == [("cue-order", 9)]
    assert [mark.label for mark in sheet.marks] == ["a", "b", "c"]


# The file around the cues: W3C WebVTT, section 4.1, "WebVTT file body".


@pytest.mark.parametrize(
    "head",
    ["WEBVTT", "\ufeffWEBVTT", "WEBVTT steps of a case", "WEBVTT\tsteps", "WEBVTT - steps\n\n\n"],
)
def test_signatures(tmp_path: Path, head: str) -> None:
    sheet = webvtt.read(put(tmp_path, head + "\n\n00:01.000 --> 00:02.000\nparacentesis\n"))
    assert rows(sheet) == [("paracentesis", S, 2 * S, "")]
    assert sheet.problems == ()


@pytest.mark.parametrize(
    "head", ["WEBVTTsteps", "webvtt", "\nWEBVTT", " WEBVTT", "1\n00:01.000 --> 00:02.000\na"]
)
def test_without_signature_work_stops(tmp_path: Path, head: str) -> None:
    with pytest.raises(FormatError) as caught:
        webvtt.read(put(tmp_path, head))
    assert (caught.value.source, caught.value.line) == ("case.vtt", 1)


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_line_ends(tmp_path: Path, ending: str) -> None:
    text = "WEBVTT\n\nid\n00:01.000 --> 00:02.000\nparacentesis\nside port\n\nNOTE x\n\n\n"
    text += "00:03.000 --> 00:04.000\nmain_incision"
    sheet = webvtt.read(put(tmp_path, text.replace("\n", ending)))
    assert rows(sheet) == [
        ("paracentesis", S, 2 * S, "side port"),
        ("main_incision", 3 * S, 4 * S, ""),
    ]
    assert [mark.line for mark in sheet.marks] == [4, 11]
    assert sheet.problems == ()


def test_comments_styles_and_regions_are_no_cues(tmp_path: Path) -> None:
    text = (
        "WEBVTT\n\nREGION\nid:fred\nwidth:40%\n\nSTYLE\n::cue { color: red }\n\n"
        "NOTE a comment\nof two lines\n\nNOTE\n\nNOTE\tand a tab\n\nNOTES are no comment\n"
        "00:01.000 --> 00:02.000\nparacentesis\n"
    )
    sheet = webvtt.read(put(tmp_path, text))
    assert rows(sheet) == [("paracentesis", S, 2 * S, "")]
    assert sheet.problems == ()


def test_everything_wrong_is_reported_in_one_go(tmp_path: Path) -> None:
    text = (
        "WEBVTT\nX-TIMESTAMP-MAP=LOCAL:00:00:00.000\n\n"
        "lost text\n\n"
        "two lines\nbefore\n00:01.000 --> 00:02.000\na\n\n"
        "NOTE\n00:02.000 --> 00:03.000\nhidden\n\n"
        "00:03.000 --> 00:04.000\nb\n2\n00:05.000 --> 00:06.000\nc\n\n"
        "STYLE\n::cue {}\n\n"
        "00:07.000 --> 00:08.000 align:middle size:200%\nIOP < 20\n\n"
        "00:09.000 --> 00:10.000\n<b></b>\n"
    )
    sheet = webvtt.read(put(tmp_path, text))
    assert codes(sheet) == [
        ("unread-part", 2),
        ("bad-cue", 4),
        ("bad-cue", 6),
        ("bad-cue", 12),
        ("bad-cue", 18),
        ("loose-cue", 21),
        ("loose-cue", 24),
        ("loose-cue", 24),
        ("loose-cue", 24),
        ("no-label", 27),
    ]
    assert [(mark.label, mark.note) for mark in sheet.marks] == [
        ("a", ""),
        ("b", "2"),
        ("c", ""),
        ("IOP < 20", ""),
    ]


def test_no_blank_line_after_the_signature(tmp_path: Path) -> None:
    sheet = webvtt.read(put(tmp_path, "WEBVTT\n00:01.000 --> 00:02.000\nparacentesis\n"))
    assert codes(sheet) == [("bad-cue", 2)]
    assert rows(sheet) == [("paracentesis", S, 2 * S, "")]


def test_the_same_identifier_twice(tmp_path: Path) -> None:
    text = "WEBVTT\n\nx\n00:01.000 --> 00:02.000\na\n\nx\n00:03.000 --> 00:04.000\nb\n"
    assert codes(webvtt.read(put(tmp_path, text))) == [("loose-cue", 7)]


@pytest.mark.parametrize(
    ("data", "words"), [(b"WEBVTT\n\n\xff", "UTF-8"), (b"WEBVTT\n\nNOTE\0", "zero"), (b"", "empty")]
)
def test_files_that_are_no_text(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(FormatError, match=words):
        webvtt.read(put(tmp_path, data))


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match=r"none\.vtt"):
        webvtt.read(tmp_path / "none.vtt")


# The text of a cue: W3C WebVTT, section 4.2.2; the character references are those of HTML.


@pytest.mark.parametrize(
    ("payload", "text"),
    [
        ("R&amp;D &lt;5 mm&gt;", "R&D <5 mm>"),
        ("a&nbsp;b&lrm;c&rlm;d", "a\xa0b\u200ec\u200fd"),
        ("&#233;&#xE9;&eacute;", "ééé"),
        ("&amp;lt;", "&lt;"),  # decoded once
        ("&lt;b&gt;", "<b>"),  # an escaped tag is text
        ("suture&notes R&D", "suture&notes R&D"),  # no semicolon: no reference
        ("<v Dr A>rhexis now", "rhexis now"),
        ("<v.loud.first Dr A>rhexis</v> <c.yellow>now</c>", "rhexis now"),
        ("<b>one</b> <i>two</i> <u>three</u>", "one two three"),
        ("<lang en-GB>colour</lang>", "colour"),
        ("one <00:00:01.500>two <00:01.750>three", "one two three"),
        ("line one\nline two", "line one\nline two"),
    ],
)
def test_captions_hold_plain_text(tmp_path: Path, payload: str, text: str) -> None:
    captions = webvtt.read_captions(put(tmp_path, cue("00:01.000 --> 00:02.000", payload)))
    assert captions.cues == (Cue(Span(S, 2 * S), text),)
    assert captions.problems == ()


def test_unknown_tags_are_kept_and_told(tmp_path: Path) -> None:
    path = put(tmp_path, cue("00:01.000 --> 00:02.000", "<unclear> about <5 mm"))
    captions = webvtt.read_captions(path)
    assert captions.cues[0].text == "<unclear> about <5 mm"
    assert codes(captions) == [("loose-cue", 3)]


def test_language_below_the_signature(tmp_path: Path) -> None:
    text = "WEBVTT\nKind: captions\nLanguage: en\n\n00:01.000 --> 00:02.000\nnow\n"
    captions = webvtt.read_captions(put(tmp_path, text))
    assert (captions.language, captions.problems) == ("en", ())


# What we write.


def test_written_file_letter_by_letter(tmp_path: Path) -> None:
    marks = (
        Mark("capsulorhexis", 250_250 * MS, 300 * S, "needle & forceps\ntear --> out"),
        Mark("hydrodissection", 360_000 * S, 360_001 * S),
    )
    assert webvtt.write(Sheet("case.csv", marks), tmp_path / "out.vtt") == ()
    assert (tmp_path / "out.vtt").read_bytes() == (
        b"WEBVTT\n\n"
        b"00:04:10.250 --> 00:05:00.000\ncapsulorhexis\nneedle &amp; forceps\ntear --&gt; out\n\n"
        b"100:00:00.000 --> 100:00:01.000\nhydrodissection\n"
    )


def test_what_cannot_be_held_is_told(tmp_path: Path) -> None:
    marks = (
        Mark("iol_insertion", 20 * S, 30 * S, "a\n\nb"),
        Mark("cortex_removal", 10 * S + 1, 25 * S, attributes=(("hand", "left"),)),
        Mark("posterior\ncapsule tear", 15 * S, None),
        Mark("hydrodissection", Edge.OPEN, 5 * S),
        Mark("bell\x07", 40 * S, 40 * S + 1),
        Mark("wound_closure", 50 * S + MS // 2, 60 * S + MS // 2 - 1),
    )
    told = webvtt.write(Sheet("case.csv", marks, procedure="phaco"), tmp_path / "out.vtt")
    for words in (
        "order of start",
        "1 open start",
        "extra columns of 1 row",
        "1 label with a line break",
        "control characters",
        "procedure",
        "1 point",
        "4 times: rounded",
        "1 cue shorter than 1 ms",
        "1 text: blank lines",
        "1 cue partly over",
    ):
        assert sum(words in sentence for sentence in told) == 1, words
    again = webvtt.read(tmp_path / "out.vtt")
    assert again.problems == ()
    assert rows(again) == [
        ("hydrodissection", 0, 5 * S, ""),
        ("cortex_removal", 10 * S, 25 * S, ""),
        ("posterior capsule tear", 15 * S, 15 * S + MS, ""),
        ("iol_insertion", 20 * S, 30 * S, "a\nb"),
        ("bell\N{REPLACEMENT CHARACTER}", 40 * S, 40 * S + MS, ""),
        ("wound_closure", 50 * S + MS, 60 * S, ""),
    ]


@pytest.mark.parametrize(
    ("mark", "starts_only", "words"),
    [
        (Mark("a", Frame(3), Frame(9)), False, "frame number"),
        (Mark("a", 0, Timecode("00:00:01:00")), False, "timecode"),
        (Mark("a", 0, Edge.OPEN), False, "open end"),
        (Mark("a", 0, None), True, "starts only"),
        (Mark("a", -1, S), False, "before zero"),
        (Mark("a", S, S), False, "not after its start"),
        (Mark(" ", 0, S), False, "no label"),
    ],
)
def test_what_cannot_be_expressed_is_refused(
    tmp_path: Path, mark: Mark, starts_only: bool, words: str
) -> None:
    with pytest.raises(UsageError, match=words):
        webvtt.write(Sheet("case.csv", (mark,), starts_only=starts_only), tmp_path / "out.vtt")
    assert list(tmp_path.iterdir()) == []


LINE = st.text(st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp"))).filter(
    lambda text: bool(text.strip())
)
WIDTH = st.tuples(st.integers(0, 400_000_000), st.integers(1, 10_000_000))


@st.composite
def sheets(draw: st.DrawFn) -> Sheet:
    spans = sorted(draw(st.lists(WIDTH, max_size=6)), key=lambda pair: (pair[0], -sum(pair)))
    marks = [
        Mark(
            draw(LINE).strip(),
            start * MS,
            (start + width) * MS,
            "\n".join(draw(st.lists(LINE, max_size=2))),
        )
        for start, width in spans
    ]
    return Sheet("drawn", tuple(marks))


@given(sheet=sheets())
def test_written_and_read_again(sheet: Sheet, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("vtt") / "out.vtt"
    webvtt.write(sheet, path)
    again = webvtt.read(path)
    assert rows(again) == rows(sheet)
    assert again.problems == ()


@given(sheet=sheets())
def test_webvtt_py_reads_what_we_write(
    sheet: Sheet, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """webvtt-py is an independent reader; it leaves character references as they are."""
    path = tmp_path_factory.mktemp("vtt") / "out.vtt"
    webvtt.write(sheet, path)
    found = outside.read(path)
    assert len(found) == len(sheet.marks)
    for caption, mark in zip(found, sheet.marks, strict=True):
        assert isinstance(mark.start, int)
        assert isinstance(mark.end, int)
        start, end = caption.start_time, caption.end_time
        assert (start.in_seconds() * 1000 + start.milliseconds) * MS == mark.start
        assert (end.in_seconds() * 1000 + end.milliseconds) * MS == mark.end
        text = "\n".join([mark.label, mark.note] if mark.note else [mark.label])
        assert html.unescape(caption.raw_text).split() == text.split()


def test_captions_written_and_read_again(tmp_path: Path) -> None:
    cues = (
        Cue(Span(2 * S, 3 * S), "two <lines>\nof text"),
        Cue(Span(S, 3 * S), "first & longer"),
    )
    told = webvtt.write_captions(Captions("x", cues, "en"), tmp_path / "out.vtt")
    assert told == ("Not held: the language (en).",)
    again = webvtt.read_captions(tmp_path / "out.vtt")
    assert again.cues == (cues[1], cues[0])
    assert again.problems == ()
    found = outside.read(tmp_path / "out.vtt")
    assert [caption.raw_text for caption in found] == [
        "first &amp; longer",
        "two &lt;lines&gt;\nof text",
    ]


@pytest.mark.parametrize("code", ["bad-cue", "cue-order"])
def test_broken_examples(code: str) -> None:
    sheet = webvtt.read(BROKEN / f"{code}.vtt")
    assert {problem.code for problem in sheet.problems} == {code}
    assert all(problem.severity is Severity.ERROR for problem in sheet.problems)


PIECES = st.lists(
    st.sampled_from(
        [
            "\n",
            "\n\n",
            "NOTE",
            "STYLE",
            "x",
            " ",
            "00:01.000",
            "00:02.500",
            " --> ",
            "-->",
            "<b>",
            "<",
            "&lt;",
            "1",
            "line:5",
        ]
    ),
    max_size=25,
)


@given(pieces=PIECES)
def test_any_text_gives_problems_or_a_format_error(
    pieces: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = put(tmp_path_factory.mktemp("any"), "WEBVTT\n\n" + "".join(pieces))
    try:
        sheet = webvtt.read(path)
    except FormatError:
        return
    lines = path.read_bytes().count(b"\n") + 1
    assert all(1 <= (problem.line or 0) <= lines for problem in sheet.problems)
    assert all(mark.label.strip() for mark in sheet.marks)
    assert all(mark.source == path.name for mark in sheet.marks)
