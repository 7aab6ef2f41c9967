"""``vidseg deidentify`` and ``run --share``: consent, the copy, its times, its words, its record.

The measured promises about pictures and sound stand with ``vidseg.media.redact.redact`` and
``vidseg.media.picture.screening``; here what a look finds is given where a test is about
deciding on it.
"""

import json
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from synthetic_clips import load_scenario, make_clip
from synthetic_clips.burnt_in import BurntIn, box, ink, with_contrast, write_burnt_in
from vidseg.cli import main
from vidseg.formats.case_file import read_case
from vidseg.media.read.probe import read_part
from vidseg.model.screening import Overlay, Screening, UnlikeView
from vidseg.model.span import Span
from vidseg.reading import read_case_files

NS = 1_000_000_000
NAME = "Anna_Person_2031-05-13.mp4"
SECRET = (b"Anna", b"Person", b"2031", b"form 7", b"93", b"S77", b"Annotator")
STEPS = """\
start,end,step,note,annotator
0:01,0:05,hydrodissection,by Mr Person,Annotator
0:02,0:03,out of eye,,
0:05,0:08,nucleus division,two side ports,
0:06,,small pupil,seen 13.05.2031,
"""
TALK = """\
WEBVTT

00:01.000 --> 00:01.800
Now the hydrodissection

00:04.000 --> 00:04.500
thank you, Anna

00:06.000 --> 00:07.000
and we divide it in four
"""
CASE = f"""\
id = "Person-2031"
recording = "{NAME}"
annotation = "steps.csv"
captions = "talk.vtt"
surgeon = "S77"
role = "trainee"
case_number = 4

[covariates]
age = 93
pupil_mm = 4.7
date = "2031-05-13"

[consent]
teaching = "yes"
research = "no"
date = 2031-05-13
document = "form 7"
"""
NOTHING = Screening((), (), ())
FOUND = Screening(
    (Overlay(32, 32, 64, 32, Span(0, 4 * NS), 0.9, (10, 50)),),
    (UnlikeView(Span(8 * NS, 9 * NS), 0.8, "brighter than the rest", 210),),
    ("looked at every fifth picture",),
)


@pytest.fixture(scope="module")
def footage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten seconds with sound, and metadata that says whose they are."""
    path = tmp_path_factory.mktemp("footage") / NAME
    make_clip(
        path,
        frames=250,
        size=(320, 240),
        gop=25,
        metadata={"creation_time": "2031-05-13T10:11:12.000000Z", "artist": "A. Person"},
    )
    return path


@pytest.fixture
def case(footage: Path, tmp_path: Path) -> Path:
    (tmp_path / NAME).write_bytes(footage.read_bytes())
    (tmp_path / "steps.csv").write_text(STEPS, encoding="utf-8")
    (tmp_path / "talk.vtt").write_text(TALK, encoding="utf-8")
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    return tmp_path / "case.toml"


@pytest.fixture
def seen(monkeypatch: pytest.MonkeyPatch) -> Callable[[Screening], None]:
    """Let a look find what a test wants to decide on."""

    def find(look: Screening) -> None:
        monkeypatch.setattr("vidseg.sharing.deidentify.find_look", lambda *_, **__: look)

    return find


def shared(case: Path, *options: str, purpose: str = "teaching") -> int:
    out = case.parent / "shared"
    return main(["deidentify", str(case), "--for", purpose, "--out", str(out), *options])


def record(case: Path) -> dict[str, object]:
    path = case.parent / "shared" / "record" / "deidentification.json"
    found = json.loads(path.read_text(encoding="utf-8"))
    assert isinstance(found, dict)
    return found


@pytest.mark.parametrize(
    ("purpose", "told"),
    [("research", "did not agree to research"), ("publication", "it is not written down")],
)
def test_without_consent_nothing_is_made(
    case: Path, capsys: pytest.CaptureFixture[str], purpose: str, told: str
) -> None:
    assert shared(case, purpose=purpose) == 2
    said = capsys.readouterr().err
    assert told in said
    assert f'[consent]\n  {purpose} = "yes"' in said
    assert not (case.parent / "shared").exists()


def test_a_recording_with_its_annotation_has_no_consent(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    paths = [str(case.parent / name) for name in (NAME, "steps.csv")]
    out = ["--out", str(case.parent / "shared")]
    assert main(["deidentify", *paths, "--for", "teaching", *out]) == 2
    assert "Consent is recorded in case.toml" in capsys.readouterr().err


@pytest.mark.parametrize("excluded", ["cut", "blank"])
def test_the_copy_tells_nothing_and_its_steps_take_as_long(
    case: Path, seen: Callable[[Screening], None], excluded: str, capsys: pytest.CaptureFixture[str]
) -> None:
    seen(NOTHING)
    # a pseudonym drawn by chance may hold any two digits
    assert shared(case, "--excluded", excluded, "--cut", "0:03.4-0:04.2", "--id", "T-7") == 0
    out = case.parent / "shared"
    names = {path.relative_to(out / "copy").as_posix() for path in (out / "copy").rglob("*.*")}
    assert names == {
        "recording.mp4",
        "steps.csv",
        "case.toml",
        "deidentification.json",
        "stills/stills.csv",
        "stills/01-hydrodissection.jpg",
        "stills/02-nucleus_division.jpg",
    }
    for name in names:
        data = (out / "copy" / name).read_bytes()
        plain = SECRET if Path(name).suffix not in (".mp4", ".jpg") else SECRET[:4]
        hidden = [secret for secret in plain if secret in data]
        if name == "deidentification.json":  # CFR and code numbers hold digits of any kind
            hidden = [secret for secret in hidden if not secret.isdigit()]
        assert not hidden, name
    part = read_part(out / "copy" / "recording.mp4")
    assert part.audio == ()
    gone = 45 if excluded == "cut" else 20  # 0.8 s, and a second of excluded time
    assert len(part.frame_ns) == 250 - gone

    whole = read_case_files(read_case(case)).timing
    copy = read_case_files(read_case(out / "copy" / "case.toml")).timing
    times = [
        [(s.step.code, s.active_ns, s.elapsed_ns, s.interrupted_ns, s.first_ns) for s in t.steps]
        for t in (whole, copy)
    ]
    assert times[0] == times[1]
    assert times[0][0][:2] == ("hydrodissection", 3 * NS)
    assert whole.observed_ns == copy.observed_ns == 9 * NS


def test_run_and_durations_on_the_copy_give_the_same_times(
    case: Path, seen: Callable[[Screening], None], capsys: pytest.CaptureFixture[str]
) -> None:
    seen(NOTHING)
    assert shared(case, "--excluded", "cut", "--keep-only-steps") == 0
    copy = case.parent / "shared" / "copy" / "case.toml"
    assert main(["run", str(case), "--quiet", "--out", str(case.parent / "whole")]) == 0
    assert main(["run", str(copy), "--share", "--quiet", "--out", str(case.parent / "again")]) == 0
    rows = []
    for name in ("whole", "again"):
        text = (case.parent / name / "case.json").read_text(encoding="utf-8")
        rows.append(
            [
                (row["step"], row["active_s"], row["elapsed_s"], row["first_start_s"])
                for row in json.loads(text)["durations"]
            ]
        )
    assert rows[0] == rows[1]
    assert len(rows[0]) == 2
    page = (case.parent / "again" / "index.html").read_text(encoding="utf-8")
    assert not [word for word in ("Anna", "Person", "S77", "Mr ") if word in page]


def test_a_page_that_would_identify_is_not_written(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", str(case), "--share", "--out", str(case.parent / "page")]) == 1
    said = capsys.readouterr().err
    assert not (case.parent / "page").exists()
    for words in (
        "creation_time of file",
        "artist of file",
        "the file name may give away",
        "id of the case",
        "note at 0:00:01.000: ",
        "caption at 0:00:04.000: ",
        "note at 0:00:06.000: ",
        "covariate age: ",
    ):
        assert words in said, words
    assert "vidseg deidentify" in said


def test_a_page_whose_recording_hides_something_is_not_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    make_clip(tmp_path / "clip.mp4", frames=50, size=(160, 96), audio=False)
    (tmp_path / "steps.csv").write_text("start,end,step\n0,1,rhexis\n", encoding="utf-8")
    paths = [str(tmp_path / name) for name in ("clip.mp4", "steps.csv")]
    assert main(["run", *paths, "--share"]) == 1
    assert "SEI message 5" in capsys.readouterr().err
    assert not (tmp_path / "clip.vidseg").exists()


def test_the_record_says_what_was_done_and_what_is_left(
    case: Path, seen: Callable[[Screening], None], capsys: pytest.CaptureFixture[str]
) -> None:
    seen(NOTHING)
    assert shared(case) == 0
    said = capsys.readouterr().err
    assert "by [Mr Person]" in said
    assert "thank you, [Anna]" in said
    found = record(case)
    rows = {row["key"]: row["status"] for row in found["safe_harbor_45_cfr_164_514_b_2_i"]}  # type: ignore[attr-defined]
    assert (rows["A"], rows["C"], rows["G"]) == ("done", "done", "not present")
    assert rows["Q"] == "for a person to check"
    assert found["original"] == {
        "case": "Person-2031",
        "consent": {"answer": "yes", "date": "2031-05-13", "document": "form 7"},
    }
    assert {one["text"] for one in found["words"]} >= {"Anna", "Mr Person", "13.05.2031"}  # type: ignore[attr-defined]
    assert set(found["sha256_before"]) == {NAME, "steps.csv", "talk.vtt"}  # type: ignore[call-overload]
    out = case.parent / "shared"
    page = (out / "record" / "deidentification.html").read_text(encoding="utf-8")
    assert page.count("data:image/jpeg;base64,") == 2
    for path in (out / "copy" / "deidentification.json", out / "record" / "deidentification.html"):
        assert "anonym" not in path.read_text(encoding="utf-8").lower()
    assert "data protection officer" in page


def test_what_is_found_and_not_decided_makes_no_copy(
    case: Path, seen: Callable[[Screening], None], capsys: pytest.CaptureFixture[str]
) -> None:
    seen(FOUND)
    out = case.parent / "shared"
    assert shared(case) == 1
    said = capsys.readouterr().err
    assert "burnt-in text, perhaps, at 32,32,64,32 px" in said
    assert "brighter than the rest" in said
    assert not (out / "copy").exists()
    assert sorted(path.name for path in (out / "record" / "look").iterdir()) == [
        "masks.csv",
        "overlay-01-1.jpg",
        "overlay-01-2.jpg",
        "view-01.jpg",
    ]
    assert shared(case, "--mask-overlays") == 1
    masks = str(out / "record" / "look" / "masks.csv")
    kept = case.parent / "masks.csv"
    kept.write_bytes(Path(masks).read_bytes())
    assert shared(case, "--masks", str(kept), "--unlike", "cut") == 0
    frames = [np.asarray(Image.open(out / "record" / "frames" / f"1-{s}.jpg")) for s in SIDES]
    assert frames[0][32:64, 32:96].mean() > 60
    assert frames[1][32:64, 32:96].max() < 30
    assert len(read_part(out / "copy" / "recording.mp4").frame_ns) == 225
    assert "SEI message 5 in a picture" in " ".join(record(case)["done"])  # type: ignore[arg-type]
    (mask,) = record(case)["masks"]  # type: ignore[misc]
    assert (mask["x"], mask["width"]) == (32, 64)  # type: ignore[has-type]
    assert [float(edge) for edge in mask["span_s"]] == [0, 4]  # type: ignore[has-type]


SIDES = ("before", "after")


def test_a_person_who_looked_may_leave_what_was_found(
    case: Path, seen: Callable[[Screening], None]
) -> None:
    seen(FOUND)
    assert shared(case, "--looked") == 0
    assert "a person has looked" in " ".join(record(case)["done"])  # type: ignore[arg-type]


def test_captions_and_notes_pass_a_sieve(
    case: Path, seen: Callable[[Screening], None], capsys: pytest.CaptureFixture[str]
) -> None:
    seen(NOTHING)
    copy = case.parent / "shared" / "copy"
    keep = ["--keep-captions", "--keep-notes", "--excluded", "keep"]
    assert shared(case, *keep) == 0
    talk = (copy / "captions.vtt").read_text(encoding="utf-8")
    assert "divide it in four" in talk
    assert "Anna" not in talk
    steps = (copy / "steps.csv").read_text(encoding="utf-8")
    assert "two side ports" in steps
    assert "Person" not in steps
    assert "Annotator" not in steps
    assert shared(case, *keep, "--allow", "anna", "--keep-surgeon", "--id", "T-1") == 0
    assert "thank you, Anna" in (copy / "captions.vtt").read_text(encoding="utf-8")
    assert read_case(copy / "case.toml").surgeon == "S77"
    assert read_case(copy / "case.toml").id == "T-1"
    rows = record(case)["safe_harbor_45_cfr_164_514_b_2_i"]
    assert rows[0]["status"] == "for a person to check"  # type: ignore[index]
    assert "1 left on purpose" in rows[0]["how"]  # type: ignore[index]


def test_covariates_dates_and_the_group_they_leave(
    case: Path, seen: Callable[[Screening], None], capsys: pytest.CaptureFixture[str]
) -> None:
    seen(NOTHING)
    folder = case.parent
    # the case itself is there as well, and is not counted twice
    cases = {"c0": 4.6, "c1": 4.9, "c2": 7, "Person-2031": 4.7}
    for number, (name, pupil) in enumerate(cases.items()):
        (folder / f"{name}.csv").write_text("start,end,step\n0,5,rhexis\n", encoding="utf-8")
        text = f"case,role,age,pupil_mm\n{name},trainee,{90 + number},{pupil}\n"
        (folder / "cases.csv").write_text(text, encoding="utf-8")
        add = ["library", "add", str(folder / f"{name}.csv"), "--cases"]
        add += [str(folder / "cases.csv"), "--library", str(folder / "l.sqlite")]
        assert main([*add, "--quiet"]) == 0
    capsys.readouterr()
    options = ["--library", str(folder / "l.sqlite"), "--coarsen", "pupil_mm=0.5"]
    assert shared(case, *options, "--since", "2031-05-01") == 0
    copy = read_case(folder / "shared" / "copy" / "case.toml")
    assert dict(copy.covariates) == {
        "age": "90 or older",
        "pupil_mm": "4.5 to under 5",
        "days_since_start": "12",
    }
    assert copy.consent is None
    assert {tuple(g["covariates"]): g["cases"] for g in record(case)["groups"]} == {  # type: ignore[attr-defined]
        ("role",): 4,
        ("age",): 4,
        ("pupil_mm",): 3,
        ("role", "age", "pupil_mm"): 3,
    }
    assert "pupil_mm: 3 case(s) in the library share this value" in capsys.readouterr().err
    assert shared(case, "--leave-out", "pupils") == 2
    assert "no covariate 'pupils'; this case has: age, pupil_mm, date" in capsys.readouterr().err


def test_sound_is_kept_for_a_reason_only(
    case: Path, seen: Callable[[Screening], None], capsys: pytest.CaptureFixture[str]
) -> None:
    seen(NOTHING)
    assert shared(case, "--silence", "0:01-0:02") == 2
    assert shared(case, "--keep-sound", " ") == 2
    assert shared(case, "--id", "a/b") == 2
    assert not (case.parent / "shared").exists()
    capsys.readouterr()
    assert shared(case, "--keep-sound", "the lesson is spoken", "--silence", "0:01-0:02") == 0
    assert len(read_part(case.parent / "shared" / "copy" / "recording.mp4").audio) == 1
    assert "Sound kept; the reason given: the lesson is spoken" in record(case)["done"]  # type: ignore[operator]


def test_a_cut_that_would_cost_a_step_its_time_is_refused(
    case: Path, seen: Callable[[Screening], None], capsys: pytest.CaptureFixture[str]
) -> None:
    seen(NOTHING)
    assert shared(case, "--cut", "0:04-0:06") == 2
    assert "blank that span instead" in capsys.readouterr().err
    assert [path.name for path in case.parent.iterdir() if "shared" in path.name] == []


def test_a_folder_of_the_users_is_left_alone(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = case.parent / "shared" / "letter.txt"
    own.parent.mkdir()
    own.write_text("mine", encoding="utf-8")
    assert shared(case) == 2
    assert "files that vidseg did not write" in capsys.readouterr().err
    assert [path.name for path in own.parent.iterdir()] == ["letter.txt"]


def test_the_same_again_changes_nothing(case: Path, seen: Callable[[Screening], None]) -> None:
    seen(NOTHING)
    manifest = case.parent / "shared" / "manifest.json"
    assert shared(case) == 0
    before = manifest.read_bytes()
    assert shared(case) == 0
    assert manifest.read_bytes() == before


def test_what_was_put_beside_a_copy_does_not_go_along_with_the_next(
    case: Path, seen: Callable[[Screening], None], capsys: pytest.CaptureFixture[str]
) -> None:
    seen(NOTHING)
    assert shared(case) == 0
    clip = case.parent / "shared" / "copy" / "recording.vidseg" / "clips" / "01.mp4"
    clip.parent.mkdir(parents=True)
    clip.write_bytes(b"an earlier clip, with its sound")
    assert shared(case) == 2
    assert "may show what a new copy hides" in capsys.readouterr().err
    assert clip.exists()


def test_two_parts_and_declared_edits_become_one_copy(
    tmp_path: Path, seen: Callable[[Screening], None]
) -> None:
    """A hole between the parts closes in the copy, and its time counts for no step."""
    seen(NOTHING)
    for number in (1, 2):
        make_clip(tmp_path / f"p{number}.mp4", frames=100, size=(160, 96), gop=25, audio=False)
    (tmp_path / "steps.csv").write_text(
        "start,end,step\n0:01,0:09,hydrodissection\n0:02,0:02.4,out of eye\n"
        "0:09,open,nucleus division\n",
        encoding="utf-8",
    )
    (tmp_path / "case.toml").write_text(
        'id = "two"\nrecordings = ["p1.mp4", "p2.mp4"]\nannotation = "steps.csv"\n'
        'starts = ["9:00:00", "9:00:06"]\n[consent]\nteaching = "yes"\n'
        '[[edits]]\nkind = "removed"\nat = "0:03"\nlength = "0:07"\nnote = "Mr Person"\n'
        '[[edits]]\nkind = "speed"\nstart = "0:07"\nend = "0:08"\nfactor = 4\n',
        encoding="utf-8",
    )
    case = tmp_path / "case.toml"
    assert shared(case, "--excluded", "cut", "--cut", "0:07.4-0:07.8") == 0
    copy = read_case(tmp_path / "shared" / "copy" / "case.toml")
    assert copy.recordings == (tmp_path / "shared" / "copy" / "recording.mp4",)
    assert not copy.starts
    assert {edit.note for edit in copy.edits} == {""}
    assert len(read_part(copy.recordings[0]).frame_ns) == 200 - 10 - 10
    whole, again = (read_case_files(read).timing for read in (read_case(case), copy))
    assert [(s.active_ns, s.open_end) for s in whole.steps] == [
        (s.active_ns, s.open_end) for s in again.steps
    ]
    # eight seconds on the clock, two of them a hole, 0.4 s away; 7 s removed, 1 s was 4 s
    assert whole.steps[0].active_ns == round((8 - 2 - 0.4 + 7 + 3) * NS)


def test_an_own_vocabulary_goes_along_bare(
    case: Path, seen: Callable[[Screening], None], capsys: pytest.CaptureFixture[str]
) -> None:
    seen(NOTHING)
    folder = case.parent
    own = (
        'code = "ours"\nname = "our operation"\nversion = "1"\nsource = "Dr Person, Springfield"\n'
        '[[steps]]\ncode = "one"\nname = "{}"\n'
    )
    (folder / "own.toml").write_text(own.format("first"), encoding="utf-8")
    (folder / "steps.csv").write_text("start,end,step\n1,5,one\n", encoding="utf-8")
    text = CASE.replace("annotation =", 'procedure = "own.toml"\nannotation =')
    case.write_text(text, encoding="utf-8")
    assert shared(case) == 0
    bare = (folder / "shared" / "copy" / "procedure.toml").read_text(encoding="utf-8")
    assert "Person" not in bare
    assert read_case_files(read_case(folder / "shared" / "copy" / "case.toml")).timing.steps
    (folder / "own.toml").write_text(own.format("the Springfield way"), encoding="utf-8")
    assert shared(case) == 2
    assert 'may identify someone: "Springfield"' in capsys.readouterr().err


def test_a_name_written_into_the_picture_is_found_and_covered(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing is put in place of the look here; the letters are drawn by another library."""
    rate, frames, size = 5, 120, (320, 180)
    demo = load_scenario("demo")
    scenario = replace(demo, size=size, rate=Fraction(rate), look=replace(demo.look, seed=900))
    thing = BurntIn("text", 20, 150, 12, 0, frames, "A. Muster 1950")
    thing = with_contrast(thing, scenario, 40, 150)
    write_burnt_in(scenario, [thing], tmp_path / "clip.mp4", start=20, frames=frames, grain=2.0)
    (tmp_path / "steps.csv").write_text("start,end,step\n2,20,rhexis\n", encoding="utf-8")
    case = tmp_path / "case.toml"
    case.write_text(
        'id = "a"\nrecording = "clip.mp4"\nannotation = "steps.csv"\n[consent]\nteaching = "yes"\n',
        encoding="utf-8",
    )
    assert shared(case) == 1
    assert capsys.readouterr().err.count("undecided: burnt-in text, perhaps") == 1
    assert not (tmp_path / "shared" / "copy").exists()
    assert shared(case, "--mask-overlays") == 0
    left, top, right, bottom = box(ink(thing, 0, size, rate))
    for side, seen_there in (("before", True), ("after", False)):
        path = tmp_path / "shared" / "record" / "frames" / f"1-{side}.jpg"
        picture = np.asarray(Image.open(path).convert("L"))[top:bottom, left:right]
        assert bool(picture.max() > 100) is seen_there
    remarks = record(case)["look_remarks"]
    assert any("a person must look" in remark for remark in remarks)  # type: ignore[attr-defined]


def test_inspect_tells_of_what_is_hidden_on_request(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """x264 leaves its settings in an SEI message of kind 5 (ITU-T H.264, D.2.6)."""
    path = str(case.parent / NAME)
    assert main(["inspect", path, "--json"]) == 0
    plain = json.loads(capsys.readouterr().out)[0]["problems"]
    assert main(["inspect", path, "--json", "--hidden"]) == 0
    hidden = json.loads(capsys.readouterr().out)[0]["problems"]
    more = [one["message"] for one in hidden if one not in plain]
    assert any("SEI message 5" in message for message in more)
    assert len(hidden) == len(plain) + len(more)
