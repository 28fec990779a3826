"""The page's server: a thread of its own, so that a visit never waits for the network."""

import asyncio
import secrets
import socket
import threading
from typing import Self

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from drivers.closing import Closing
from meterlink.errors import MeterlinkError
from meterlink.page.app import Page
from meterlink.page.hub import Hub

LOOPBACK = "127.0.0.1"
REQUEST_TIMEOUT_S = 5.0  # for the head of a request to be there
MAX_HEAD_BYTES = 16 * 1024
MAX_CONNECTIONS = 100
_START_TIMEOUT_S = 10.0
_GONE_AFTER_MS = 20_000


class PageError(MeterlinkError):
    """The page cannot be served: no network, port taken."""


class _HastyProtocol(H11Protocol):
    """HTTP/1.1 that hangs up on who does not get a request together in time, and on crowds."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # theirs
        super().connection_made(transport)
        self._deadline = self.loop.call_later(REQUEST_TIMEOUT_S, self._expire)
        if len(self.connections) > MAX_CONNECTIONS:
            transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        self._deadline.cancel()
        super().connection_lost(exc)

    def _expire(self) -> None:
        if getattr(self, "cycle", None) is None:  # no request is whole yet
            self.transport.close()


class PageServer(Closing):
    """Serves the page while a visit runs.

    Use::

        with PageServer() as page:
            print(page.address)
            page.hub.show(view)
            for press in page.hub.presses(): ...

    Args:
        host: Numeric address to listen on; by default this computer only.
        port: 0 for any that is free.

    Attributes:
        hub: Where views are left and presses are found.
        address: What to open in a browser, with its key. Made anew each time.

    Raises:
        PageError: The address cannot be listened on.
    """

    def __init__(self, host: str = LOOPBACK, port: int = 0) -> None:
        self.hub = Hub()
        self._socket = _listen(host, port)
        port = self._socket.getsockname()[1]
        key = secrets.token_urlsafe(16)
        names = {host, "localhost"} if host == LOOPBACK else {host}
        self.address = f"http://{host}:{port}/join?key={key}"
        self._page = Page(self.hub, key=key, hosts=frozenset(f"{name}:{port}" for name in names))
        self._loop: asyncio.AbstractEventLoop | None = None
        self._server = uvicorn.Server(
            uvicorn.Config(
                self._page.asgi,
                http=_HastyProtocol,
                ws="none",
                lifespan="off",
                log_config=None,
                log_level="critical",
                access_log=False,
                proxy_headers=False,
                server_header=False,
                date_header=False,
                h11_max_incomplete_event_size=MAX_HEAD_BYTES,
                timeout_graceful_shutdown=1,
            )
        )
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    @property
    def refused(self) -> int:
        """Requests refused so far."""
        return self._page.asgi.refused

    def __enter__(self) -> Self:
        self._thread.start()
        if not self._ready.wait(_START_TIMEOUT_S):
            raise PageError("The page did not start. Run the visit without --page.")
        return self

    def close(self) -> None:
        """Stop serving; viewers see that the connection is gone."""
        self.hub.on_change = lambda: None
        if self._loop is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._page.close)
        self._server.should_exit = True
        self._thread.join(timeout=5.0)
        self._socket.close()

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        loop = asyncio.get_running_loop()
        self._loop = loop

        def ring() -> None:
            """From the visit's thread; a loop that has just ended has no viewers to wake."""
            try:
                loop.call_soon_threadsafe(self._page.ring)
            except RuntimeError:
                return

        self.hub.on_change = ring
        self._ready.set()
        await self._server.serve(sockets=[self._socket])


def lan_address() -> str:
    """This computer's address in the local network. Nothing is sent to find it.

    Raises:
        PageError: There is no network.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737: an address that nobody has
            host = str(probe.getsockname()[0])
        except OSError as error:
            raise PageError(
                "This computer is in no network, so that no phone can reach the page. Join the "
                "network that the phone is in, or leave --lan out."
            ) from error
    return host


def _listen(host: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if hasattr(socket, "TCP_USER_TIMEOUT"):  # where a phone is gone, its stream ends soon
            listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _GONE_AFTER_MS)
        listener.bind((host, port))
        listener.listen(MAX_CONNECTIONS)  # who comes before the loop runs waits, and is not refused
    except OSError as error:
        listener.close()
        raise PageError(
            f"The page cannot listen on {host}, port {port}: {error.strerror or error}. Give "
            "another port, or leave it to chance."
        ) from error
    return listener
