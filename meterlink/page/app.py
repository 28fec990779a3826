"""The page as an ASGI application: a few fixed addresses, none of which names a file.

``/join`` trades the key in the address for a viewer's secret; ``/`` and its style and script are
read once at the start; ``/events`` tells what changes (server-sent events); ``/key`` and
``/operate`` take what the operator presses or decides.
"""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import suppress
from importlib.resources import files

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from meterlink.page.guard import COOKIE, JOIN_PATH, VIEWER, Guard, viewer_of
from meterlink.page.hub import MAX_NOTE, Hub, Press, RefusedError, Seen, same_secret
from meterlink.visit.view import Key, Word

MAX_BODY_BYTES = 4096
BODY_TIMEOUT_S = 5.0
TOGETHER_S = 0.05  # changes within this time go out as one message
BEAT_S = 5.0  # a message at least so often, so that a page notices when it is cut off
KEYS = {str(key): key for key in (*Key, Word.CHOOSE, Word.NOT_NOW)}  # what the page can press

_STATIC = {
    "/": ("page.html", "text/html"),
    "/page.css": ("page.css", "text/css"),
    "/page.js": ("page.js", "text/javascript"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}


class Page:
    """The application and what it needs to run.

    Args:
        hub: What is shown and pressed.
        key: Secret of the address.
        hosts: Values of the Host header that are served.

    Attributes:
        asgi: The application with its guard in front.
    """

    def __init__(self, hub: Hub, *, key: str, hosts: frozenset[str]) -> None:
        self._hub = hub
        self._key = key
        self._changed = asyncio.Event()
        self._closing = False
        folder = files("meterlink.page") / "static"
        self._bodies = {
            path: ((folder / name).read_bytes(), kind) for path, (name, kind) in _STATIC.items()
        }
        routes = [
            Route(JOIN_PATH, self._join, methods=["GET"]),
            Route("/events", self._events, methods=["GET"]),
            Route("/key", self._press, methods=["POST"]),
            Route("/operate", self._operate, methods=["POST"]),
            *(Route(path, self._static, methods=["GET"]) for path in _STATIC),
        ]
        self.asgi = Guard(Starlette(routes=routes), hosts=hosts, knows=hub.knows)

    def ring(self) -> None:
        """Wake all viewers' streams; only in the server's own thread."""
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()

    def close(self) -> None:
        """End all streams; only in the server's own thread."""
        self._closing = True
        self.ring()

    async def _join(self, request: Request) -> Response:
        if not same_secret(request.query_params.get("key", ""), self._key):
            self.asgi.refused += 1
            return _refused(403, "That key is not the one of this visit.")
        secret = viewer_of(request.headers)
        if secret is None or not self._hub.knows(secret):
            try:
                secret = self._hub.join()
            except RefusedError as error:
                return _refused(503, f"Not admitted: {error}.")
        response = RedirectResponse("/", status_code=303)
        response.set_cookie(COOKIE, secret, httponly=True, samesite="lax", path="/")
        return response

    async def _static(self, request: Request) -> Response:
        body, kind = self._bodies[request.url.path]
        return Response(body, media_type=kind)

    async def _events(self, request: Request) -> Response:
        return StreamingResponse(
            self._stream(request.scope[VIEWER]), media_type="text/event-stream"
        )

    async def _stream(self, viewer: str) -> AsyncIterator[str]:
        seen = Seen()
        self._hub.arrive(viewer)
        try:
            while not self._closing:
                changed = self._changed
                news = self._hub.news(viewer, seen)
                yield f"data: {news or '{}'}\n\n"
                with suppress(TimeoutError):
                    await asyncio.wait_for(changed.wait(), BEAT_S)
                    await asyncio.sleep(TOGETHER_S)
        finally:
            self._hub.leave(viewer)

    async def _press(self, request: Request) -> Response:
        body = await _body(request)
        if isinstance(body, Response):
            return body
        press = _read_press(body)
        if press is None:
            return _refused(400, "Not a key press.")
        try:
            self._hub.press(request.scope[VIEWER], press)
        except RefusedError as error:
            return _refused(409, f"Not taken: {error}.")
        return Response(status_code=204)

    async def _operate(self, request: Request) -> Response:
        body = await _body(request)
        if isinstance(body, Response):
            return body
        self._hub.take_over(request.scope[VIEWER])
        return Response(status_code=204)


def _refused(status: int, text: str) -> Response:
    return PlainTextResponse(text, status)


async def _body(request: Request) -> bytes | Response:
    """The body of a small request that comes in time, or the refusal."""
    found = bytearray()
    try:
        async with asyncio.timeout(BODY_TIMEOUT_S):
            async for chunk in request.stream():
                found += chunk
                if len(found) > MAX_BODY_BYTES:
                    return _refused(413, "Too much for a key press.")
    except TimeoutError:
        return _refused(408, "Too slow.")
    except ClientDisconnect:
        return _refused(400, "Gone.")
    return bytes(found)


def _read_press(body: bytes) -> Press | None:
    """``{"key": ..., "step": ..., "text": ...}``, or ``None`` for anything else."""
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        return None
    if not isinstance(found, dict):
        return None
    name, step, text = found.get("key"), found.get("step"), found.get("text", "")
    key = KEYS.get(name) if isinstance(name, str) else None
    if key is None or type(step) is not int or not isinstance(text, str):
        return None
    if len(text) > MAX_NOTE:
        return None
    return Press(key, step, text)
