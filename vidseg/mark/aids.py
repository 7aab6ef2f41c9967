"""What the recording itself tells whoever marks: how loud it is, where its picture changes."""

from __future__ import annotations

import threading

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from vidseg.mark.hub import Hub
from vidseg.media.picture.change import nearest_change
from vidseg.media.stream.loudness import audio_levels
from vidseg.model.clock import NS
from vidseg.model.problem import MediaError
from vidseg.model.recording import Recording

STEP_NS = NS // 10
"""Levels are given for each 100 ms."""
WITHIN_NS = 3 * NS
"""A change of picture is looked for this far away, as `vidseg draft --to-changes` does."""


class _Ended(Exception):  # noqa: N818 - takes the work out of a library's loop
    pass


class Aids:
    """Levels, made once in the background when first asked for, and changes of picture."""

    def __init__(self, recording: Recording, hub: Hub) -> None:
        self.recording, self.hub = recording, hub
        self._lock = threading.Lock()
        self._worker: threading.Thread | None = None
        self._levels: bytes | None = None
        self._over = False

    async def levels(self, _request: Request) -> Response:
        """The loudness, float32 little-endian; 202 while it is being made (RFC 9110, 15.3.3)."""
        if not any(part.audio for part in self.recording.parts):
            return Response(status_code=404)
        with self._lock:
            if self._worker is None and not self._over:
                self._worker = threading.Thread(target=self._listen, name="levels")
                self._worker.start()
        if self._levels is None:
            return Response(status_code=202)
        return Response(self._levels, media_type="application/octet-stream")

    def _listen(self) -> None:
        try:
            found = audio_levels(self.recording, STEP_NS, self._go_on)
            self._levels = found.astype("<f4").tobytes()
        except _Ended:
            return
        except MediaError:
            # sound that does not decode: silence for the lane, the marking goes on
            self._levels = b""
        self.hub.tell("levels", {})

    def _go_on(self, _done: float) -> None:
        if self._over:
            raise _Ended

    async def near_change(self, request: Request) -> Response:
        """The strongest change of picture near ``at_ns``."""
        text = request.query_params.get("at_ns", "")
        if not (text.isascii() and text.isdigit() and len(text) <= 16):
            return JSONResponse({"trouble": "at_ns must be whole nanoseconds"}, 422)
        try:
            found = await run_in_threadpool(nearest_change, self.recording, int(text), WITHIN_NS)
        except MediaError as error:
            return JSONResponse({"trouble": str(error)}, 502)
        if found is None:
            return JSONResponse({"at_ns": None, "score": None})
        return JSONResponse({"at_ns": found[0], "score": found[1]})

    def close(self) -> None:
        """End what runs in the background."""
        with self._lock:
            self._over = True
        if self._worker is not None:
            self._worker.join()
