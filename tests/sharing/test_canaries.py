"""What must not leave: made-up names and numbers in every field that comes in, looked for outside.

Every output file is searched as bytes and as text, by code of its own: also inside zip files, in
JSON escapes and HTML entities, in UTF-16. A field either lets a shared run refuse (exit code 1,
nothing written, the words told), or stands in no output.
"""

import html
import io
import json
import re
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import av
import openpyxl
import pytest

from synthetic_clips import make_clip
from vidseg.cli import main
from vidseg.media.read.probe import open_recording
from vidseg.media.redact.redact import redact
from vidseg.media.redact.redact_plan import Redaction
from vidseg.model.annotation import Cue
from vidseg.model.recording import Captions, Chapter
from vidseg.model.screening import Screening
from vidseg.model.span import Span

CANARIES = {
    "name": ("Mrs Quenby Hopkins", "Hopkins"),
    "number": ("MRN 00481516", "00481516"),
    "birth": ("born 12.03.1950", "12.03.1950"),
    "mail": ("to q.hopkins@clinic.example", "q.hopkins@clinic.example"),
}
"""Text as put into a field, and the part that must not come out."""
STEPS = "start,end,step,note\n0:00.2,0:00.8,hydrodissection,\n0:00.8,0:01.6,nucleus division,\n"
TALK = "WEBVTT\n\n00:00.300 --> 00:00.700\nnow the wave\n"
OWN = """\
code = "ours"
name = "our steps"
version = "1"
source = "common practice"
[[steps]]
code = "cut_one"
name = "First cut"
[[steps]]
code = "cut_two"
name = "Lid Speculum"
"""


@dataclass
class Given:
    """The files of a case, by name, and the options beside them."""

    case: list[str] = field(default_factory=list)
    tables: list[str] = field(default_factory=list)
    steps: tuple[str, str | bytes] = ("steps.csv", STEPS)
    talk: str = TALK
    vocabulary: str = ""
    recording: str = "clip.mp4"
    chapter: str = ""
    embedded: str = ""
    metadata: dict[str, str] = field(default_factory=dict)
    options: tuple[str, ...] = ()


def sheet(cell: str) -> bytes:
    """Write a workbook with a note."""
    book = openpyxl.Workbook()
    book.active.append(["start", "end", "step", "note"])
    book.active.append(["0:00.2", "0:00.8", "hydrodissection", cell])
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def vocabulary(old: str, new: str) -> Given:
    steps = STEPS.replace("hydrodissection", "cut_one").replace("nucleus division", "cut_two")
    return Given(vocabulary=OWN.replace(old, new), steps=("steps.csv", steps))


def step_named(name: str) -> Given:
    code = re.sub(r"[^a-z0-9]+", "_", name.casefold()).strip("_")
    given = vocabulary('"cut_one"', f'"c_{code}"')
    given.steps = ("steps.csv", str(given.steps[1]).replace("cut_one", f"c_{code}"))
    return given


def own_json(key: str, text: str) -> str:
    mark = {"label": "hydrodissection", "start": "0:00:00.2", "end": "0:00:00.8"}
    facts = {"format": "vidseg annotation", "version": 1, "starts_only": False, "marks": [mark]}
    (mark if key in ("label", "note") else facts)[key] = text
    return json.dumps(facts)


ERRORS = ("--despite-errors",)
FIELDS: dict[str, Callable[[str], Given]] = {
    "id": lambda t: Given(case=[f"id = {json.dumps(t)}"]),
    "surgeon": lambda t: Given(case=[f"surgeon = {json.dumps(t)}"]),
    "role": lambda t: Given(case=[f"role = {json.dumps(t)}"]),
    "covariate": lambda t: Given(tables=["[covariates]", f"remark = {json.dumps(t)}"]),
    "covariate's name": lambda t: Given(tables=["[covariates]", f"{json.dumps(t)} = 3"]),
    "consent": lambda t: Given(
        tables=["[consent]", 'teaching = "yes"', f"document = {json.dumps(t)}"]
    ),
    "note": lambda t: Given(steps=("steps.csv", STEPS.replace("tion,\n", f"tion,{t}\n"))),
    "label": lambda t: Given(steps=("steps.csv", STEPS + f"0:01.7,0:01.8,{t},\n"), options=ERRORS),
    "cell for a time": lambda t: Given(
        steps=("steps.csv", STEPS + f"{t},0:01.8,hydrodissection,\n"), options=ERRORS
    ),
    "surplus cell": lambda t: Given(
        steps=("steps.csv", STEPS + f"0:01.7,0:01.8,hydrodissection,,,{t}\n"), options=ERRORS
    ),
    "column": lambda t: Given(
        steps=("steps.csv", STEPS.replace("note\n", "note,who\n").replace(",\n", f",,{t}\n"))
    ),
    "header": lambda t: Given(
        steps=("steps.csv", STEPS.replace("note\n", f"note,{t}\n").replace(",\n", ",,x\n"))
    ),
    "annotator": lambda t: Given(
        steps=("steps.csv", STEPS.replace("note\n", "note,annotator\n").replace(",\n", f",,{t}\n"))
    ),
    "workbook": lambda t: Given(steps=("steps.xlsx", sheet(t))),
    "tab separated": lambda t: Given(
        steps=("steps.tsv", STEPS.replace(",", "\t").replace("tion\t\n", f"tion\t{t}\n"))
    ),
    "cue of steps": lambda t: Given(
        steps=(
            "steps.vtt",
            f"WEBVTT\n\n00:00.2 --> 00:00.8\nhydrodissection\n{t}\n".replace(
                "00.2 ", "00.200 "
            ).replace("00.8\n", "00.800\n"),
        )
    ),
    "subtitle of steps": lambda t: Given(
        steps=("steps.srt", f"1\n00:00:00,200 --> 00:00:00,800\nhydrodissection\n{t}\n")
    ),
    "line of steps": lambda t: Given(
        steps=("steps.txt", f"0:00.2 - 0:00.8 hydrodissection\n0:01.2 - 0:01.5 {t}\n"),
        options=ERRORS,
    ),
    "chapters in XML": lambda t: Given(
        steps=(
            "steps.xml",
            "<Chapters><EditionEntry><ChapterAtom>"
            "<ChapterTimeStart>00:00:00.2</ChapterTimeStart><ChapterTimeEnd>00:00:00.8"
            f"</ChapterTimeEnd><ChapterDisplay><ChapterString>hydrodissection</ChapterString>"
            "</ChapterDisplay></ChapterAtom><ChapterAtom><ChapterTimeStart>00:00:01.2"
            "</ChapterTimeStart><ChapterTimeEnd>00:00:01.5</ChapterTimeEnd><ChapterDisplay>"
            f"<ChapterString>{t}</ChapterString></ChapterDisplay></ChapterAtom></EditionEntry>"
            "</Chapters>",
        ),
        options=ERRORS,
    ),
    "JSON label": lambda t: Given(steps=("steps.json", own_json("label", t)), options=ERRORS),
    "JSON note": lambda t: Given(steps=("steps.json", own_json("note", t))),
    "JSON annotator": lambda t: Given(steps=("steps.json", own_json("annotator", t))),
    "JSON case": lambda t: Given(steps=("steps.json", own_json("case", t))),
    "caption": lambda t: Given(talk=TALK.replace("now the", f"{t} and the")),
    "caption, split": lambda t: Given(
        talk=TALK + "\n00:00.900 --> 00:01.100\n" + t.replace(" ", "\n") + "\n"
    ),
    "below the signature": lambda t: Given(
        talk=TALK.replace("WEBVTT\n", f"WEBVTT\nPatient: {t}\n")
    ),
    "beside the signature": lambda t: Given(talk=TALK.replace("WEBVTT", f"WEBVTT {t}")),
    "language": lambda t: Given(
        talk=TALK.replace("WEBVTT\n", f"WEBVTT\nLanguage: {t.replace(' ', '-')}\n")
    ),
    "comment": lambda t: Given(talk=TALK + f"\nNOTE {t}\n"),
    "style": lambda t: Given(
        talk=TALK.replace("WEBVTT\n", f"WEBVTT\n\nSTYLE\n::cue {{ /* {t} */ }}\n")
    ),
    "loose line": lambda t: Given(talk=TALK + f"\n{t}\nx --> y\nnow\n", options=ERRORS),
    "name of the vocabulary": lambda t: vocabulary('"our steps"', json.dumps(t)),
    "version": lambda t: vocabulary('"1"', json.dumps(t)),
    "source": lambda t: vocabulary('"common practice"', json.dumps(t)),
    "step's name": lambda t: vocabulary('"First cut"', json.dumps(f"Cut of {t}")),
    "step's code": step_named,
    "alias": lambda t: vocabulary(
        'name = "First cut"', f'name = "First cut"\naliases = [{json.dumps(t)}]'
    ),
    "definition": lambda t: vocabulary(
        'name = "First cut"', f'name = "First cut"\ndefinition = {json.dumps(t)}'
    ),
    "sayings": lambda t: vocabulary(
        'name = "First cut"', f'name = "First cut"\nspoken = [{json.dumps(t)}]'
    ),
    "chapter of the recording": lambda t: Given(recording="clip.mkv", chapter=t),
    "captions in the recording": lambda t: Given(recording="clip.mkv", embedded=t),
    "title of the recording": lambda t: Given(metadata={"title": t}),
    "comment of the recording": lambda t: Given(recording="clip.mkv", metadata={"comment": t}),
    "name of the recording": lambda t: Given(recording=f"{t}.mp4"),
    "name of the annotation": lambda t: Given(steps=(f"{t}.csv", STEPS)),
}
HARMLESS = {
    "consent", "source", "alias", "definition", "sayings", "comment", "style", "surplus cell",
    "beside the signature", "loose line",
}  # fmt: skip
"""Fields that no output shows, so that a shared run may go on."""


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two seconds without anything hidden, as a copy fit to share is."""
    folder = tmp_path_factory.mktemp("clip")
    make_clip(folder / "made.mp4", frames=50, size=(160, 120), gop=25, bframes=0, audio=False)
    redact(open_recording([folder / "made.mp4"]), Redaction(), folder / "clip.mp4")
    return folder / "clip.mp4"


def write_recording(clip: Path, path: Path, given: Given) -> None:
    """Write the clip anew with metadata, or with a chapter and captions and nothing hidden."""
    if given.metadata:
        with av.open(str(clip)) as source, av.open(str(path), "w") as target:
            target.metadata.update(given.metadata)
            video = target.add_stream_from_template(source.streams.video[0])
            for packet in source.demux(source.streams.video[0]):
                if packet.dts is not None:
                    packet.stream = video
                    target.mux(packet)
        return
    chapters = [Chapter(Span(0, 10**9), given.chapter)] if given.chapter else []
    cues = (Cue(Span(3 * 10**8, 7 * 10**8), given.embedded),) if given.embedded else ()
    captions = Captions("", cues) if cues else None
    redact(open_recording([clip]), Redaction(), path, chapters=chapters, captions=captions)


def laid(folder: Path, clip: Path, given: Given) -> Path:
    """Lay the files of a case; give its case.toml."""
    recording = folder / given.recording
    if given.metadata or given.chapter or given.embedded:
        write_recording(clip, recording, given)
    else:
        recording.write_bytes(clip.read_bytes())
    name, text = given.steps
    (folder / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    (folder / "talk.vtt").write_text(given.talk, encoding="utf-8")
    lines = [*given.case]
    if not any(line.startswith("id ") for line in lines):
        lines.append('id = "T-7"')
    lines += [f"recording = {json.dumps(given.recording)}", f"annotation = {json.dumps(name)}"]
    lines.append('captions = "talk.vtt"')
    if given.vocabulary:
        (folder / "ours.toml").write_text(given.vocabulary, encoding="utf-8")
        lines.append('procedure = "./ours.toml"')
    tables = given.tables
    if "[consent]" not in tables:
        tables = [*tables, "[consent]", 'teaching = "yes"']
    (folder / "case.toml").write_text("\n".join([*lines, *tables]) + "\n", encoding="utf-8")
    return folder / "case.toml"


def carriers(folder: Path, secret: str) -> list[str]:
    """Name the files below ``folder`` that hold a text in any writing; names count too."""
    found = []
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if _holds(name.encode(), secret) or (path.is_file() and _holds(path.read_bytes(), secret)):
            found.append(name)
    return found


def _holds(data: bytes, secret: str) -> bool:
    if any(secret.encode(code) in data for code in ("utf-8", "utf-16-le", "utf-16-be")):
        return True
    text = html.unescape(data.decode("utf-8", "ignore"))
    text = re.sub(r"\\u([0-9a-f]{4})", lambda m: chr(int(m[1], 16)), text, flags=re.IGNORECASE)
    squeezed = re.sub(r"[\W_]+", "", text).casefold()
    if re.sub(r"[\W_]+", "", secret).casefold() in squeezed:
        return True
    if zipfile.is_zipfile(io.BytesIO(data)):
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return any(_holds(archive.read(name), secret) for name in archive.namelist())
    return False


def test_the_search_finds_what_is_hidden(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text(json.dumps("Höpkins"), encoding="ascii")
    (tmp_path / "b.html").write_text("H&#246;pkins", encoding="utf-8")
    (tmp_path / "c.xlsx").write_bytes(sheet("Höpkins"))
    (tmp_path / "d-höpkins.txt").touch()
    (tmp_path / "e.bin").write_bytes(b"\0" + "Höpkins".encode("utf-16-le"))
    assert len(carriers(tmp_path, "Höpkins")) == 5


def test_without_a_canary_a_shared_run_goes_through(clip: Path, tmp_path: Path) -> None:
    for number, given in enumerate((Given(), vocabulary("", ""))):
        folder = tmp_path / str(number)
        folder.mkdir()
        case = laid(folder, clip, given)
        assert main(["run", str(case), "--share", "--quiet", "--out", str(folder / "out")]) == 0


KINDS = list(CANARIES)
CASES = [
    (name, kind)
    for number, name in enumerate(FIELDS)
    for kind in dict.fromkeys(("name", KINDS[1 + number % 3]))
]


@pytest.mark.parametrize(("name", "kind"), CASES)
def test_a_canary_is_in_no_output_of_a_shared_run(
    name: str, kind: str, clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text, secret = CANARIES[kind]
    given = FIELDS[name](text)
    case = laid(tmp_path, clip, given)
    out = tmp_path / "out"
    code = main(["run", str(case), "--share", *given.options, "--out", str(out)])
    said = capsys.readouterr().err
    if out.exists():
        assert carriers(out, secret) == []
        assert name in HARMLESS
        assert code == int("--despite-errors" in given.options)
    else:
        assert not out.with_name(".out.part").exists()
        assert code == 1
        assert "may identify someone would stand" in said


SHOWN = (
    "note", "label", "column", "caption", "language", "role", "covariate", "step's name",
    "JSON note", "chapter of the recording", "captions in the recording", "below the signature",
)  # fmt: skip


@pytest.mark.parametrize("name", SHOWN)
def test_the_gate_alone_stops_what_was_not_looked_for_before(
    name: str,
    clip: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("vidseg.measure.privacy.identifying_text.telling", lambda _: ())
    text, _ = CANARIES["name"]
    given = FIELDS[name](text)
    case = laid(tmp_path, clip, given)
    out = tmp_path / "out"
    assert main(["run", str(case), "--share", *given.options, "--out", str(out)]) == 1
    assert "Hopkins" in capsys.readouterr().err
    assert sorted(path.name for path in tmp_path.glob("*out*")) == []


@pytest.mark.parametrize("name", FIELDS)
def test_a_canary_is_in_no_copy(
    name: str,
    clip: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("vidseg.sharing.deidentify.find_look", lambda *_: Screening((), (), ()))
    text, secret = CANARIES["name"]
    given = FIELDS[name](text)
    case = laid(tmp_path, clip, given)
    kept = ["--keep-captions", "--keep-notes", "--keep-surgeon"]
    out = ["--out", str(tmp_path / "shared")]
    code = main(["deidentify", str(case), "--for", "teaching", *kept, *out])
    if code == 0:
        assert carriers(tmp_path / "shared" / "copy", secret) == []
    else:
        assert code == (1 if given.options else 2)  # rows in error; names in a vocabulary
        assert not (tmp_path / "shared" / "copy" / "case.toml").exists()
        assert capsys.readouterr().err


NO_COLUMN = (
    "note", "column", "caption", "title of the recording", "name of the recording",
    "name of the annotation", "JSON note", "workbook", "chapter of the recording", "definition",
)  # fmt: skip
"""Fields for which a library has no column."""


def test_what_a_library_has_no_column_for_is_in_none_of_its_tables(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text, secret = CANARIES["name"]
    library = ["--library", str(tmp_path / "cases.sqlite")]
    for number, name in enumerate(NO_COLUMN):
        folder = tmp_path / str(number)
        folder.mkdir()
        given = FIELDS[name](text)
        given.case = [f'id = "T-{number}"']
        case = laid(folder, clip, given)
        assert main(["run", str(case), "--quiet", "--out", str(folder / "out")]) == 0
        assert main(["library", "add", str(folder / "out"), *library, "--quiet"]) == 0
    shown = tmp_path / "shown"
    shown.mkdir()
    for out in ("tables", "tables.xlsx"):
        assert main(["library", "export", "--out", str(shown / out), *library]) == 0
    page = ["library", "page", "--out", str(shown / "page.html"), "--procedure", "phaco"]
    assert main([*page, *library]) == 0
    assert len(list(shown.rglob("*.*"))) > 5
    assert carriers(shown, secret) == []
    assert carriers(tmp_path / "0" / "out", secret) != []
    assert not _holds((tmp_path / "cases.sqlite").read_bytes(), secret)
    capsys.readouterr()
