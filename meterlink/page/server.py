"""The page's server: a thread of its own, so that a visit never waits for the network.

And what the terminal says about it: where the page is, how a phone gets there, what it may do.
"""

import asyncio
import socket
import threading
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from typing import Any, Self

import segno
import uvicorn

from drivers.closing import Closing
from meterlink.errors import MeterlinkError
from meterlink.page.access import ACCESS_FILE, Access, keep, kept_access
from meterlink.page.app import Page
from meterlink.page.hub import Hub

LOOPBACK = "127.0.0.1"
REQUEST_TIMEOUT_S = 5.0  # for the head of a request to be there
MAX_HEAD_BYTES = 16 * 1024
MAX_WAITING = 50  # connections without a whole head
_BACKLOG = 100  # who comes before the loop runs waits, and is not refused
_START_TIMEOUT_S = 10.0
_GONE_AFTER_MS = 20_000


class PageError(MeterlinkError):
    """The page cannot be served: no network, port taken."""


class PageServer(Closing):
    """Serves the page while a visit runs.

    Use::

        with PageServer() as page:
            print(page.address)
            page.hub.show(view)
            for press in page.hub.presses(): ...

    Args:
        host: Numeric address to listen on; by default this computer only.
        port: 0 for the one that the job had last time, or any that is free.
        folder: Of the job, which keeps address and key; without it they are made anew.

    Attributes:
        hub: Where views are left and presses are found.
        address: What to open in a browser, with its key.
        has_moved: The job had another port, which is taken.

    Raises:
        PageError: The address cannot be listened on.
    """

    def __init__(self, host: str = LOOPBACK, port: int = 0, folder: Path | None = None) -> None:
        self.hub = Hub()
        access = kept_access(folder) if folder is not None else Access()
        self._socket = _listen_again(host, port or access.port, anywhere=port == 0)
        self.port = int(self._socket.getsockname()[1])
        self.has_moved = access.port not in (0, self.port)
        if folder is not None:
            keep(access, folder, self.port)
        names = {host, "localhost"} if host == LOOPBACK else {host}
        self.address = f"http://{host}:{self.port}/join?key={access.key}"
        hosts = frozenset(f"{name}:{self.port}" for name in names)
        self._page = Page(self.hub, access=access, hosts=hosts)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiting = _WaitingRoom()
        config = uvicorn.Config(
            self._page.asgi,
            http="h11",
            ws="none",
            lifespan="off",
            log_config=None,
            log_level="critical",
            access_log=False,
            proxy_headers=False,
            server_header=False,
            date_header=False,
            h11_max_incomplete_event_size=MAX_HEAD_BYTES,
            timeout_graceful_shutdown=3,
        )
        config.load()
        self._waiting.serve = config.http_protocol_class
        config.http_protocol_class = self._waiting.newcomer  # type: ignore[assignment]  # a factory does for a class
        self._server = uvicorn.Server(config)
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
        """Stop serving; viewers are told before."""
        self.hub.on_change = lambda: None
        if self._loop is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._page.close)
            self._loop.call_soon_threadsafe(self._waiting.close)
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


class _WaitingRoom:
    """Connections whose request is not there yet, each for a short time.

    Where it is full the one that has been silent for longest goes, so that a crowd that says
    nothing keeps nobody out.
    """

    def __init__(self) -> None:
        self.serve: Callable[..., asyncio.Protocol]
        self.inside: dict[_Newcomer, None] = {}  # oldest first

    def newcomer(self, **theirs: Any) -> asyncio.Protocol:
        """A protocol for a new connection; ``theirs``: what the server makes its own with."""
        return _Newcomer(self, lambda: self.serve(**theirs))

    def close(self) -> None:
        """Hang up on all."""
        for one in list(self.inside):
            one.hang_up()


class _Newcomer(asyncio.Protocol):
    """Collects the head of a request, then leaves the connection to who serves it."""

    def __init__(self, room: _WaitingRoom, make: Callable[[], asyncio.Protocol]) -> None:
        self._room = room
        self._make = make
        self._head = bytearray()
        self._transport: asyncio.Transport
        self._deadline: asyncio.TimerHandle

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        inside = self._room.inside
        if len(inside) >= MAX_WAITING:
            next(iter(inside)).hang_up()
        inside[self] = None
        self._deadline = asyncio.get_running_loop().call_later(REQUEST_TIMEOUT_S, self.hang_up)

    def data_received(self, data: bytes) -> None:
        self._head += data
        if b"\r\n\r\n" in self._head[-len(data) - 3 :] or len(self._head) > MAX_HEAD_BYTES:
            self._leave()
            server = self._make()
            self._transport.set_protocol(server)
            server.connection_made(self._transport)
            server.data_received(bytes(self._head))

    def connection_lost(self, exc: Exception | None) -> None:
        del exc
        self._leave()

    def hang_up(self) -> None:
        """Close the connection without a word."""
        self._leave()
        self._transport.abort()

    def _leave(self) -> None:
        self._deadline.cancel()
        self._room.inside.pop(self, None)


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


def _listen_again(host: str, port: int, *, anywhere: bool) -> socket.socket:
    """Listen where the page was before, or where that is taken (and may be) anywhere."""
    try:
        return _listen(host, port)
    except PageError:
        if not (port and anywhere):
            raise
    return _listen(host, 0)


def _listen(host: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if hasattr(socket, "TCP_USER_TIMEOUT"):  # where a phone is gone, its stream ends soon
            listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _GONE_AFTER_MS)
        listener.bind((host, port))
        listener.listen(_BACKLOG)
    except OSError as error:
        listener.close()
        raise PageError(
            f"The page cannot listen on {host}, port {port}: {error.strerror or error}. Give "
            "another port, or leave it to chance."
        ) from error
    return listener


_RIM = 2  # modules; ISO/IEC 18004 asks for four, cameras do with two (common practice)


def invitation(page: PageServer) -> list[str]:
    """Lines to print, with a code for a phone where it can be reached by one."""
    lines = [f"Page: {page.address}"]
    if f"//{LOOPBACK}:" in page.address:
        return [*lines, "Only this computer can open it. For a phone in the same network: --lan."]
    scan = "The address is a new one: scan it again." if page.has_moved else ""
    return [
        *lines,
        *([scan] if scan else []),
        *code_lines(page.address),
        "Whoever has this address can press the visit's keys and see its map, nothing else.",
        f"It stays the same for this job; to change its key, delete {ACCESS_FILE} in the folder.",
        "It goes over the local network unencrypted: use a network whose members you trust.",
    ]


def code_lines(address: str) -> list[str]:
    """An address as a code for a camera, two modules a character, for dark terminals.

    Args:
        address: ASCII text of up to some 150 characters, to fit a terminal of 80 columns.
    """
    drawn = StringIO()
    segno.make_qr(address, error="l").terminal(drawn, border=_RIM, compact=True)
    return drawn.getvalue().splitlines()
