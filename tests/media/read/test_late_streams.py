"""Streams whose pictures begin late, or of which more comes up than the tables say.

Made of transport stream packets (ISO/IEC 13818-1, 2.4.3: 188 bytes, the PID in the low 13 bits of
bytes 1 and 2), as a recorder writes them that was started without a camera.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from synthetic_clips import make_clip, read_number
from vidseg.media.read.frames import decode
from vidseg.media.read.probe import read_part
from vidseg.media.write.remux import remux
from vidseg.model.problem import MediaError
from vidseg.model.recording import Recording

PICTURES, SOUND, TABLES = 0x100, 0x101, (0, 0x11, 0x1000)
FAR = 6_000_000
"""Bytes of sound: more than the 5 MB that FFmpeg looks through for what a stream holds."""


def pid(packet: bytes) -> int:
    return int.from_bytes(packet[1:3], "big") & 0x1FFF


@pytest.fixture(scope="module")
def packets(tmp_path_factory: pytest.TempPathFactory) -> list[bytes]:
    path = tmp_path_factory.mktemp("late") / "whole.ts"
    make_clip(path, frames=100)
    data = path.read_bytes()
    return [data[at : at + 188] for at in range(0, len(data), 188)]


def sound_first(packets: list[bytes]) -> list[bytes]:
    sound = [packet for packet in packets if pid(packet) != PICTURES]
    return sound * (FAR // (188 * len(sound)) + 1) + packets


def sound_first_and_no_tables(packets: list[bytes]) -> list[bytes]:
    return [packet for packet in sound_first(packets) if pid(packet) not in TABLES]


def unlisted(packets: list[bytes]) -> list[bytes]:
    found: list[bytes] = []
    for place, packet in enumerate(packets):
        found.append(packet)
        if pid(packet) == SOUND and place > len(packets) // 3:
            head = bytes([packet[1] & 0xE0 | 0x02, 0x00])
            found.append(packet[:1] + head + packet[3:])
    return found


@pytest.mark.parametrize("made", [sound_first, sound_first_and_no_tables, unlisted])
def test_all_frames_are_there_and_a_copy_can_be_made(
    made: Callable[[list[bytes]], list[bytes]], packets: list[bytes], tmp_path: Path
) -> None:
    path, whole = tmp_path / "late.ts", tmp_path / "whole.ts"
    path.write_bytes(b"".join(made(packets)))
    whole.write_bytes(b"".join(packets))
    part, wanted = read_part(path), read_part(whole)
    assert np.array_equal(part.frame_ns, wanted.frame_ns)
    assert (part.width, part.height) == (wanted.width, wanted.height)
    seen = [read_number(f.to_ndarray(format="gray")) for _, f in decode(part, 0, 100)]
    assert seen == list(range(100))
    remux(Recording((part,)), tmp_path / "copy.mkv", [])
    assert np.array_equal(
        read_part(tmp_path / "copy.mkv").frame_ns // 1_000_000, wanted.frame_ns // 1_000_000
    )


def test_pictures_that_begin_late_count_from_the_first_that_is_whole(
    packets: list[bytes], tmp_path: Path
) -> None:
    path = tmp_path / "late.ts"
    late = packets[: len(packets) // 3]
    rest = packets[len(packets) // 3 :]
    path.write_bytes(b"".join(p for p in late if pid(p) != PICTURES) + b"".join(rest))
    part = read_part(path)
    seen = [
        read_number(f.to_ndarray(format="gray")) for _, f in decode(part, 0, len(part.frame_ns))
    ]
    assert seen == list(range(50, 100)), "from the second group of pictures on"


def test_without_pictures_it_says_so(packets: list[bytes], tmp_path: Path) -> None:
    path = tmp_path / "sound.ts"
    path.write_bytes(b"".join(p for p in packets if pid(p) not in (PICTURES, *TABLES)))
    with pytest.raises(MediaError, match="no picture stream"):
        read_part(path)
