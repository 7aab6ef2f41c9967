"""The case page: what stands in it, and what it does in a browser when opened from disk."""

import base64
import hashlib
import io
import json
import os
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pytest
from PIL import Image

from synthetic_clips import make_clip, read_number
from vidseg.export.page import Beside, PageClip, PageStill, frame_times, page_html, read_asset
from vidseg.export.page_text import file_link, file_name, plain, without_folders
from vidseg.measure.case.durations import time_case
from vidseg.model.annotation import Annotation, Cue, Event, Segment, Sheet
from vidseg.model.case import Case, CaseResult
from vidseg.model.edits import EditMap
from vidseg.model.problem import Problem
from vidseg.model.procedure import Kind, Procedure, Step
from vidseg.model.recording import AudioTrack, Captions, Part, Recording
from vidseg.model.span import Span

NS = 1_000_000_000
FRAME = NS // 25
FOLDER = "/home/theatre-3/recordings"
HOSTILE = '</script><img src=x onerror="alert(1)">\'\u2028\x07\ud800'
VOID = {"meta", "input", "img", "path", "circle", "use", "br"}

PROCEDURE = Procedure(
    "made_up",
    "A made-up operation",
    "1",
    "tests",
    (
        Step("work", "Main phase", Kind.PHASE),
        Step("cut", "First cut"),
        Step("turn", "Turning"),
        Step("close", "Closing"),
        Step("tear", "Small tear", Kind.EVENT, category="complication"),
        Step("pause", "Pause", Kind.EXCLUDED),
    ),
)


def span(first: int, last: int) -> Span:
    """A span from frame to frame at 25 frames/s."""
    return Span(first * FRAME, last * FRAME)


def case_result(procedure: Procedure = PROCEDURE, **changes: Any) -> CaseResult:
    """Twelve seconds at 25 frames/s: a resumed step, a pause, an event, all kinds of problem."""
    step = procedure.step
    part = Part(
        path=Path(FOLDER) / "case-1.mp4",
        start=0,
        length=300 * FRAME,
        frame_ns=np.arange(300, dtype=np.int64) * FRAME,
        width=320,
        height=180,
        container="mp4",
        codec="h264",
        profile="High",
        pixel_format="yuv420p",
        rate=Fraction(25),
        time_base=Fraction(1, 12800),
        first_pts=0,
        audio=(AudioTrack(1, "aac", 48000, 1, "", 0, 300 * FRAME),),
        doubts=(f"{FOLDER}/case-1.mp4 starts late.",),
    )
    recording = Recording((part,))
    annotation = Annotation(
        "case-1",
        "made_up",
        annotator="KO",
        source=f"{FOLDER}/marks.csv",
        segments=(
            Segment(step("work"), span(0, 200), open_start=True),
            Segment(step("cut"), span(0, 50), open_start=True),
            Segment(step("turn"), span(55, 103), note="first try"),
            Segment(step("cut"), span(110, 137)),
            Segment(step("close"), span(201, 300), open_end=True),
        ),
        events=(Event(step("tear"), 88 * FRAME, "left alone"),),
        excluded=(Segment(step("pause"), span(230, 255)),),
    )
    cues = tuple(
        Cue(span(start, start + 20), text)
        for start, text in ((10, "Line one\nand < two"), (60, "Turn & turn"), (120, "Again"))
    )
    problems = (
        Problem.of("between-frames", "Two times were moved.", "marks.csv"),
        Problem.of("order-violated", f"Look at {FOLDER}/marks.csv.", f"{FOLDER}/marks.csv", 4),
        Problem.of("unknown-step", "'shut' is not a step.", "C:\\cases\\m.csv", 6, span(140, 150)),
    )
    result = CaseResult(
        case=Case("case-1", (part.path,), Path(FOLDER) / "marks.csv", surgeon="S1", role="lead"),
        procedure=procedure,
        recording=recording,
        sheet=Sheet("marks.csv", ()),
        annotation=annotation,
        recorded=recording.recorded,
        timing=(timing := time_case(annotation, procedure, recording.recorded)),
        recording_timing=timing,
        edits=EditMap((), recording.length),
        captions=Captions(f"{FOLDER}/talk.vtt", cues, "en"),
        problems=problems,
    )
    return replace(result, **changes)


def write_page(result: CaseResult, folder: Path, beside: Beside) -> Path:
    page = folder / "index.html"
    page.write_text(page_html(result, beside), encoding="utf-8", newline="\n")
    return page


def write(result: CaseResult, folder: Path, video: str | None = "case-1.chaptered.mp4") -> Path:
    beside = Beside(
        video=video,
        captions="talk.vtt",
        chapters="chapters.vtt",
        clips=(
            PageClip("cut", 1, "clips/01-cut.mp4", 0, 50 * FRAME),
            PageClip("cut", 2, "clips/03-cut #2?.mp4", 110 * FRAME, 27 * FRAME),
        ),
        stills=(
            PageStill("turn", 70, 70 * FRAME, "stills/02-turn.jpg", "blurred"),
            PageStill("cut", 25, 25 * FRAME, "stills/01-cut.jpg", ""),
        ),
    )
    return write_page(result, folder, beside)


@dataclass
class Element:
    tag: str
    attributes: dict[str, str | None]
    text: str = ""
    inside: list["Element"] = field(default_factory=list)

    def words(self) -> str:
        return self.text + "".join(child.words() for child in self.inside)


class Tree(HTMLParser):
    """A strict little reader: every element closed, in order."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("", {})
        self.open = [self.root]
        self.all: list[Element] = []
        self.feed(text)
        self.close()
        assert self.open == [self.root], [element.tag for element in self.open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert len(dict(attrs)) == len(attrs), (tag, attrs)
        element = Element(tag, dict(attrs))
        self.open[-1].inside.append(element)
        self.all.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.open[-1].inside.append(Element(tag, dict(attrs)))
        self.all.append(self.open[-1].inside[-1])

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop().tag == tag

    def handle_data(self, data: str) -> None:
        # A text of its own, so that words() gives the page's order.
        self.open[-1].inside.append(Element("#text", {}, data))

    def tags(self, name: str) -> list[Element]:
        return [element for element in self.all if element.tag == name]

    def by_id(self, name: str) -> Element:
        (found,) = [e for e in self.all if e.attributes.get("id") == name]
        return found


def rows(table: Element) -> list[list[str]]:
    found: list[list[str]] = []

    def walk(element: Element) -> None:
        if element.tag == "tr":
            cells = [child for child in element.inside if child.tag in ("th", "td")]
            found.append([" ".join(cell.words().split()) for cell in cells])
        for child in element.inside:
            walk(child)

    walk(table)
    return found


def page_data(tree: Tree) -> Any:
    return json.loads(tree.by_id("data").words())


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Tree:
    return Tree(write(case_result(), tmp_path_factory.mktemp("page")).read_text(encoding="utf-8"))


def test_parses_and_its_references_hold(tree: Tree) -> None:
    ids = [e.attributes["id"] for e in tree.all if "id" in e.attributes]
    assert len(ids) == len(set(ids))
    for element in tree.all:
        for name in ("aria-labelledby", "aria-describedby", "for"):
            if name in element.attributes:
                assert element.attributes[name] in ids
        link = element.attributes.get("href") or ""
        if link.startswith("#"):
            assert link[1:] in ids, link
    assert [e.tag for e in tree.root.inside if e.tag != "#text"] == ["html"]
    levels = [int(e.tag[1]) for e in tree.all if re.fullmatch(r"h[1-6]", e.tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in pairwise(levels))


def test_policy_matches_every_style_and_script(tree: Tree) -> None:
    (policy,) = [
        e.attributes["content"]
        for e in tree.tags("meta")
        if e.attributes.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policy is not None
    directives = {part.split()[0]: part.split()[1:] for part in policy.split(";")}

    def hashes(elements: list[Element]) -> list[str]:
        # W3C Content Security Policy Level 3: base64 of the SHA-256 of the element's text.
        digests = [hashlib.sha256(e.words().encode("utf-8")).digest() for e in elements]
        return [f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests]

    scripts = [e for e in tree.tags("script") if "type" not in e.attributes]
    assert len(scripts) == 3
    assert directives["script-src"] == hashes(scripts)
    assert directives["style-src"] == hashes(tree.tags("style"))
    assert directives["default-src"] == ["'none'"]
    assert "unsafe" not in policy
    assert not any("style" in e.attributes for e in tree.all)
    assert not any(name.startswith("on") for e in tree.all for name in e.attributes)


def test_asks_nothing_of_any_network(tree: Tree) -> None:
    for element in tree.all:
        for name, value in element.attributes.items():
            if name in ("src", "href", "poster", "action", "srcset", "data"):
                assert not re.match(r"[a-z]+:|//", value or "", re.I), (element.tag, value)
    for element in (*tree.tags("style"), *tree.tags("script")):
        assert not re.search(r"https?:|url\(|@import|fetch\(|XMLHttp|import\(", element.words())


def test_hostile_text_stays_text(tmp_path: Path) -> None:
    steps = tuple(replace(s, name=f"{HOSTILE} {s.code}") for s in PROCEDURE.steps)
    procedure = Procedure("made_up", HOSTILE, HOSTILE, "tests", steps)
    result = case_result(procedure)
    annotation = replace(
        result.annotation,
        annotator=HOSTILE,
        segments=tuple(replace(s, note=HOSTILE) for s in result.annotation.segments),
        events=tuple(replace(e, note=HOSTILE) for e in result.annotation.events),
    )
    result = replace(
        result,
        annotation=annotation,
        recording=Recording((replace(result.recording.parts[0], codec=HOSTILE),)),
        case=replace(result.case, id=HOSTILE, surgeon=HOSTILE, role=HOSTILE),
        captions=Captions(HOSTILE, (Cue(span(1, 2), HOSTILE),), HOSTILE),
        problems=(Problem.of("bad-row", HOSTILE, HOSTILE, 3),),
    )
    page = write_page(
        result,
        tmp_path,
        Beside(
            video='x</script>"\u2028.mp4',
            clips=(PageClip("cut", 1, 'a" onclick="b.mp4', 0, FRAME),),
            stills=(PageStill("cut", 3, 3 * FRAME, "javascript:alert(1)//s.jpg", HOSTILE),),
        ),
    )
    text = page.read_text(encoding="utf-8")
    hostile = Tree(text)
    shown = plain(HOSTILE)
    assert len(hostile.tags("script")) == 4
    assert len(hostile.tags("img")) == 1
    assert not any(name.startswith("on") for e in hostile.all for name in e.attributes)
    assert " ".join(hostile.tags("h1")[0].words().split()) == " ".join(shown.split())
    data = page_data(hostile)
    assert data["captions"] == [[0.04, 0.08, shown]]
    assert data["chapters"][0][2] == f"{shown} cut"
    raw = text[text.index('id="data">') :].split("</script>")[0]
    assert not set("<&\u2028") & set(raw.removeprefix('id="data">'))
    assert "\x07" not in text
    assert hostile.tags("img")[0].attributes["src"] == "javascript%3Aalert%281%29//s.jpg"


def test_names_files_but_no_folders(tmp_path: Path) -> None:
    text = write(case_result(), tmp_path).read_text(encoding="utf-8")
    for word in ("theatre-3", "recordings", "C:\\", "cases\\", str(tmp_path)):
        assert word not in text
    for word in ("case-1.mp4", "marks.csv", "m.csv", "talk.vtt"):
        assert word in text


def test_durations_table_holds_the_timing(tree: Tree) -> None:
    (table, *_) = tree.tags("table")
    head, *body = rows(table)
    assert head[:8] == [
        "Step", "Level", "Visits", "Active", "Elapsed", "Interrupted", "Share", "",
    ]  # fmt: skip
    # Worked by hand: 25 frames/s, so 50 + 27 frames are 3.08 s; 137 frames elapsed are 5.48 s;
    # the pause takes 25 of the 99 frames of Closing and leaves 275 observed.
    assert [row[:7] for row in body] == [
        ["AMain phase", "phase", "1", "≥ 0:08.0", "≥ 0:08.0", "0:00.0", "72.7 %"],
        ["1First cut", "step", "2", "≥ 0:03.1", "≥ 0:05.5", "0:02.4", "28.0 %"],
        ["2Turning", "step", "1", "0:01.9", "0:01.9", "0:00.0", "17.5 %"],
        ["3Closing", "step", "1", "≥ 0:03.0", "≥ 0:03.0", "0:00.0", "26.9 %"],
    ]
    assert "First cut: start not in the recording" in tree.by_id("durations").words()


def test_visits_events_and_problems_are_listed(tree: Tree) -> None:
    _, visits, events = tree.tags("table")
    body = rows(visits)[1:]
    assert [row[0] for row in body] == ["1", "2", "3", "4", "5", "6"]
    assert body[2] == [
        "3", "2Turning", "step", "", "0:02.2", "0:04.1", "0:01.9", "55–102", "", "first try",
    ]  # fmt: skip
    assert body[5][1:3] == ["Pause", "excluded"]
    links = [e.attributes["href"] for e in tree.tags("a") if e.attributes.get("class") == "clip"]
    assert [unquote(link or "") for link in dict.fromkeys(links)] == [
        "clips/01-cut.mp4",
        "clips/03-cut #2?.mp4",
    ]
    assert rows(events)[1] == [
        "Small tear", "complication", "0:03.5", "88", "Turning", "left alone",
    ]  # fmt: skip
    listed = [
        " ".join(item.words().split()) for item in tree.by_id("problems").inside[3].inside[1::2]
    ]
    assert [item.split(".")[0] for item in listed] == ["Error", "Warning", "Note"]
    assert "m.csv, line 6 · 0:05.6 to 0:06.0" in listed[0]
    assert "1 error in the annotation" in tree.root.words()


def test_stills_stand_in_order_of_time_with_their_doubt(tree: Tree) -> None:
    images = [e.attributes for e in tree.tags("img")]
    assert [image["src"] for image in images] == ["stills/01-cut.jpg", "stills/02-turn.jpg"]
    assert [image["alt"] for image in images] == [
        "Frame at 0:01.0 in First cut, full picture",
        "Frame at 0:02.8 in Turning, full picture",
    ]
    assert tree.by_id("stills").words().count("blurred") == 1


def test_says_what_must_be_said(tree: Tree) -> None:
    words = " ".join(tree.root.words().split())
    for text in (
        "Time is not skill",
        "Not a medical device",
        "consent covers the use you intend",
        "the rules of your institution",
        "Doubtful. case-1.mp4 starts late.",
    ):
        assert text in words
    pairs = [e for e in tree.by_id("meaning").inside[3].inside if e.tag == "div"]
    meanings = {pair.inside[0].words(): pair.inside[1].words() for pair in pairs}
    assert meanings["Observed"].startswith("Recorded minus excluded")
    shown = ("Active", "Elapsed", "Interrupted", "Share", "Recorded", "Excluded", "≥")
    assert set(shown) <= set(meanings)


def test_page_without_video_marks_or_captions(tmp_path: Path) -> None:
    result = case_result()
    empty = Annotation("case-1", "made_up")
    timing = time_case(empty, PROCEDURE, result.recording.recorded)
    bare = replace(result, annotation=empty, timing=timing, captions=None, problems=())
    page = write_page(bare, tmp_path, Beside())
    text = page.read_text(encoding="utf-8")
    without = Tree(text)
    assert not without.tags("video")
    assert "No steps are marked in this case." in text
    assert "no chaptered recording beside this page" in without.root.words()


def test_hours_are_written_where_there_are_any(tmp_path: Path) -> None:
    result = case_result()
    part = replace(
        result.recording.parts[0],
        frame_ns=np.arange(3700 * 25, dtype=np.int64) * FRAME,
        length=3700 * NS,
    )
    recording = Recording((part,))
    timing = time_case(result.annotation, PROCEDURE, recording.recorded)
    text = write(replace(result, recording=recording, timing=timing), tmp_path).read_text("utf-8")
    assert rows(Tree(text).tags("table")[0])[3][3] == "0:00:01.9"
    assert "1:01:40.000" in text


def irregular(times_ns: list[int], rate: Fraction = Fraction(25)) -> Part:
    part = case_result().recording.parts[0]
    frame_ns = np.array(times_ns, dtype=np.int64)
    return replace(part, frame_ns=frame_ns, length=times_ns[-1] + FRAME, rate=rate)


def test_frame_times_are_short_where_the_rate_is_even() -> None:
    rate = Fraction(30000, 1001)
    exact = [round(i * NS / rate) for i in range(1000)]
    assert frame_times(irregular(exact, rate)) == {"count": 1000, "rate": [30000, 1001]}
    # Matroska keeps whole milliseconds.
    rounded = [round(ns / 1e6) * 1_000_000 for ns in exact]
    assert "rate" in frame_times(irregular(rounded, rate))


def test_frame_times_are_listed_where_it_is_not() -> None:
    times = [0, 40_000_000, 80_000_000, 150_000_000, 190_000_000, 231_000_500]
    found = frame_times(irregular(times))
    assert found == {"runs": [[2, 40000], [1, 70000], [1, 40000], [1, 41000]]}


def test_links_are_quoted_and_stay_in_the_folder() -> None:
    assert file_link("clips/ä b#1?.mp4") == "clips/%C3%A4%20b%231%3F.mp4"
    for path in ("/etc/x", "../x", "a/../../x", "C:\\x", "c:/x", "\\\\server\\x", ""):
        with pytest.raises(ValueError, match="own folder"):
            file_link(path)


def test_file_names_of_either_system() -> None:
    assert file_name("/a/b/c.csv") == file_name("C:\\a\\b\\c.csv") == "c.csv"
    assert file_name("") == ""
    said = without_folders("see /data/x/y.csv and /data/z.csv", [Path("/data"), Path("/data/x")])
    assert said == "see y.csv and z.csv"


def luminance(colour: str) -> float:
    """Relative luminance as in WCAG 2.2, "relative luminance"."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio as in WCAG 2.2, "contrast ratio"."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula_against_known_ratios() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    # #767676 is the well-known lightest grey that passes 4.5:1 on white (from memory).
    assert contrast("#767676", "#ffffff") > 4.5 > contrast("#777777", "#ffffff")


def test_step_colours_are_okabe_ito_and_their_text_is_legible() -> None:
    fills = re.findall(r"\.c\d \{ --fill: (#\w{6}); --on: (#\w{6}); \}", read_asset("strip.css"))
    # Okabe & Ito, Color Universal Design (2008), as in R's palette.colors("Okabe-Ito"),
    # where grey joins the set; black is left out: it is the colour of text.
    published = {
        "#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7", "#999999",
    }  # fmt: skip
    assert {fill for fill, _ in fills} == published
    for fill, ink in fills:
        assert contrast(fill, ink) >= 4.5, fill


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_text_is_legible_on_every_surface(scheme: int) -> None:
    blocks = re.findall(r":root \{(.*?)\}", read_asset("base.css"), re.S)
    tokens = dict(re.findall(r"--([\w-]+): (#\w{6});", blocks[scheme]))
    surfaces = ("page", "card", "sunk", "current")
    for ink in ("ink", "soft"):
        for surface in surfaces:
            assert contrast(tokens[ink], tokens[surface]) >= 4.5, (ink, surface)
    for ink in ("accent", "error", "warning", "note"):
        assert contrast(tokens[ink], tokens["card"]) >= 4.5, ink
    for kind in ("error", "warning", "note"):
        assert contrast(tokens["ink"], tokens[f"{kind}-back"]) >= 4.5
        assert contrast(tokens[kind], tokens[f"{kind}-back"]) >= 3


# In a browser, from disk.

Opener = Callable[..., Any]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page with its recording and pictures, in a folder whose name needs quoting."""
    made = tmp_path_factory.mktemp("a page") / "100% #1 é"
    (made / "stills").mkdir(parents=True)
    make_clip(made / "case-1.chaptered.mp4", frames=300, size=(320, 180), gop=100)
    for name in ("01-cut.jpg", "02-turn.jpg"):
        Image.new("RGB", (64, 36), (90, 60, 40)).save(made / "stills" / name)
    write(case_result(), made)
    return made


@pytest.fixture
def opened(browser: Any) -> Iterator[Opener]:
    """Open a page from disk; when the test ends, no error and no other request may have come."""
    contexts: list[Any] = []
    heard: list[str] = []

    def open_page(path: Path, *, errors: bool = False, ready: bool = True, **options: Any) -> Any:
        options.setdefault("viewport", {"width": 1280, "height": 720})
        context = browser.new_context(**options)
        contexts.append(context)
        page = context.new_page()
        if not errors:
            page.on("console", lambda m: heard.append(m.text))
            page.on("pageerror", lambda e: heard.append(str(e)))
        page.on("request", lambda r: None if r.url.startswith("file:") else heard.append(r.url))
        page.goto(path.as_uri())
        if ready:
            wait(page, "document.getElementById('video').readyState >= 2")
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert heard == []


def wait(page: Any, condition: str) -> None:
    """Wait until ``condition`` holds; from outside, for the page's policy forbids eval within."""
    deadline = time.monotonic() + 300  # patience: nothing is measured
    while not page.evaluate(condition):
        assert time.monotonic() < deadline, condition
        page.wait_for_timeout(20)


def settled(page: Any) -> None:
    video = "document.getElementById('video')"
    wait(page, f"!{video}.seeking && {video}.getAttribute('aria-busy') !== 'true'")
    page.evaluate("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))")


def shown_frame(page: Any) -> int | None:
    """Read the number that the picture on the screen carries."""
    settled(page)
    picture = Image.open(io.BytesIO(page.locator("#video").screenshot()))
    return read_number(np.asarray(picture.convert("L")))


def current_time(page: Any) -> float:
    return float(page.evaluate("document.getElementById('video').currentTime"))


def block(page: Any, name: str, visit: int = 1) -> Any:
    return page.locator(f".block[data-name='{name}'][data-visit='{visit}']")


def text_of(page: Any, name: str) -> str:
    return str(page.locator(f"#{name}").inner_text())


def test_opens_from_disk_with_pictures_and_video(opened: Opener, folder: Path) -> None:
    page = opened(folder / "index.html")
    assert page.evaluate("[...document.images].map(i => i.naturalWidth)") == [64, 64]
    assert page.evaluate("document.getElementById('video').duration") == pytest.approx(12, abs=0.1)
    assert shown_frame(page) == 0
    assert text_of(page, "now-name") == "First cut"
    assert not page.locator("#cannot-play").is_visible()


def test_a_block_shows_exactly_its_first_frame(opened: Opener, folder: Path) -> None:
    page = opened(folder / "index.html")
    for name, visit, first, more in (
        ("Turning", 1, 55, "Main phase"),
        ("First cut", 2, 110, "visit 2 of 2 · Main phase"),
        ("Closing", 1, 201, ""),
        ("First cut", 1, 0, "visit 1 of 2 · Main phase"),
    ):
        page.locator("#event-1").click()
        assert shown_frame(page) == 88
        block(page, name, visit).click()
        assert shown_frame(page) == first
        assert 0 <= current_time(page) - first / 25 < 0.0021
        assert (text_of(page, "now-name"), text_of(page, "now-more")) == (name, more)
        assert text_of(page, "frame") == f"frame {first}"
        assert text_of(page, "position") == f"0:{first / 25:06.3f}"
    wait(page, "document.getElementById('now-live').textContent.startsWith('First cut, visit 1')")


def test_frames_of_a_variable_rate_are_hit_in_matroska(opened: Opener, tmp_path: Path) -> None:
    # Steps of 17, 33 and 50 ms by turns: no constant rate comes near.
    steps = [17, 33, 50] * 80
    times = [sum(steps[:i]) * 1_000_000 for i in range(240)]
    make_clip(tmp_path / "v.mkv", frames=240, times_ns=times, gop=60)
    part = irregular(times)
    recording = Recording((part,))
    segments = tuple(
        Segment(PROCEDURE.step(code), Span(times[a], times[b]))
        for code, a, b in (("cut", 5, 50), ("turn", 101, 160), ("close", 160, 239))
    )
    annotation = Annotation("case-1", "made_up", segments=segments)
    result = replace(
        case_result(),
        recording=recording,
        annotation=annotation,
        timing=time_case(annotation, PROCEDURE, recording.recorded),
        problems=(),
    )
    write_page(result, tmp_path, Beside(video="v.mkv"))
    page = opened(tmp_path / "index.html")
    for name, first in (("Turning", 101), ("First cut", 5), ("Closing", 160)):
        block(page, name).click()
        assert shown_frame(page) == first
        page.keyboard.press(".")
        assert shown_frame(page) == first + 1
        page.keyboard.press(",")
        page.keyboard.press(",")
        assert shown_frame(page) == first - 1


def test_keys_move_along_the_strip_and_through_the_recording(opened: Opener, folder: Path) -> None:
    page = opened(folder / "index.html")
    focused = "[document.activeElement.dataset.name || '', document.activeElement.id]"
    strip_stops = page.locator("#strip .strip-inner button[tabindex='0']")
    assert strip_stops.count() == 1
    strip_stops.focus()
    assert page.evaluate(focused)[0] == "First cut"
    for key, name in (
        ("ArrowRight", "Turning"),
        ("ArrowUp", "Main phase"),
        ("ArrowUp", ""),
        ("ArrowDown", "Main phase"),
        ("ArrowDown", "Turning"),
        ("End", "Closing"),
        ("ArrowRight", "Closing"),
        ("Home", "First cut"),
        ("End", "Closing"),
        ("ArrowLeft", "First cut"),
    ):
        page.keyboard.press(key)
        assert page.evaluate(focused)[0] == name, key
    page.keyboard.press("Enter")
    assert shown_frame(page) == 110
    assert strip_stops.count() == 1
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Space")
    assert shown_frame(page) == 55
    assert page.evaluate("document.getElementById('video').paused")
    for key, frame in (("n", 110), ("n", 201), ("n", 201), ("p", 110), (".", 111), (",", 110)):
        page.keyboard.press(key)
        assert shown_frame(page) == frame, key


def test_space_plays_and_pauses_and_single_keys_can_be_switched_off(
    opened: Opener, folder: Path
) -> None:
    page = opened(folder / "index.html")
    paused = "document.getElementById('video').paused"
    page.keyboard.press("Space")
    wait(page, f"!{paused}")
    wait(page, "document.getElementById('video').currentTime > 0.2")
    assert page.locator("#play").get_attribute("aria-label") == "Pause"
    page.keyboard.press("Space")
    wait(page, paused)
    settled(page)
    frame = shown_frame(page)
    assert frame is not None
    assert frame > 0
    assert text_of(page, "frame") == f"frame {frame}"
    page.locator(".keys summary").click()
    page.locator("#keys-on").uncheck()
    page.locator("h1").click()
    before = current_time(page)
    page.keyboard.press("n")
    page.keyboard.press("Space")
    assert (current_time(page), page.evaluate(paused)) == (before, True)


def test_axis_list_and_tables_move_the_recording(opened: Opener, folder: Path) -> None:
    page = opened(folder / "index.html")
    box = page.locator(".axis").bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + 8)
    frame = shown_frame(page)
    assert frame is not None
    assert abs(frame - 150) <= 1
    playhead = page.locator("#playhead").bounding_box()
    assert abs(playhead["x"] - (box["x"] + box["width"] / 2)) < 4
    page.locator(".visits-list button", has_text="Turning").click()
    assert shown_frame(page) == 55
    page.locator("#events .jump").click()
    assert shown_frame(page) == 88
    page.locator("#problems .jump").first.click()
    assert shown_frame(page) == 140
    assert text_of(page, "now-name") == "No step"
    page.locator("#slider").fill("240")
    assert shown_frame(page) == 240
    assert "excluded: Pause" in text_of(page, "now-more")
    page.locator("[data-zoom='1']").click()
    wide = page.locator(".strip-inner").bounding_box()["width"]
    assert wide == pytest.approx(2 * box["width"], rel=0.01)


def test_captions_and_chapters_are_text_tracks(opened: Opener, folder: Path) -> None:
    page = opened(folder / "index.html")
    tracks = page.evaluate(
        "[...document.getElementById('video').textTracks].map(t => "
        "[t.kind, t.language, t.mode, [...t.cues].map(c => [c.startTime, c.endTime, c.text])])"
    )
    assert [track[:3] for track in tracks] == [
        ["captions", "en", "hidden"],
        ["chapters", "", "hidden"],
    ]
    # W3C WebVTT: in cue text, & and < are written as character references.
    assert tracks[0][3][0] == [0.4, 1.2, "Line one\nand &lt; two"]
    assert [len(track[3]) for track in tracks] == [3, 4]
    assert tracks[1][3][1] == [2.2, 4.12, "Turning"]
    page.locator("#captions").click()
    page.locator("#slider").fill("65")
    settled(page)
    assert (
        page.evaluate(
            "document.getElementById('video').textTracks[0].activeCues[0].getCueAsHTML().textContent"
        )
        == "Turn & turn"
    )
    assert page.locator("#captions").get_attribute("aria-pressed") == "true"


def test_says_plainly_when_the_recording_cannot_be_played(opened: Opener, tmp_path: Path) -> None:
    (tmp_path / "case-1.chaptered.mp4").write_bytes(b"no recording at all" * 100)
    (tmp_path / "stills").mkdir()
    for name in ("01-cut.jpg", "02-turn.jpg"):
        Image.new("RGB", (64, 36)).save(tmp_path / "stills" / name)
    page = opened(write(case_result(), tmp_path), ready=False)
    page.locator("#cannot-play").wait_for(state="visible")
    assert "This browser cannot play the recording (h264 in mp4)" in text_of(page, "cannot-play")
    assert not page.locator("#video").is_visible()
    block(page, "First cut", 2).click()
    assert page.evaluate("document.activeElement.getAttribute('href')").startswith("clips/03-cut")


def test_axe_finds_nothing(opened: Opener, folder: Path) -> None:
    axe = Path(os.environ.get("VIDSEG_AXE", ""))
    if not axe.is_file():
        pytest.skip("VIDSEG_AXE does not name axe-core's axe.min.js")
    script = axe.read_text(encoding="utf-8")
    for scheme in ("light", "dark"):
        page = opened(folder / "index.html", color_scheme=scheme)
        page.locator(".keys summary").click()
        page.evaluate(script)
        found = page.evaluate("axe.run().then(r => [r.passes.length, r.violations])")
        assert found[0] > 20
        assert [(v["id"], v["nodes"][0]["html"]) for v in found[1]] == []


def test_fits_a_phone_and_prints_without_the_player(opened: Opener, folder: Path) -> None:
    page = opened(folder / "index.html", viewport={"width": 360, "height": 740})
    assert page.evaluate("document.documentElement.scrollWidth") == 360
    page.emulate_media(media="print")
    assert not page.locator("#stage").is_visible()
    assert page.locator("#stills img").first.is_visible()
    assert block(page, "Turning").is_visible()


def test_reduced_motion_is_honoured(opened: Opener, folder: Path) -> None:
    behaviour = "getComputedStyle(document.documentElement).scrollBehavior"
    assert opened(folder / "index.html").evaluate(behaviour) == "smooth"
    still = opened(folder / "index.html", reduced_motion="reduce")
    assert still.evaluate(behaviour) == "auto"


def test_without_scripts_the_tables_and_the_player_remain(opened: Opener, folder: Path) -> None:
    page = opened(folder / "index.html", ready=False, java_script_enabled=False)
    assert page.locator("video[controls]").is_visible()
    assert page.locator("#durations table").is_visible()
    assert "Scripts are switched off" in page.locator("noscript").inner_text()
    boxes = [block(page, name).bounding_box() for name in ("Turning", "Closing")]
    lane = page.locator(".lane.row-step").bounding_box()
    assert (boxes[0]["x"] - lane["x"]) / lane["width"] == pytest.approx(55 / 300, abs=0.005)
    assert boxes[1]["width"] / lane["width"] == pytest.approx(99 / 300, abs=0.005)


def test_a_foreign_script_is_refused(browser: Any, folder: Path) -> None:
    text = (folder / "index.html").read_text(encoding="utf-8")
    altered = folder / "altered.html"
    altered.write_text(
        text.replace("</main>", "<script>window.run = 1</script></main>"), encoding="utf-8"
    )
    context = browser.new_context()
    try:
        page = context.new_page()
        refused: list[str] = []
        page.on("console", lambda m: refused.append(m.text))
        page.goto(altered.as_uri())
        assert page.evaluate("window.run === undefined")
        assert any("Content Security Policy" in text for text in refused)
    finally:
        context.close()
        altered.unlink()
