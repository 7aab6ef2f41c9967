"""The strict reader: planted words are named, files written by others are not taken for clean."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from synthetic_clips import make_clip
from synthetic_clips.planted import NAMES, box, plant, words_in
from vidseg.media.codec.parameter_sets import SYNTAXES
from vidseg.media.codec.payload import clean_units, strange_units
from vidseg.media.read.probe import read_part
from vidseg.media.redact.redact import redact
from vidseg.media.redact.redact_plan import Redaction
from vidseg.media.redact.residue import residue
from vidseg.model.annotation import Cue
from vidseg.model.problem import MediaError
from vidseg.model.recording import Captions, Chapter, Recording
from vidseg.model.span import Span

S = 1_000_000_000


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Clean copies with sound, chapters and captions, by suffix."""
    folder = tmp_path_factory.mktemp("clean")
    source = folder / "source.mp4"
    make_clip(source, frames=50, size=(160, 96), gop=10)
    recording = Recording((read_part(source),))
    chapters = [Chapter(Span(0, S), "Ouverture à l’iris"), Chapter(Span(S, 2 * S), "Closing")]
    captions = Captions("", (Cue(Span(S // 2, S), "a < b\nand c"),), "en")
    found = {}
    for suffix in ("mp4", "mov", "mkv"):
        found[suffix] = folder / f"clean.{suffix}"
        redact(recording, Redaction(keep_sound=True), found[suffix], chapters=chapters,
               captions=captions)  # fmt: skip
    return found


TEXTS = ("Ouverture à l’iris", "Closing", "a < b\nand c")


@pytest.mark.parametrize("suffix", ["mp4", "mov", "mkv"])
def test_a_clean_copy_is_clean_and_no_other_text_passes(
    clean: dict[str, Path], suffix: str
) -> None:
    assert residue(clean[suffix]) == ()
    assert residue(clean[suffix], TEXTS) == ()
    found = residue(clean[suffix], TEXTS[:1])
    assert any("Closing" in thing for thing in found)
    assert any("and c" in thing for thing in found)


@pytest.mark.parametrize("name", NAMES)
def test_planted_files_are_not_clean(tmp_path: Path, name: str) -> None:
    path, words = plant(tmp_path, name)
    assert words_in(path.read_bytes(), words) == [*words], "not all words were planted"
    assert residue(path)


def changed(path: Path, folder: Path, old: bytes, new: bytes) -> tuple[str, ...]:
    """What is found after one place of ``path`` was changed."""
    data = path.read_bytes()
    assert data.count(old) >= 1
    assert len(old) == len(new)
    target = folder / f"changed{path.suffix}"
    target.write_bytes(data.replace(old, new, 1))
    return residue(target)


def test_what_was_added_to_a_clean_mp4_is_named(clean: dict[str, Path], tmp_path: Path) -> None:
    path = clean["mp4"]
    data = path.read_bytes()
    cases = {
        "uuid": data + box(b"uuid", bytes(20)),
        "'free'": data + box(b"free", b"x"),
        "no sample refers to": data + box(b"mdat", b"Doe"),
        "behind the boxes": data + b"Doe",
        "no box": data + b"\xff\xff\xff\xffDoe Doe",
    }
    for wanted, content in cases.items():
        target = tmp_path / "added.mp4"
        target.write_bytes(content)
        assert [thing for thing in residue(target) if wanted in thing], wanted
        assert len(residue(target)) == 1
    at = data.find(b"mvhd") + 8
    stamp = struct.pack(">I", 3_600_000_000)
    target.write_bytes(data[:at] + stamp + data[at + 4 :])
    assert residue(target) == ("a time of creation or change in 'mvhd'",)
    assert "'JohnDoe'" in changed(path, tmp_path, b"SoundHandler\0", b"JohnDoe\0\0\0\0\0\0")[0]


def test_an_edit_list_that_hides_pictures_is_named(clean: dict[str, Path], tmp_path: Path) -> None:
    data = clean["mp4"].read_bytes()
    at = data.find(b"elst") + 4 + 8
    length, start = struct.unpack(">Ii", data[at : at + 8])
    target = tmp_path / "hidden.mp4"
    for edit in ((length, start + 5000), (length // 2, start)):
        target.write_bytes(data[:at] + struct.pack(">Ii", *edit) + data[at + 8 :])
        assert residue(target) == ("an edit list that hides pictures or text",)


def test_what_was_added_to_a_clean_mkv_is_named(clean: dict[str, Path], tmp_path: Path) -> None:
    path = clean["mkv"]
    void = b"\xec\x01\0\0\0\0\0\0"
    data = path.read_bytes()
    at = data.find(void) + 9
    target = tmp_path / "padded.mkv"
    target.write_bytes(data[:at] + b"Doe" + data[at + 3 :])
    assert residue(target) == ("padding with content",)
    target.write_bytes(data + b"\x44\x61\x88" + bytes(8))
    assert residue(target) == ("a date",)
    assert residue(changed_program(path, tmp_path)) == ("the program 'Acme'",)


def changed_program(path: Path, folder: Path) -> Path:
    target = folder / "program.mkv"
    target.write_bytes(path.read_bytes().replace(b"\x57\x41\x84none", b"\x57\x41\x84Acme", 1))
    return target


def test_files_that_cannot_be_judged_are_not_called_clean(tmp_path: Path) -> None:
    (tmp_path / "empty.mp4").write_bytes(b"")
    (tmp_path / "text.mp4").write_bytes(b"John Doe, born 1950")
    (tmp_path / "cut.mkv").write_bytes(b"\x1a\x45\xdf\xa3\xa3")
    for path in tmp_path.iterdir():
        assert residue(path), path.name
    with pytest.raises(MediaError):
        residue(tmp_path / "missing.mp4")


def test_messages_are_sifted_one_by_one() -> None:
    """Unit types and payload types by hand from ITU-T H.264, 7.3.2.3 and Annex D."""
    syntax = SYNTAXES["h264"]
    recovery, user = b"\x06\x02\xa5\x40", b"\x05\x13" + bytes(16) + b"Doe"
    timing = b"\x01\x02\x12\x34"
    mixed = b"\x06" + user + recovery + timing + b"\x80"
    slices = b"\x65\x88\x84"
    units = [b"\x09\xf0", mixed, b"\x0c\xff\x80", slices]
    # user data of 19 bytes; 16 zeros in it are escaped in a stream, as are these
    assert clean_units(syntax, [mixed.replace(bytes(16), bytes(range(1, 17)))]) == [
        b"\x06" + recovery + b"\x80"
    ]
    cleaned = clean_units(syntax, units[2:])
    assert cleaned == [slices]
    assert not list(strange_units(syntax, [b"\x06" + recovery + b"\x80", slices]))
    assert list(strange_units(syntax, [b"\x06" + recovery + b"\x80Doe\x80"]))
