"""Who may ask: this machine's own page, and nobody else.

Before any route is looked at: the Host must be the server's own (else another site's name, made to
point at this machine, would do: DNS rebinding), the path must begin with the token, and a browser's
word on where a request comes from (Origin, Sec-Fetch-Site) must not name another site.
"""

from __future__ import annotations

import secrets

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from vidseg.model.bounds import whole_number

LARGEST_BODY = 8 * 1024 * 1024
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "media-src 'self' blob:; connect-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}
"""Sent with every answer: nothing from outside, nothing framed, nothing kept."""


class Guard:
    """Let through what comes from the server's own page; ``host`` is its ``address:port``."""

    def __init__(self, app: ASGIApp, host: str, token: str) -> None:
        self.app, self.host, self.token = app, host, token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or pass on with the token taken off the path."""

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        if scope["type"] != "http":
            return
        status = self.refusal(scope)
        if status is not None:
            await Response(status_code=status)(scope, receive, send_guarded)
            return
        inner = dict(scope)
        inner["path"] = scope["path"][len(self.token) + 1 :]
        inner["root_path"] = ""
        await self.app(inner, receive, send_guarded)

    def refusal(self, scope: Scope) -> int | None:
        """Give the status to refuse with, or None."""
        headers = Headers(scope=scope)
        # RFC 9110, 7.4: a request for another host is misdirected
        if headers.getlist("host") != [self.host]:
            return 421
        first, _, _ = scope["path"].removeprefix("/").partition("/")
        given = first.encode("utf-8", "surrogatepass")
        if not secrets.compare_digest(given, self.token.encode()) or not scope["path"].startswith(
            f"/{self.token}/"
        ):
            return 404
        posted = scope["method"] not in ("GET", "HEAD")
        origins = headers.getlist("origin")
        if origins != [f"http://{self.host}"] and (posted or origins):
            return 403
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return 403
        if posted:
            return _body_refusal(headers)
        return None


def _body_refusal(headers: Headers) -> int | None:
    kind, _, _ = headers.get("content-type", "").partition(";")
    # RFC 9110, 15.5.16: unsupported media type
    if kind.strip().lower() != "application/json":
        return 415
    length = headers.get("content-length", "0")
    # RFC 9110, 15.5.14: content too large
    size = whole_number(length, 10**18)
    if size is None:
        return 400
    return 413 if size > LARGEST_BODY else None
