"""Opening a file as a recording, and saying in plain words why one cannot be opened."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import av
from av.container import InputContainer
from av.error import FFmpegError
from av.stream import Disposition
from av.video.stream import VideoStream

from vidseg.media.read.threads import decoder_threads
from vidseg.model.problem import MediaError

_NOT_RECORDINGS = ("image2", "tty", "hls", "dash", "concat", "sdp", "rtsp", "lavfi")
_NOT_MEDIA = "this is a still picture, a play list or text, not a recording"

LOOK_FURTHER = {"probesize": str(512 * 1024**2), "analyzeduration": str(3600 * 10**6)}
"""Bytes, and microseconds, looked through in a stream whose pictures begin late."""


@contextmanager
def opened(path: Path, **options: str) -> Iterator[InputContainer]:
    """Open ``path`` for reading and close it when the block ends.

    ``options`` go to the container (``ignore_editlist="1"``). Nothing but local files is read:
    a play list that points elsewhere is refused. Raises MediaError.
    """
    _check_file(path)
    chosen = {"protocol_whitelist": "file", **options}
    container = _open(path, chosen)
    if _begins_late(container):
        container.close()
        container = _open(path, chosen | LOOK_FURTHER)
    with container:
        names = container.format.name.split(",")
        if any(name in _NOT_RECORDINGS or name.endswith("_pipe") for name in names):
            raise MediaError(str(path), "this is a picture, a play list or text, not a recording")
        yield container


def _open(path: Path, options: dict[str, str]) -> InputContainer:
    try:
        return av.open(str(path.absolute()), options=options, metadata_errors="replace")
    except (FFmpegError, ValueError, OSError) as error:
        raise MediaError(str(path), _why_not(path, error)) from None


def _begins_late(container: InputContainer) -> bool:
    """Say whether a stream without a table of contents may hold pictures further on.

    FFmpeg looks through the first 5 MB for what a transport or program stream holds; a recorder
    that begins with sound alone may take longer than that to the first header of the pictures.
    """
    if container.format.name not in ("mpegts", "mpeg"):
        return False
    pictures = picture_streams(container)
    return not pictures or any(not one.codec_context.width for one in pictures)


def video_stream(container: InputContainer, path: Path) -> VideoStream:
    """Give the picture stream to work with: the first that is not cover art.

    Raises MediaError where there is none, or where its codec cannot be decoded.
    """
    streams = picture_streams(container)
    if not streams and not container.streams.audio:
        raise MediaError(str(path), _NOT_MEDIA)
    if not streams:
        raise MediaError(str(path), "this file holds no picture stream (no video)")
    if streams[0].codec_context is None:
        raise MediaError(str(path), "the picture stream is in a codec that cannot be decoded here")
    if decoder_threads() and not streams[0].codec_context.is_open:
        streams[0].codec_context.thread_count = decoder_threads()
    return streams[0]


def picture_streams(container: InputContainer) -> list[VideoStream]:
    """Give the picture streams that are not cover art."""
    return [
        stream
        for stream in container.streams.video
        if not stream.disposition & Disposition.attached_pic
    ]


def _check_file(path: Path) -> None:
    if path.is_dir():
        raise MediaError(str(path), "this is a folder, not a recording")
    try:
        if not path.exists():
            raise MediaError(str(path), "there is no such file")
        if not path.is_file():
            raise MediaError(str(path), "this is a pipe or a device, not a recording")
        if path.stat().st_size == 0:
            raise MediaError(str(path), "the file is empty (0 bytes)")
    except OSError as error:
        raise MediaError(str(path), f"the file cannot be read: {error.strerror}") from None


def _why_not(path: Path, error: Exception) -> str:
    if isinstance(error, PermissionError):
        return "the file may not be read (permission denied)"
    boxes = _top_boxes(path)
    if boxes and boxes[0] in ("ftyp", "mdat", "wide", "free", "skip", "pnot"):
        if "moov" not in boxes:
            return (
                "the file has no index (no 'moov' box): the recorder stopped before closing it, "
                "or the copy is incomplete; copy it again or repair it with the recorder's tool"
            )
        return "the file's index cannot be read: it is damaged or its copy is incomplete"
    return "this is not a recording in any known container, or its start is damaged"


def _top_boxes(path: Path, most: int = 1000) -> list[str]:
    """List the top-level box types of an ISO base media file (ISO/IEC 14496-12, 4.2)."""
    boxes: list[str] = []
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            at = 0
            while at + 8 <= size and len(boxes) < most:
                file.seek(at)
                head = file.read(16)
                length, kind = struct.unpack(">I4s", head[:8])
                if not all(32 <= byte < 127 for byte in kind):
                    break
                boxes.append(kind.decode("ascii"))
                if length == 1 and len(head) == 16:
                    length = struct.unpack(">Q", head[8:])[0]
                if length < 8:
                    break
                at += length
    except OSError:
        return []
    return boxes
