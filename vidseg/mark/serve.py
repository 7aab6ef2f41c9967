"""The server: bound to this machine alone, ended by Ctrl-C or by the page, clean either way."""

from __future__ import annotations

import contextlib
import secrets
import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from types import FrameType

import uvicorn
from starlette.types import ASGIApp

from vidseg.mark.hub import Hub
from vidseg.model.problem import UsageError

ADDRESS = "127.0.0.1"
ENDING = [
    getattr(signal, name)
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
    if hasattr(signal, name)
]
"""Signals that end the session in good order."""
PATIENCE_S = 2
"""How long an answer on its way is waited for when the server ends."""


class Server(uvicorn.Server):
    """A server that lets its listeners go when it ends, and remembers the signal that ended it."""

    def __init__(self, config: uvicorn.Config, hub: Hub, host: str) -> None:
        super().__init__(config)
        self.hub, self.host = hub, host
        self.ended_by: int | None = None

    def stop(self) -> None:
        """End soon; may be called from any thread, and more than once."""
        self.hub.end()
        self.should_exit = True

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """End at a signal; at a second one without waiting for anything."""
        self.force_exit = self.should_exit
        self.ended_by = sig
        self.stop()

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take the signals that end a session, and give them back; none is raised again."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        before = {number: signal.signal(number, self.handle_exit) for number in ENDING}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def bind(port: int = 0) -> socket.socket:
    """Take a port of this machine that no other machine reaches; 0 takes any free one.

    Raises UsageError where the port is taken.
    """
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform == "win32":
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
    else:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((ADDRESS, port))
    except OSError as error:
        listener.close()
        raise UsageError(f"port {port} of {ADDRESS} cannot be used: {error.strerror}") from None
    return listener


def new_token() -> str:
    """Make the secret first part of every address: 192 bits."""
    return secrets.token_urlsafe(24)


def serve(
    listener: socket.socket,
    hub: Hub,
    make: Callable[[str, Callable[[], None]], ASGIApp],
    ready: Callable[[Server], None],
) -> int | None:
    """Serve until told to stop; gives the signal that ended it, None where the page did.

    ``make(host, stop)`` makes the app; ``ready`` is called once, before the first request.
    """
    server: Server | None = None

    def stop() -> None:
        if server is not None:
            server.stop()

    host = f"{ADDRESS}:{listener.getsockname()[1]}"
    server = Server(
        uvicorn.Config(
            make(host, stop),
            http="h11",
            loop="asyncio",
            ws="none",
            lifespan="off",
            log_config=None,
            log_level="critical",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=PATIENCE_S,
        ),
        hub,
        host,
    )
    listener.listen(128)
    ready(server)
    try:
        server.run(sockets=[listener])
    finally:
        listener.close()
    return server.ended_by
