"""Who may speak to the page: everything is refused that does not come from its own viewers.

Checked for each request before any of its body is read: the Host it names (a foreign name that was
made to point here is not served), the Origin it comes from (a foreign page cannot press keys), and
the viewer's ticket in the cookie. The key in the address is only good for getting a ticket.

Key and port of a job stay the same, in ``page.json`` of its folder (for its owner only), and a
ticket is signed with the key. So after a restart a phone that was there before goes on by itself.
"""

import hashlib
import hmac
import json
import os
import secrets
from dataclasses import dataclass, field, replace
from http import cookies
from pathlib import Path

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from meterlink.files import open_regular

ACCESS_FILE = "page.json"
JOIN_PATH = "/join"
OPEN_PATHS = (JOIN_PATH, "/page.css", "/icon.svg")  # nothing of a visit is in these
VIEWER = "meterlink.viewer"  # key in the scope that holds the name of an admitted viewer
_MAX_QUERY = 200
_MAX_COOKIE = 4096
_KEY_LENGTHS = range(22, 101)

SCAN_AGAIN = (
    "This page is for the person at the meter. Scan the code that the laptop shows, or type the "
    "whole address that it prints, key and all."
)


@dataclass(frozen=True, slots=True)
class Access:
    """What opens the page of a job.

    Attributes:
        key: Secret of the address; tickets are signed with it.
        port: Where the page was last time; 0 for any that is free.
    """

    key: str = field(default_factory=lambda: secrets.token_urlsafe(16))
    port: int = 0

    @property
    def cookie(self) -> str:
        """Name of the cookie: another one for each key, as cookies do not tell ports apart."""
        return f"meterlink_{hashlib.sha256(self.key.encode()).hexdigest()[:12]}"

    def opens(self, key: str) -> bool:
        """Whether a key is the one of the address."""
        return hmac.compare_digest(key.encode(), self.key.encode())

    def ticket(self) -> str:
        """A new viewer's ticket: its name and the signature of that."""
        viewer = secrets.token_urlsafe(12)
        return f"{viewer}.{self._signature(viewer)}"

    def viewer(self, headers: Headers) -> str | None:
        """Name of the viewer whose ticket a request brings; ``None`` without a good one."""
        name, _, signature = (_cookie(headers, self.cookie) or "").partition(".")
        good = hmac.compare_digest(signature.encode(), self._signature(name).encode())
        return name if name and good else None

    def _signature(self, viewer: str) -> str:
        return hmac.new(self.key.encode(), viewer.encode(), hashlib.sha256).hexdigest()


def kept_access(folder: Path) -> Access:
    """Key and port of a job; new ones where there are none, or none that can be used."""
    try:
        path = folder / ACCESS_FILE
        with open_regular(path) as stream:
            if os.fstat(stream.fileno()).st_mode & 0o077 and os.name == "posix":
                return Access()  # others may have read it
            found = json.loads(stream.read(1000))
        key, port = found["key"], found["port"]
    except (OSError, ValueError, RecursionError, KeyError, TypeError):
        return Access()
    usable = isinstance(key, str) and key.isascii() and len(key) in _KEY_LENGTHS
    return Access(key, port) if usable and type(port) is int and 0 < port < 65536 else Access()


def keep(access: Access, folder: Path, port: int) -> bool:
    """Keep key and port for the next visit, for nobody else to read; returns whether that worked.

    Where the folder cannot be written the next visit has another address: no harm is done.
    """
    kept = replace(access, port=port)
    if kept == access:
        return True
    path = folder / ACCESS_FILE
    part = path.with_suffix(".part")
    try:
        part.unlink(missing_ok=True)
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as stream:
            json.dump({"key": kept.key, "port": kept.port}, stream)
        part.replace(path)
    except OSError:
        return False
    return True


class Guard:
    """ASGI middleware in front of the page.

    Args:
        app: The page.
        access: What opens it.
        hosts: Values of the Host header that are served, such as ``127.0.0.1:8321``.
        style_hash: Of the style within the report, which the page shows in a frame.

    Attributes:
        refused: Requests refused so far.
    """

    def __init__(
        self, app: ASGIApp, *, access: Access, hosts: frozenset[str], style_hash: str
    ) -> None:
        self._app = app
        self._access = access
        self._hosts = hosts
        self._headers = safety_headers(style_hash)
        self.refused = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it in a few words."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            self.refused += 1
            return
        sending = self._with_safety_headers(send)
        refusal = self._refusal(scope)
        if refusal is None:
            await self._app(scope, receive, sending)
            return
        self.refused += 1
        await refusal_page(*refusal, scope["path"])(scope, receive, sending)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Status and reason, or ``None`` for a request that is admitted."""
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            return 421, "This address is not served here."
        origins = headers.getlist("origin")
        own = {f"http://{host}" for host in self._hosts}
        if any(origin.lower() not in own for origin in origins):
            return 403, "Requests from other pages are refused."
        if scope["method"] == "POST" and not origins:
            return 403, "A key press has to come from the page itself."
        if headers.get("sec-fetch-site", "none") == "cross-site" and scope["path"] != JOIN_PATH:
            return 403, "Requests from other pages are refused."
        if len(scope["query_string"]) > _MAX_QUERY:
            return 414, "The address is too long."
        viewer = self._access.viewer(headers)
        scope[VIEWER] = viewer
        if viewer is None and scope["path"] not in OPEN_PATHS:
            return 403, SCAN_AGAIN
        return None

    def _with_safety_headers(self, send: Send) -> Send:
        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(raw=list(message["headers"]))
                headers.update(self._headers)
                message = {**message, "headers": headers.raw}
            await send(message)

        return sending


def safety_headers(style_hash: str) -> dict[str, str]:
    """What every answer says about what it may do."""
    return {
        "content-security-policy": (
            "default-src 'none'; script-src 'self'; connect-src 'self'; img-src 'self' blob:; "
            f"style-src 'self' 'sha256-{style_hash}'; frame-src 'self'; media-src blob:; "
            "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
        ),
        "x-content-type-options": "nosniff",
        "referrer-policy": "same-origin",
        "cross-origin-resource-policy": "same-origin",
        "cross-origin-opener-policy": "same-origin",
        "permissions-policy": "camera=(), microphone=(), geolocation=()",
        "cache-control": "no-store",
        "connection": "close",  # one request a connection: none can be kept open to trickle in
    }


def refusal_page(status: int, text: str, path: str) -> Response:
    """A refusal that can be read: as a page where a browser opened it, else as a line."""
    if path not in ("/", "/plain", JOIN_PATH):
        return PlainTextResponse(text, status)
    return HTMLResponse(
        '<!DOCTYPE html><html lang="en"><meta charset="utf-8"><title>Not opened</title>'
        '<meta name="viewport" content="width=device-width">'
        '<link rel="stylesheet" href="/page.css">'
        f'<main class="refused"><h1>Not opened</h1><p>{text}</p></main>',
        status,
    )


def _cookie(headers: Headers, name: str) -> str | None:
    text = headers.get("cookie", "")
    if not text or len(text) > _MAX_COOKIE:
        return None
    jar: cookies.SimpleCookie = cookies.SimpleCookie()
    try:
        jar.load(text)
    except cookies.CookieError:
        return None
    return jar[name].value if name in jar else None
