"""The routes. Thin: read the request, call the session, answer. All lie below the token."""

from __future__ import annotations

import json
import sys
import traceback
from collections.abc import Callable, Mapping
from dataclasses import asdict
from importlib import resources
from typing import Any

import numpy as np
from jinja2 import Environment, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from vidseg import __version__
from vidseg.disk.trouble import trouble
from vidseg.mark.aids import Aids
from vidseg.mark.delivery import Show
from vidseg.mark.guard import LARGEST_BODY, Guard
from vidseg.mark.hub import Hub
from vidseg.mark.journal import Unwritable
from vidseg.mark.rows import Stale, batch_from, in_order
from vidseg.mark.session import Session
from vidseg.model.problem import MediaError, UsageError

SHARED_ASSETS = ("base.css", "strip.css", "strip.js", "player.js")
KINDS = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8"}


def make_app(
    session: Session,
    show: Show,
    aids: Aids,
    hub: Hub,
    *,
    host: str,
    token: str,
    stop: Callable[[], None],
) -> ASGIApp:
    """Make the app that serves one session at ``http://{host}/{token}/``."""
    doors = Doors(session, show, hub, stop)
    routes = [
        Route("/", doors.page),
        Route("/assets/{name}", doors.asset),
        Route("/state", doors.state),
        Route("/second", doors.second),
        Route("/frames", doors.frames),
        Route("/events", doors.events),
        Route("/changes", doors.changes, methods=["POST"]),
        Route("/outside", doors.outside, methods=["POST"]),
        Route("/save-as", doors.save_as, methods=["POST"]),
        Route("/masks", doors.masks, methods=["POST"]),
        Route("/stop", doors.stop, methods=["POST"]),
        Route("/levels", aids.levels),
        Route("/near-change", aids.near_change),
        Route("/media/file", show.file),
        Route("/media/{run:int}/init/{track}", show.initial),
        Route("/media/{segment:int}/{track}", show.segment),
    ]
    inner = Starlette(
        routes=routes,
        exception_handlers={HTTPException: _refused, Exception: _failed},
    )
    inner.router.redirect_slashes = False
    return Guard(inner, host, token)


def page_assets() -> dict[str, bytes]:
    """Give the styles and scripts of the page by name: the only files that are served as assets."""
    folder = resources.files("vidseg") / "assets"
    return {
        item.name: item.read_bytes()
        for item in folder.iterdir()
        if item.name in SHARED_ASSETS
        or (item.name.startswith("mark") and item.name.endswith(tuple(KINDS)))
    }


class Doors:
    """What each address does."""

    def __init__(self, session: Session, show: Show, hub: Hub, stop: Callable[[], None]) -> None:
        self.session, self.show, self.hub, self.end = session, show, hub, stop
        self.assets = page_assets()
        recording = session.recording
        starts = [part.start + part.frame_ns for part in recording.parts]
        self.frame_bytes = np.concatenate(starts).astype("<f8").tobytes()

    async def page(self, _request: Request) -> Response:
        """The page itself."""
        template = resources.files("vidseg") / "assets" / "mark.html.j2"
        try:
            text = template.read_text(encoding="utf-8")
        except FileNotFoundError:
            raise HTTPException(404) from None
        environment = Environment(
            autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
        )
        html = environment.from_string(text).render(
            version=__version__, name=self.session.recording.parts[0].path.name
        )
        return Response(html, media_type="text/html; charset=utf-8")

    async def asset(self, request: Request) -> Response:
        """A style or a script of the page."""
        name = request.path_params["name"]
        if name not in self.assets:
            raise HTTPException(404)
        suffix = name[name.rindex(".") :]
        return Response(self.assets[name], headers={"Content-Type": KINDS[suffix]})

    async def state(self, request: Request) -> Response:
        """Everything the page needs to begin with."""
        segments = request.query_params.get("segments") == "1"

        def tell() -> dict[str, Any]:
            try:
                media = self.show.plan(segments=segments)
            except MediaError as error:
                media = {"mode": "none", "why": str(error)}
            return self.session.state(media)

        return _json(await run_in_threadpool(tell))

    async def second(self, _request: Request) -> Response:
        """The other annotator's rows, compared with the rows as they are."""
        return JSONResponse(await run_in_threadpool(self.session.second_json))

    async def frames(self, _request: Request) -> Response:
        """Every frame's start, float64 little-endian, ns."""
        return Response(self.frame_bytes, media_type="application/octet-stream")

    async def events(self, _request: Request) -> Response:
        """Events as they come."""
        return StreamingResponse(self.hub.listen(), media_type="text/event-stream")

    async def changes(self, request: Request) -> Response:
        """Make a batch of changes."""
        data = await _body(request)
        session = self.session
        try:
            batch = batch_from(data.get("batch"), data.get("client"))
            return _json(asdict(await run_in_threadpool(session.make, batch)))
        except ValueError as error:
            return _trouble(str(error), 422)
        except Stale:
            with session.keeper.lock:
                rows = [session.keeper.row_json(row) for row in in_order(session.keeper.rows)]
                return _json({"revision": session.keeper.revision, "rows": rows}, 409)
        except Unwritable as error:
            # RFC 4918, 11.5: insufficient storage
            return _trouble(str(error), 507)

    async def outside(self, request: Request) -> Response:
        """Settle what two sides changed."""
        choices = (await _body(request)).get("choices")
        if not isinstance(choices, list) or not all(
            isinstance(one, dict)
            and isinstance(one.get("id"), str)
            and one.get("take") in ("mine", "theirs")
            for one in choices
        ):
            return _trouble("choices must be a list of {id, take: mine or theirs}", 422)
        taken = {one["id"]: one["take"] for one in choices}
        try:
            await run_in_threadpool(self.session.keeper.choose, taken)
        except ValueError as error:
            return _trouble(str(error), 422)
        except Unwritable as error:
            return _trouble(str(error), 507)
        except OSError as error:
            return _trouble(trouble(error), 507)
        return _json(asdict(await run_in_threadpool(self.session.checked)))

    async def save_as(self, request: Request) -> Response:
        """Write a copy in another format."""
        data = await _body(request)

        def write() -> tuple[str, tuple[str, ...]]:
            return self.session.save_as(
                str(data.get("format")), replace=data.get("replace") is True
            )

        try:
            name, told = await run_in_threadpool(write)
        except (ValueError, UsageError) as error:
            return _trouble(str(error), 422)
        except FileExistsError as error:
            return _json({"trouble": f"{error} exists", "exists": str(error)}, 409)
        except OSError as error:
            return _trouble(trouble(error), 507)
        return _json({"name": name, "told": list(told)})

    async def masks(self, request: Request) -> Response:
        """Keep the masks."""
        data = await _body(request)
        try:
            count = await run_in_threadpool(self.session.keep_masks, data.get("masks"))
        except ValueError as error:
            return _trouble(str(error), 422)
        except OSError as error:
            return _trouble(trouble(error), 507)
        return _json({"name": self.session.masks_path.name, "count": count})

    async def stop(self, _request: Request) -> Response:
        """End the server."""
        self.end()
        return _json({})


async def _body(request: Request) -> Mapping[str, Any]:
    data = bytearray()
    async for piece in request.stream():
        data += piece
        if len(data) > LARGEST_BODY:
            raise HTTPException(413)
    try:
        found = json.loads(bytes(data))
    except (ValueError, RecursionError):
        raise HTTPException(400) from None
    if not isinstance(found, dict):
        raise HTTPException(400)
    return found


def _json(data: Mapping[str, Any], status: int = 200) -> Response:
    return JSONResponse(data, status)


def _trouble(text: str, status: int) -> Response:
    return _json({"trouble": text}, status)


async def _refused(_request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return Response(status_code=error.status_code, headers=error.headers)


async def _failed(_request: Request, error: Exception) -> Response:
    traceback.print_exception(error, file=sys.stderr)
    return Response(status_code=500)
