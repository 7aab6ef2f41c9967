"""How the recording reaches the page: one part as it is, by ranges of its bytes."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from vidseg.mark.byte_range import Unsatisfiable, byte_range
from vidseg.model.recording import Recording

CHUNK_BYTES = 256 * 1024


class Show:
    """The recording as the page plays it."""

    def __init__(self, recording: Recording) -> None:
        self.recording = recording

    def use_segments(self) -> None:
        """Give segments from now on: a browser could not play the file as it is."""

    def close(self) -> None:
        """Let go of everything that was made for the page."""

    def plan(self) -> dict[str, Any]:
        """Say how the recording is played, as JSON data."""
        return {"mode": "file", "type": "video/mp4"}

    async def file(self, request: Request) -> Response:
        """The first part's file, or the range of it that is asked for."""
        path = self.recording.parts[0].path
        try:
            found = path.stat()
        except OSError:
            return Response(status_code=404)
        size, tag = found.st_size, f'"{found.st_mtime_ns:x}-{found.st_size:x}"'
        headers = {"Accept-Ranges": "bytes", "ETag": tag, "Content-Type": "video/mp4"}
        asked = request.headers.get("range") if request.method == "GET" else None
        # RFC 9110, 13.1.5: a validator that does not match makes Range void
        if request.headers.get("if-range", tag) != tag:
            asked = None
        try:
            part = byte_range(asked, size)
        except Unsatisfiable:
            return Response(
                status_code=416, headers={**headers, "Content-Range": f"bytes */{size}"}
            )
        first, last = part or (0, size)
        headers["Content-Length"] = str(last - first)
        if part is not None:
            headers["Content-Range"] = f"bytes {first}-{last - 1}/{size}"
        status = 206 if part is not None else 200
        if request.method == "HEAD":
            return Response(status_code=status, headers=headers)
        return StreamingResponse(_pieces(path, first, last), status, headers)


async def _pieces(path: Path, first: int, last: int) -> AsyncIterator[bytes]:
    with path.open("rb", buffering=0) as file:
        file.seek(first)
        while first < last:
            piece = await run_in_threadpool(file.read, min(CHUNK_BYTES, last - first))
            if not piece:
                return
            first += len(piece)
            yield piece
