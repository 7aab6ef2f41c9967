"""Fields that may identify: the categories of 45 CFR 164.514(b)(2)(i), and defaults that do not.

The letters are the rule's own, A to R. QuickTime keys are those that Apple documents in
"QuickTime metadata keys" (from memory); defaults are what FFmpeg's muxers write, as read back
from files made here.
"""

from pathlib import Path

import pytest

from synthetic_clips import make_clip
from vidseg.measure.privacy.metadata import identifying
from vidseg.media.read.probe import read_part
from vidseg.model.problem import Severity


@pytest.mark.parametrize(
    ("key", "value", "letter"),
    [
        ("artist", "A. Person", "A"),
        ("com.apple.quicktime.author", "A. Person", "A"),
        ("patient_name", "Person^A", "patient"),
        ("PatientBirthDate", "19500102", "patient"),
        ("location", "+59.9139+010.7522/", "B"),
        ("com.apple.quicktime.location.ISO6709", "+59.9139+010.7522+023.000/", "B"),
        ("creation_time", "2024-05-13T10:11:12.000000Z", "C"),
        ("com.apple.quicktime.creationdate", "2024-05-13T12:11:12+0200", "C"),
        ("DATE_RECORDED", "2024-05-13", "C"),
        ("_STATISTICS_WRITING_DATE_UTC", "2024-05-13 10:11:12", "C"),
        ("timecode", "10:20:30:05", "C"),
        ("odd", "recorded 13.05.2024", "C"),
        ("odd", "May 13, 2024", "C"),
        ("contact", "123 45 678", "D"),
        ("odd", "someone@hospital.example", "F"),
        ("odd", "078-05-1120", "G"),
        ("odd", "MRN 00123456", "H"),
        ("com.apple.quicktime.make", "Maker", "M"),
        ("com.apple.quicktime.model", "Model 9", "M"),
        ("com.android.manufacturer", "Maker", "M"),
        ("camera_serial_number", "X1", "M"),
        ("encoder", "Recorder 500 SN 123", "M"),
        ("handler_name", "Theatre 3 microscope", "M"),
        ("odd", "https://pacs.example/123", "N"),
        ("odd", "192.168.10.20", "O"),
        ("title", "Right eye of a person", "R"),
        ("comment", "second eye, wife of ...", "R"),
        ("media_uid", "x", "R"),
        ("odd", "1b4e28ba-2fa1-11d2-883f-0016d3cca427", "R"),
    ],
)
def test_fields_that_may_identify(key: str, value: str, letter: str) -> None:
    (problem,) = identifying([("file", key, value)], "case.mp4")
    assert (problem.code, problem.severity) == ("identifying-metadata", Severity.WARNING)
    assert key in problem.message
    assert repr(value) in problem.message
    if len(letter) == 1:
        kind = problem.message.split("may give away")[1].split(value)[0]
        assert letter in kind[kind.index("(") : kind.index(")")]
    else:
        assert letter in problem.message
    assert problem.source == "case.mp4"


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("handler_name", "VideoHandler"),
        ("handler_name", "SoundHandler"),
        ("handler_name", "SubtitleHandler"),
        ("handler_name", "Core Media Video"),
        ("handler_name", "Apple Video Media Handler"),
        ("encoder", "Lavf61.7.100"),
        ("encoder", "Lavc61.19.101 libx264"),
        ("ENCODER", "Lavf62.12.102"),
        ("language", "und"),
        ("language", "eng"),
        ("major_brand", "isom"),
        ("minor_version", "512"),
        ("compatible_brands", "isomiso2avc1mp41"),
        ("vendor_id", "[0][0][0][0]"),
        ("vendor_id", "FFMP"),
        ("DURATION", "00:00:05.005000000"),
        ("NUMBER_OF_FRAMES-eng", "1234567"),
        ("creation_time", "1904-01-01T00:00:00.000000Z"),
        ("creation_time", "1970-01-01T00:00:00.000000Z"),
        ("timecode", "00:00:00:00"),
        ("date", "2024"),  # (C) lets the year stand
        ("title", "  "),
        ("service_name", "Service01"),
        ("service_provider", "FFmpeg"),
        ("odd", "yes"),
    ],
)
def test_defaults_do_not(key: str, value: str) -> None:
    assert identifying([("video stream 0", key, value)], "case.mp4") == ()


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv", ".ts", ".webm", ".mpg", ".avi"])
def test_a_plain_file_of_each_container_has_none(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"case{suffix}"
    codec = {".webm": "libvpx-vp9", ".mpg": "mpeg2video", ".avi": "mpeg4"}.get(suffix, "libx264")
    make_clip(path, frames=10, codec=codec)
    part = read_part(path)
    assert identifying(part.tags, path.name) == ()
    assert suffix in (".mpg", ".avi", ".ts") or part.tags


def test_a_file_with_much_to_say(tmp_path: Path) -> None:
    path = tmp_path / "Person_Anna_2024-05-13.mp4"
    metadata = {"creation_time": "2024-05-13T10:11:12.000000Z", "artist": "A. Person"}
    make_clip(path, frames=10, metadata=metadata, language="nor")
    found = identifying(read_part(path).tags, path.name)
    said = "\n".join(problem.message for problem in found)
    for words in ("creation_time of file", "artist of file", "'2024-05-13'", "'Person_Anna'"):
        assert words in said
    assert len(found) == 4


def test_one_warning_for_a_value_in_several_places() -> None:
    stamp = "2024-05-13T10:11:12.000000Z"
    places = ("file", "video stream 0", "audio stream 1")
    (problem,) = identifying([(place, "creation_time", stamp) for place in places], "case.mp4")
    assert "creation_time of file, video stream 0, audio stream 1" in problem.message


def test_chapter_titles_are_judged_by_what_they_say() -> None:
    def found(title: str) -> int:
        return len(identifying([("chapter 1", "title", title)], "case.mp4"))

    assert found("Capsulorhexis") == 0
    assert found("Wound Hydration") == 0
    assert found("Start 13.05.2024") == 1
    assert found("Dr Person takes over") == 1


@pytest.mark.parametrize(
    ("name", "given_away"),
    [
        ("phaco-2024-05-13.mp4", "2024-05-13"),
        ("VID_20240513_101112.mp4", "20240513_101112"),
        ("op_13.05.24.mkv", "13.05.24"),
        ("05-13-2024 left.avi", "05-13-2024"),
        ("13May2024.avi", "13May2024"),
        ("left eye may 13.mp4", "may 13"),
        ("00123456.mpg", "00123456"),
        ("case 123-456-7.mpg", "123-456-7"),
        ("Person_Anna_left.mp4", "Person_Anna"),
        ("PERSON, ANNA.mp4", "PERSON, ANNA"),
        ("dr_person.mp4", "dr_person"),
        ("DrPerson.mp4", "DrPerson"),
        ("patient 12.mp4", "patient 12"),
        ("someone@hospital.example.mp4", "someone@hospital.example"),
    ],
)
def test_file_names_that_may_identify(name: str, given_away: str) -> None:
    (problem,) = identifying([], f"/some/where/{name}")
    assert "file name" in problem.message
    assert repr(given_away) in problem.message
    assert problem.source == name


@pytest.mark.parametrize(
    "name",
    [
        "case01.mp4",
        "Cataract_Surgery_Left.mp4",
        "Phaco 2023.mp4",
        "part2.mp4",
        "recording 03.ts",
        "may_case.mp4",
        "marking5.mp4",
        "drape.mp4",
        "case_1920x1080_60.mp4",
        "00001.MTS",
        "trainee_B_case_12.mp4",
    ],
)
def test_file_names_that_do_not(name: str) -> None:
    assert identifying([], name) == ()


def test_folders_are_not_looked_at() -> None:
    assert identifying([], "/Person_Anna/2024-05-13/case01.mp4") == ()
