"""The page as an ASGI application: a few fixed addresses, none of which names a file.

``/join`` trades the key in the address for a viewer's ticket; ``/`` and its style and script are
read once at the start; ``/events`` tells what changes (server-sent events); ``/key`` and
``/operate`` take what the operator presses or decides. ``/plain`` is all of that for a browser
without script.
"""

import asyncio
import hashlib
import json
from collections.abc import AsyncIterator
from contextlib import suppress
from importlib.resources import files
from urllib.parse import parse_qs

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import (
    HTMLResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route

from meterlink.page.access import JOIN_PATH, VIEWER, Access, Guard, refusal_page
from meterlink.page.hub import MAX_NOTE, Hub, Press, RefusedError, Seen
from meterlink.show.format import clean
from meterlink.show.report import style_digest
from meterlink.visit.view import Command, Key

MAX_BODY_BYTES = 4096
BODY_TIMEOUT_S = 5.0
TOGETHER_S = 0.05  # changes within this time go out as one message
BEAT_S = 5.0  # a message at least so often, so that a page notices when it is cut off
TICKET_S = 30 * 24 * 3600  # for how long a phone keeps its ticket
_WORDS = (
    Command.CHOOSE,
    Command.NOT_NOW,
    Command.UNDO,
    Command.IDLE,
    Command.ON,
    Command.LEVELS,
    Command.RHYTHM,
)
KEYS: dict[str, Key | Command] = {str(key): key for key in (*Key, *_WORDS)}  # what a page can press

_STATIC = {
    "/": ("page.html", "text/html"),
    "/page.css": ("page.css", "text/css"),
    "/page.js": ("page.js", "text/javascript"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}
_PAPERS = {
    "/map.svg": ("map_svg", "image/svg+xml"),
    "/report.html": ("report", "text/html"),
    "/label.txt": ("label", "text/plain"),
}


class Page:
    """The application and what it needs to run.

    Args:
        hub: What is shown and pressed.
        access: What opens the page.
        hosts: Values of the Host header that are served.

    Attributes:
        asgi: The application with its guard in front.
    """

    def __init__(self, hub: Hub, *, access: Access, hosts: frozenset[str]) -> None:
        self._hub = hub
        self._access = access
        self._changed = asyncio.Event()
        self._closing = False
        folder = files("meterlink.page") / "static"
        self._bodies = {
            path: ((folder / name).read_bytes(), kind) for path, (name, kind) in _STATIC.items()
        }
        every = b"".join(body for body, _ in self._bodies.values())
        self._edition = hashlib.sha256(every).hexdigest()[:12]
        self._plain_template = Environment(
            loader=PackageLoader("meterlink.page", "static"),
            autoescape=True,
            undefined=StrictUndefined,
        ).get_template("plain.html")
        routes = [
            Route(JOIN_PATH, self._join, methods=["GET"]),
            Route("/events", self._events, methods=["GET"]),
            Route("/key", self._press, methods=["POST"]),
            Route("/operate", self._operate, methods=["POST"]),
            Route("/plain", self._plain, methods=["GET"]),
            Route("/plain", self._plain_press, methods=["POST"]),
            *(Route(path, self._static, methods=["GET"]) for path in _STATIC),
            *(Route(path, self._paper, methods=["GET"]) for path in _PAPERS),
        ]
        self.asgi = Guard(
            Starlette(routes=routes), access=access, hosts=hosts, style_hash=style_digest()
        )

    def ring(self) -> None:
        """Wake all viewers' streams; only in the server's own thread."""
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()

    def close(self) -> None:
        """End all streams, with a word that the program ends; only in the server's own thread."""
        self._closing = True
        self.ring()

    async def _join(self, request: Request) -> Response:
        if not self._access.opens(request.query_params.get("key", "")):
            self.asgi.refused += 1
            return refusal_page(
                403,
                "The key in this address is not the one of this visit. Scan the code that the "
                "laptop shows now.",
                JOIN_PATH,
            )
        response = RedirectResponse("/", status_code=303)
        if request.scope[VIEWER] is None:
            response.set_cookie(
                self._access.cookie,
                self._access.ticket(),
                max_age=TICKET_S,
                httponly=True,
                samesite="lax",
            )
        return response

    async def _static(self, request: Request) -> Response:
        body, kind = self._bodies[request.url.path]
        return Response(body, media_type=kind)

    async def _paper(self, request: Request) -> Response:
        name, kind = _PAPERS[request.url.path]
        text = getattr(self._hub.papers, name)
        return Response(text, media_type=kind) if text else _refused(404, "It is not made yet.")

    async def _events(self, request: Request) -> Response:
        viewer = request.scope[VIEWER]
        try:
            self._hub.arrive(viewer)
        except RefusedError as error:
            return _refused(503, f"Not admitted: {error}.")
        return StreamingResponse(self._stream(viewer), media_type="text/event-stream")

    async def _stream(self, viewer: str) -> AsyncIterator[str]:
        seen = Seen()
        try:
            yield f'data: {{"edition":"{self._edition}"}}\n\n'
            while not self._closing:
                changed = self._changed
                news = self._hub.news(viewer, seen)
                yield f"data: {news or '{}'}\n\n"
                with suppress(TimeoutError):
                    await asyncio.wait_for(changed.wait(), BEAT_S)
                    await asyncio.sleep(TOGETHER_S)
            yield f"data: {self._hub.news(viewer, seen) or '{}'}\n\n"
            yield 'data: {"over":true}\n\n'
        finally:
            self._hub.leave(viewer)

    async def _press(self, request: Request) -> Response:
        body = await _body(request)
        if isinstance(body, Response):
            return body
        try:
            found = json.loads(body)
        except (ValueError, RecursionError):
            found = None
        if not isinstance(found, dict):
            return _refused(400, "Not a key press.")
        return self._take(request, found)

    def _take(self, request: Request, found: dict[str, object]) -> Response:
        press = _read_press(found)
        if press is None:
            return _refused(400, "Not a key press.")
        run = found.get("run", "")
        try:
            self._hub.press(request.scope[VIEWER], press, run if isinstance(run, str) else "?")
        except RefusedError as error:
            return _refused(409, f"{error}.")
        return Response(status_code=204)

    async def _operate(self, request: Request) -> Response:
        body = await _body(request)
        if isinstance(body, Response):
            return body
        self._hub.take_over(request.scope[VIEWER])
        return Response(status_code=204)

    async def _plain(self, request: Request) -> Response:
        """The page for a browser without script; it asks again by itself."""
        return self._plain_page(request, "")

    async def _plain_press(self, request: Request) -> Response:
        body = await _body(request)
        if isinstance(body, Response):
            return body
        try:
            sent = parse_qs(body.decode("utf-8", "replace"), max_num_fields=10)
        except ValueError:  # more fields than the page has
            return _refused(400, "Not a key press.")
        found: dict[str, object] = {name: values[0] for name, values in sent.items()}
        if found.get("key") == "operate":
            self._hub.take_over(request.scope[VIEWER])
            return RedirectResponse("/plain", status_code=303)
        step = str(found.get("step", ""))
        found["step"] = int(step) if step.isascii() and step.isdigit() and len(step) < 10 else None
        answer = self._take(request, found)
        if answer.status_code == 204:
            return RedirectResponse("/plain", status_code=303)
        return self._plain_page(request, bytes(answer.body).decode())

    def _plain_page(self, request: Request, answer: str) -> Response:
        view = self._hub.view
        asks_again = not (answer or "still" in request.query_params or (view and view.typed))
        text = self._plain_template.render(
            view=view,
            asks_again=asks_again,
            run=self._hub.run,
            operates=self._hub.operates(request.scope[VIEWER]),
            papers=self._hub.papers,
            answer=answer,
            clean=clean,
        )
        return HTMLResponse(text, headers={"refresh": "3; url=/plain"} if asks_again else {})


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


def _read_press(found: dict[str, object]) -> Press | None:
    """``{"key": ..., "step": ..., "text": ...}``, or ``None`` for anything else."""
    name, step, text = found.get("key"), found.get("step"), found.get("text", "")
    key = KEYS.get(name) if isinstance(name, str) else None
    if key is None or type(step) is not int or not isinstance(text, str):
        return None
    if len(text) > MAX_NOTE:
        return None
    return Press(key, step, text)
