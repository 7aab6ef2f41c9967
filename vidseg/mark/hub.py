"""Who listens: events from any thread to every open page, as server-sent events.

Form: WHATWG HTML, section 9.2 (server-sent events).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from typing import Any

BEAT_S = 15.0
"""A comment is sent this often, so that a page that is gone is noticed."""
MOST_WAITING = 1000
"""Events held for a page that does not take them; then it is let go and has to ask anew."""


class Hub:
    """Events for pages. ``tell`` may be called from any thread; the rest within the loop."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._listeners: set[asyncio.Queue[str | None]] = set()
        self._over = False

    def tell(self, name: str, data: dict[str, Any]) -> None:
        """Send an event to every page that listens."""
        self._soon(_event(name, data))

    def end(self) -> None:
        """Tell every page that the server stops, and let them go; called from any thread."""
        self._over = True
        self._soon(_event("stopping", {}))
        self._soon(None)

    def _soon(self, text: str | None) -> None:
        # without a loop nobody listens yet; a loop that is closed has let everybody go
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._send, text)

    def _send(self, text: str | None) -> None:
        for queue in list(self._listeners):
            full = queue.qsize() > MOST_WAITING
            if full:
                self._listeners.discard(queue)
            queue.put_nowait(None if full else text)

    async def listen(self) -> AsyncIterator[str]:
        """Yield events as they come, until the server ends."""
        self._loop = asyncio.get_running_loop()
        queue: asyncio.Queue[str | None] = asyncio.Queue()
        self._listeners.add(queue)
        try:
            yield ": listening\n\n"
            while not self._over or not queue.empty():
                try:
                    text = await asyncio.wait_for(queue.get(), BEAT_S)
                except TimeoutError:
                    text = ": still here\n\n"
                if text is None:
                    return
                yield text
        finally:
            self._listeners.discard(queue)


def _event(name: str, data: dict[str, Any]) -> str:
    return f"event: {name}\ndata: {json.dumps(data, allow_nan=False)}\n\n"
