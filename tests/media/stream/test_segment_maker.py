"""The maker of segments: who comes first, what damage and a full disk do, what stays behind."""

import errno
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from synthetic_clips import make_clip
from vidseg.media.read.probe import open_recording
from vidseg.media.stream.kept_pieces import KeptPieces, sweep
from vidseg.media.stream.playback import Playback, plan_playback
from vidseg.media.stream.segment_maker import SegmentMaker
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.recording import Recording


def planned(path: Path) -> tuple[Recording, Playback]:
    recording = open_recording([path])
    return recording, plan_playback(recording, prefer_segments=True)


def test_what_the_plan_does_not_hold_is_refused(kind: Callable[[str], Path]) -> None:
    with closing(SegmentMaker(*planned(kind("plain.mkv")))) as maker:
        with pytest.raises(UsageError, match="no segment 99"):
            maker.segment(99, "video")
        with pytest.raises(UsageError, match="no run -1"):
            maker.initial(-1, "video")
        with pytest.raises(UsageError, match="no track 'words'"):
            maker.segment(0, "words")
    with pytest.raises(MediaError, match="gone"):
        maker.segment(0, "video")


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_damage_costs_one_segment(codec: str, tmp_path: Path) -> None:
    path = tmp_path / "clip.mp4"
    make_clip(path, frames=180, size=(192, 108), gop=60, codec=codec, audio=False)
    recording, playback = planned(path)
    data = bytearray(path.read_bytes())
    at = data.index(b"mdat") + 4
    size = int.from_bytes(data[at - 8 : at - 4], "big")
    data[at + size // 2 - 400 : at + size // 2 + 400] = b"\xff" * 800
    path.write_bytes(data)
    states: list[str] = []
    with closing(SegmentMaker(recording, playback)) as maker:
        for index in range(len(playback.segments)):
            try:
                maker.segment(index, "video")
            except MediaError as error:
                states.append(str(error))
            else:
                states.append("")
    assert states[0] == states[-1] == ""
    found = [state for state in states if state]
    assert found
    for state in found:
        assert state.startswith(f"{path}: 0:00:0")
        assert "cannot be shown" in state
        assert "damaged" in state


def test_many_may_ask_at_once(kind: Callable[[str], Path]) -> None:
    path = kind("mpeg2.mpg")
    recording, playback = planned(path)
    last = len(playback.segments) - 1
    assert last >= 1
    fractions: list[float] = []
    with closing(SegmentMaker(recording, playback, fractions.append)) as maker:
        threads = [
            threading.Thread(target=maker.segment, args=(index, "video"))
            for index in (last, 0, last)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(30)
            assert not thread.is_alive()
        assert maker.done == 1
    assert max(fractions) == 1
    assert len(fractions) >= len(playback.segments)


def test_a_full_disk_is_told_and_outlived(
    kind: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    put = KeptPieces.put

    def full(self: KeptPieces, name: str, data: bytes) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(KeptPieces, "put", full)
    with closing(SegmentMaker(*planned(kind("mpeg2.mpg")))) as maker:
        with pytest.raises(MediaError, match="No space left"):
            maker.segment(1, "video")
        assert maker.segment(0, "audio")
        monkeypatch.setattr(KeptPieces, "put", put)
        assert maker.segment(1, "video")


def test_what_is_asked_for_comes_first(tmp_path: Path) -> None:
    """The background is stopped after its first segment; what is made next is the wish."""
    make_clip(tmp_path / "long.avi", frames=250, size=(64, 36), codec="mpeg4", gop=25)
    recording, playback = planned(tmp_path / "long.avi")
    last = len(playback.segments) - 1
    bound, held, go_on = (threading.Event() for _ in range(3))
    names: list[set[str]] = []

    def progress(_: float) -> None:
        assert bound.wait(30)
        names.append({path.name for path in maker._kept.folder.glob("video-*")})
        if not held.is_set():
            held.set()
            assert go_on.wait(30)

    with closing(SegmentMaker(recording, playback, progress)) as maker:
        bound.set()
        assert held.wait(30)
        data = maker.segment(last, "video")
        go_on.set()
        assert data
    assert names[0] == {"video-0"}
    assert f"video-{last}" in names[1]
    assert "video-1" not in names[1]


@pytest.fixture
def orphan(tmp_path: Path) -> Path:
    """A folder left by a process that was killed while it held it."""
    script = (
        "import sys, os, time; from pathlib import Path; "
        "from vidseg.media.stream.kept_pieces import KeptPieces; "
        "kept = KeptPieces(Path(sys.argv[1])); kept.put('video-0', b'picture'); "
        "print(kept.folder, flush=True); time.sleep(60)"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    folder = Path(process.stdout.readline().strip())
    assert (folder / "video-0").exists()
    assert sweep(tmp_path) == []
    process.kill()
    process.wait()
    process.stdout.close()
    return folder


def test_only_what_the_dead_left_is_deleted(orphan: Path, tmp_path: Path) -> None:
    other = tmp_path / "vidseg-playback-by-hand"
    other.mkdir()
    (other / "owner.lock").write_bytes(b"something else")
    bare = tmp_path / "vidseg-playback-bare"
    bare.mkdir()
    first = KeptPieces(tmp_path)
    assert not orphan.exists()
    first.put("audio-3", b"sound")
    second = KeptPieces(tmp_path)
    assert first.get("audio-3") == b"sound"
    assert second.get("audio-3") is None
    first.close()
    second.close()
    assert sorted(tmp_path.iterdir()) == sorted([other, bare])


def test_nothing_stays_when_closed_amid_the_work(kind: Callable[[str], Path]) -> None:
    maker = SegmentMaker(*planned(kind("prores.mov")))
    folder = maker._kept.folder
    assert folder.exists()
    maker.close()
    assert not folder.exists()
