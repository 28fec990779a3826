"""Who may speak to the page: everything is refused that does not come from its own viewers.

Checked for each request before any of its body is read: the Host it names (a foreign name that was
made to point here is not served), the Origin it comes from (a foreign page cannot press keys), and
the viewer's secret in the cookie. The key in the address is only good for getting that secret.
"""

from collections.abc import Callable
from http import cookies

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "meterlink_viewer"
JOIN_PATH = "/join"
VIEWER = "meterlink.viewer"  # key in the scope that holds the secret of an admitted viewer
_MAX_QUERY = 200
_MAX_COOKIE = 4096

SAFETY_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
        "img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
    "connection": "close",  # one request a connection: none can be kept open to trickle in
}

SCAN_AGAIN = (
    "This page is for the person at the meter. Open the address with its key: scan the code that "
    "the laptop shows, or type the address it prints."
)


class Guard:
    """ASGI middleware in front of the page.

    Args:
        app: The page.
        hosts: Values of the Host header that are served, such as ``127.0.0.1:8321``.
        knows: Whether a secret is that of an admitted viewer.

    Attributes:
        refused: Requests refused so far.
    """

    def __init__(
        self, app: ASGIApp, *, hosts: frozenset[str], knows: Callable[[str], bool]
    ) -> None:
        self._app = app
        self._hosts = hosts
        self._knows = knows
        self.refused = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it in a few words."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            self.refused += 1
            return
        refusal = self._refusal(scope)
        if refusal is None:
            await self._app(scope, receive, _with_safety_headers(send))
            return
        self.refused += 1
        status, text = refusal
        response = PlainTextResponse(text, status)
        await response(scope, receive, _with_safety_headers(send))

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
        if scope["path"] == JOIN_PATH:
            return None
        viewer = viewer_of(headers)
        if viewer is None or not self._knows(viewer):
            return 403, SCAN_AGAIN
        scope[VIEWER] = viewer
        return None


def _with_safety_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(raw=list(message["headers"]))
            headers.update(SAFETY_HEADERS)
            message = {**message, "headers": headers.raw}
        await send(message)

    return sending


def viewer_of(headers: Headers) -> str | None:
    """The viewer's secret that a request brings, if it brings one."""
    text = headers.get("cookie", "")
    if not text or len(text) > _MAX_COOKIE:
        return None
    jar: cookies.SimpleCookie = cookies.SimpleCookie()
    try:
        jar.load(text)
    except cookies.CookieError:
        return None
    return jar[COOKIE].value if COOKIE in jar else None
