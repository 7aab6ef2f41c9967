"""How the recording reaches the page: its own file by ranges of bytes, or segments made for it."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from vidseg.mark.byte_range import Unsatisfiable, byte_range
from vidseg.mark.hub import Hub
from vidseg.media.stream.playback import Playback, plan_playback
from vidseg.media.stream.segment_maker import SegmentMaker
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.recording import Recording

CHUNK_BYTES = 256 * 1024
TELL_STEP = 0.01
"""StageProgress is told when it has grown by this much."""


class Show:
    """The recording as the page plays it. ``close`` deletes what was made."""

    def __init__(self, recording: Recording, hub: Hub) -> None:
        self.recording, self.hub = recording, hub
        self._lock = threading.Lock()
        self._playback: Playback | None = None
        self._maker: SegmentMaker | None = None
        self._told = 0.0
        self._closed = False

    def plan(self, *, segments: bool = False) -> dict[str, Any]:
        """Say how the recording is played, as JSON data.

        ``segments``: from now on in segments, for a browser did not play the file as it is. Raises
        MediaError.
        """
        playback = self._planned(segments)
        if playback.mode == "file":
            return {"mode": "file", "type": playback.type}
        names = [part.path.name for part in self.recording.parts]
        return {
            "mode": "segments",
            "video": [run.video for run in playback.runs],
            "audio": playback.audio,
            "runs": [{"video": run.video, "audio": playback.audio} for run in playback.runs],
            "segments": [[one.start_ns, one.end_ns, one.run] for one in playback.segments],
            "ways": [
                {"part": names[way.part], "way": way.way, "why": way.why} for way in playback.ways
            ],
            "done": 1.0 if self._maker is None else self._maker.done,
        }

    def _planned(self, segments: bool) -> Playback:
        with self._lock:
            playback = self._playback
            if playback is None or (segments and playback.mode == "file"):
                playback = plan_playback(self.recording, prefer_segments=segments)
                self._playback = playback
            if playback.mode == "segments" and self._maker is None and not self._closed:
                self._maker = SegmentMaker(self.recording, playback, self._progress)
            return playback

    def _progress(self, done: float) -> None:
        if done >= 1.0 or done - self._told >= TELL_STEP:
            self._told = done
            self.hub.tell("media", {"done": done})

    def close(self) -> None:
        """End what runs in the background and delete what was made for the page."""
        with self._lock:
            self._closed = True
            if self._maker is not None:
                self._maker.close()

    async def initial(self, request: Request) -> Response:
        """The initial segment of a run."""
        return await self._made("initial", request.path_params["run"], request)

    async def segment(self, request: Request) -> Response:
        """One segment, made now if it was not yet."""
        return await self._made("segment", request.path_params["segment"], request)

    async def _made(self, what: str, number: int, request: Request) -> Response:
        maker, track = self._maker, request.path_params["track"]
        if maker is None:
            raise HTTPException(404)
        ask = maker.initial if what == "initial" else maker.segment
        try:
            data = await run_in_threadpool(ask, number, track)
        except UsageError:
            raise HTTPException(404) from None
        except MediaError as error:
            # RFC 9110, 15.6.3: what stands behind this server failed
            return Response(str(error), 502, headers={"Content-Type": "text/plain; charset=utf-8"})
        return Response(data, headers={"Content-Type": f"{_family(track)}/mp4"})

    async def file(self, request: Request) -> Response:
        """The first part's file, or the range of it that is asked for."""
        playback = self._playback
        if playback is None or playback.mode != "file":
            raise HTTPException(404)
        path = self.recording.parts[0].path
        try:
            found = path.stat()
        except OSError:
            raise HTTPException(404) from None
        size, tag = found.st_size, f'"{found.st_mtime_ns:x}-{found.st_size:x}"'
        kind, _, _ = playback.type.partition(";")
        headers = {"Accept-Ranges": "bytes", "ETag": tag, "Content-Type": kind}
        # RFC 9110, 14.2: Range is defined for GET alone
        asked = request.headers.get("range") if request.method == "GET" else None
        # RFC 9110, 13.1.5: a validator that does not match makes Range void
        if request.headers.get("if-range", tag) != tag:
            asked = None
        try:
            part = byte_range(asked, size)
        except Unsatisfiable:
            headers["Content-Range"] = f"bytes */{size}"
            return Response(status_code=416, headers=headers)
        first, last = part or (0, size)
        headers["Content-Length"] = str(last - first)
        if part is not None:
            headers["Content-Range"] = f"bytes {first}-{last - 1}/{size}"
        status = 206 if part is not None else 200
        if request.method == "HEAD":
            return Response(status_code=status, headers=headers)
        return StreamingResponse(_pieces(path, first, last), status, headers)


def _family(track: str) -> str:
    return "audio" if track == "audio" else "video"


async def _pieces(path: Path, first: int, last: int) -> AsyncIterator[bytes]:
    with contextlib.closing(await run_in_threadpool(path.open, "rb", 0)) as file:
        await run_in_threadpool(file.seek, first)
        while first < last:
            piece = await run_in_threadpool(file.read, min(CHUNK_BYTES, last - first))
            if not piece:
                return
            first += len(piece)
            yield piece
