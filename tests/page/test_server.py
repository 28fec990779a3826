import http.client
import json
import os
import re
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

import pytest
import uvicorn

from meterlink.page import app, server
from meterlink.page.access import ACCESS_FILE, kept_access
from meterlink.page.hub import Press
from meterlink.page.server import PageError, PageServer
from meterlink.visit.view import Command, Key

from .fake_visit import EVERY, IDLE, ON, PAPERS, SET_UP, TYPED


class Client:
    """Speaks to the page as a browser does: with a cookie and an origin."""

    def __init__(self, page: PageServer) -> None:
        parts = urlsplit(page.address)
        self.host = parts.netloc
        self.join_path = f"{parts.path}?{parts.query}"
        self.cookie = ""

    def ask(
        self, method: str, path: str, body: bytes | None = None, **headers: str | None
    ) -> tuple[int, dict[str, str], bytes]:
        sent: dict[str, str | None] = {"Host": self.host, "Cookie": self.cookie or None}
        if method == "POST":
            sent["Origin"] = f"http://{self.host}"
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        connection = http.client.HTTPConnection(self.host, timeout=10)
        try:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in sent.items():
                if value is not None:
                    connection.putheader(name, value)
            if body is not None:
                connection.putheader("Content-Length", str(len(body)))
            connection.endheaders(body)
            answer = connection.getresponse()
            found = {name.lower(): value for name, value in answer.getheaders()}
            return answer.status, found, answer.read()
        finally:
            connection.close()

    def join(self) -> None:
        status, headers, _ = self.ask("GET", self.join_path)
        assert status == 303
        assert headers["location"] == "/"
        self.cookie = headers["set-cookie"].split(";")[0]

    def press(self, key: str, step: int, **more: Any) -> int:
        body = json.dumps({"key": key, "step": step, **more}).encode()
        return self.ask("POST", "/key", body)[0]


@pytest.fixture(scope="module")
def page() -> Iterator[PageServer]:
    with PageServer() as running:
        yield running


@pytest.fixture
def client(page: PageServer) -> Client:
    made = Client(page)
    made.join()
    page.hub.take_over(made.cookie.split("=", 1)[1].split(".")[0])
    page.hub.presses()
    page.hub.show(ON)
    page.hub.show(IDLE)
    return made


def test_the_address_gives_a_cookie_and_the_key_leaves_the_address_bar(page: PageServer) -> None:
    client = Client(page)
    status, headers, _ = client.ask("GET", client.join_path)
    assert (status, headers["location"]) == (303, "/")
    assert "HttpOnly" in headers["set-cookie"]
    assert "samesite=lax" in headers["set-cookie"].lower()
    assert client.join_path.split("key=")[1] not in headers["set-cookie"]


@pytest.mark.parametrize("path", ["/", "/page.css", "/page.js", "/icon.svg"])
def test_an_admitted_viewer_gets_the_page_under_a_strict_policy(client: Client, path: str) -> None:
    status, headers, body = client.ask("GET", path)
    assert status == 200
    assert body
    assert headers["content-security-policy"].startswith("default-src 'none'; script-src 'self'")
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"
    assert headers["connection"] == "close"


def test_a_press_reaches_the_visit(page: PageServer, client: Client) -> None:
    assert client.press("load-on", IDLE.step) == 204
    assert client.press("note", IDLE.step, text="a <b>note</b>") == 204
    assert page.hub.presses() == [
        Press(Key.LOAD_ON, IDLE.step),
        Press(Key.NOTE, IDLE.step, "a <b>note</b>"),
    ]


def test_a_test_of_ones_own_and_receptacles_to_leave_out_reach_the_visit(
    page: PageServer, client: Client
) -> None:
    page.hub.show(SET_UP)
    assert client.press("choose", SET_UP.step, text="ng 2 1") == 204
    assert client.press("not-now", SET_UP.step, text="3") == 204
    assert page.hub.presses() == [
        Press(Command.CHOOSE, SET_UP.step, "ng 2 1"),
        Press(Command.NOT_NOW, SET_UP.step, "3"),
    ]


def test_what_is_no_test_is_refused_with_the_reason(page: PageServer, client: Client) -> None:
    page.hub.show(SET_UP)
    body = {"key": "choose", "step": SET_UP.step, "text": "nn 1 1 2"}
    status, _, answer = client.ask("POST", "/key", json.dumps(body).encode())
    assert status == 409
    assert b"Both leads are at 'Door'" in answer
    assert client.press("not-now", SET_UP.step, text="<b>") == 409
    assert page.hub.presses() == []


@pytest.mark.parametrize("word", ["choose", "not-now"])
def test_a_choice_from_elsewhere_is_refused_like_any_key(
    page: PageServer, client: Client, word: str
) -> None:
    page.hub.show(SET_UP)
    text = "ng 1 2" if word == "choose" else "1"
    body = json.dumps({"key": word, "step": SET_UP.step, "text": text}).encode()
    foreign: list[dict[str, str | None]] = [
        {"Cookie": None},
        {"Cookie": client.cookie.split("=")[0] + "=guess.guess"},
        {"Cookie": client.cookie[:-1] + ("0" if client.cookie[-1] != "0" else "1")},
        {"Origin": "http://evil.example"},
        {"Origin": None},
        {"Sec_Fetch_Site": "cross-site"},
    ]
    for headers in foreign:
        assert client.ask("POST", "/key", body, **headers)[0] == 403
    assert client.ask("POST", "/key", body, Host="evil.example")[0] == 421
    watching = Client(page)
    watching.join()
    assert watching.ask("POST", "/key", body)[0] == 409
    assert page.hub.presses() == []


def test_a_press_that_is_late_or_doubled_does_nothing(page: PageServer, client: Client) -> None:
    assert client.press("load-on", IDLE.step) == 204
    assert client.press("load-on", IDLE.step) == 409
    assert client.press("load-off", IDLE.step) == 409
    assert client.press("stop", ON.step) == 409  # a step that has not come yet
    assert page.hub.presses() == [Press(Key.LOAD_ON, IDLE.step)]


BODIES = {
    "nothing": b"",
    "rubbish": b"\xff\x00{",
    "a list": b"[]",
    "another key": b'{"key":"format-disk","step":1}',
    "a word of the terminal only": b'{"key":"report","step":1}',
    "a key that is no text": b'{"key":["stop"],"step":1}',
    "no step": b'{"key":"stop"}',
    "a step that is no number": b'{"key":"stop","step":"1"}',
    "a step that is true": b'{"key":"stop","step":true}',
    "a huge number": b'{"key":"stop","step":1' + b"0" * 4000 + b"}",
    "a note that is no text": b'{"key":"note","step":1,"text":{}}',
    "a note that is too long": json.dumps({"key": "note", "step": 1, "text": "n" * 501}).encode(),
    "deep nesting": b"[" * 4000,
}


@pytest.mark.parametrize("name", BODIES)
def test_a_body_that_is_no_key_press_is_refused(
    page: PageServer, client: Client, name: str
) -> None:
    status, _, _ = client.ask("POST", "/key", BODIES[name])
    assert status in (400, 409)
    assert page.hub.presses() == []


HOSTILE: dict[str, tuple[str, str, dict[str, str | None], int]] = {
    "no cookie": ("GET", "/", {"Cookie": None}, 403),
    "no cookie for events": ("GET", "/events", {"Cookie": None}, 403),
    "no cookie for the page without script": ("GET", "/plain", {"Cookie": None}, 403),
    "no cookie for the report": ("GET", "/report.html", {"Cookie": None}, 403),
    "a guessed cookie": ("GET", "/", {"Cookie": "meterlink_viewer=guess"}, 403),
    "a cookie of rubbish": ("GET", "/", {"Cookie": '"\\;=;,\x7f' * 50}, 403),
    "a cookie of 5,000 bytes": ("GET", "/", {"Cookie": "a" * 5000}, 403),
    "another host": ("GET", "/", {"Host": "evil.example"}, 421),
    "a host made to point here": ("GET", "/", {"Host": "evil.example:80"}, 421),
    "the host without its port": ("GET", "/", {"Host": "127.0.0.1"}, 421),
    "a foreign origin": ("POST", "/key", {"Origin": "http://evil.example"}, 403),
    "an origin of null": ("POST", "/key", {"Origin": "null"}, 403),
    "the origin over another scheme": ("POST", "/key", {"Origin": "https://127.0.0.1"}, 403),
    "no origin for a press": ("POST", "/key", {"Origin": None}, 403),
    "a foreign origin that only looks": ("GET", "/events", {"Origin": "http://evil.example"}, 403),
    "a request across sites": ("GET", "/events", {"Sec_Fetch_Site": "cross-site"}, 403),
    "a wrong key": ("GET", "/join?key=guess", {}, 403),
    "an empty key": ("GET", "/join", {}, 403),
    "a key twice as long": ("GET", "/join?key=" + "x" * 190, {}, 403),
    "a very long address": ("GET", "/join?key=" + "x" * 3000, {}, 414),
    "the parent folder": ("GET", "/../../etc/passwd", {}, 404),
    "the parent folder in disguise": ("GET", "/%2e%2e/%2e%2e/etc/passwd", {}, 404),
    "a file of the program": ("GET", "/page.py", {}, 404),
    "a file beside the page": ("GET", "/static/page.js", {}, 404),
    "another method": ("DELETE", "/key", {}, 405),
    "a press by GET": ("GET", "/key", {}, 405),
    "a method of its own": ("BREW", "/", {}, 405),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_everything_else_is_refused(page: PageServer, client: Client, name: str) -> None:
    method, path, headers, expected = HOSTILE[name]
    status, found, body = client.ask(method, path, None, **headers)
    assert status == expected
    assert len(body) < 700
    assert b"Traceback" not in body
    assert "content-security-policy" in found
    assert "set-cookie" not in found
    assert page.hub.presses() == []


def test_two_hosts_are_one_too_many(client: Client) -> None:
    text = f"GET / HTTP/1.1\r\nHost: {client.host}\r\nHost: evil.example\r\n\r\n"
    assert exchange(client, text.encode()).startswith((b"HTTP/1.1 421", b"HTTP/1.1 400"))


@pytest.mark.parametrize("size", [app.MAX_BODY_BYTES + 1, 1_000_000])
def test_a_body_that_is_too_large_is_cut_off(client: Client, page: PageServer, size: int) -> None:
    head = (
        f"POST /key HTTP/1.1\r\nHost: {client.host}\r\nCookie: {client.cookie}\r\n"
        f"Origin: http://{client.host}\r\nContent-Length: {size}\r\n\r\n"
    )
    assert exchange(client, head.encode() + b"x" * size).startswith(b"HTTP/1.1 413")
    assert page.hub.presses() == []


@pytest.mark.parametrize(
    "rubbish",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
        b"GET\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"\x00" * 1000,
        b"GET / HTTP/1.1\r\n" + b"X: " + b"y" * 40_000 + b"\r\n\r\n",
    ],
)
def test_what_is_no_request_is_hung_up_on(client: Client, rubbish: bytes) -> None:
    answer = exchange(client, rubbish)
    assert answer == b"" or b" 4" in answer[:12]


def test_a_head_that_does_not_come_is_hung_up_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "REQUEST_TIMEOUT_S", 0.05)
    with PageServer() as page:
        assert exchange(Client(page), b"GET / HTTP/1.1\r\nHost: ", hang_up=False) == b""
        assert exchange(Client(page), b"", hang_up=False) == b""


def test_a_body_that_trickles_is_hung_up_on(
    page: PageServer, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(app, "BODY_TIMEOUT_S", 0.05)
    head = (
        f"POST /key HTTP/1.1\r\nHost: {client.host}\r\nCookie: {client.cookie}\r\n"
        f"Origin: http://{client.host}\r\nContent-Length: 100\r\n\r\n{{"
    )
    assert exchange(client, head.encode(), hang_up=False).startswith(b"HTTP/1.1 408")
    assert page.hub.presses() == []


@pytest.mark.parametrize("said", [b"", b"GET / HT"])
def test_a_silent_crowd_without_a_key_shuts_no_phone_out(said: bytes) -> None:
    with PageServer() as page:
        page.hub.show(IDLE)
        client = Client(page)
        client.join()
        viewer = Events(client)
        assert viewer.next()["view"]["title"] == "Test 7"
        host, port = client.host.split(":")
        crowd = [socket.create_connection((host, int(port)), timeout=10) for _ in range(150)]
        for one in crowd:
            one.sendall(said)
        other = Client(page)  # a second phone comes while they sit there
        other.join()
        assert other.ask("GET", "/")[0] == 200
        assert client.press("load-on", IDLE.step) == 204
        page.hub.show(ON)
        assert viewer.next()["view"]["step"] == ON.step
        assert [gone(one) for one in crowd[:90]] == [True] * 90  # the oldest make room
        for one in crowd:
            one.close()
        viewer.close()


def gone(connection: socket.socket) -> bool:
    """Whether the page has hung up; waits for that."""
    try:
        return connection.recv(1) == b""
    except ConnectionResetError:
        return True


def test_events_tell_the_view_then_changes(page: PageServer, client: Client) -> None:
    viewer = Events(client)
    assert viewer.next()["view"]["instruction"] == IDLE.instruction
    page.hub.show(ON)
    assert viewer.next()["view"]["step"] == ON.step
    viewer.close()


def test_at_the_end_viewers_are_told_that_it_was_meant() -> None:
    with PageServer() as page:
        page.hub.show(IDLE)
        client = Client(page)
        client.join()
        viewer = Events(client)
        viewer.next()
    assert viewer.next() == {"over": True}
    viewer.close()


def test_map_report_and_label_are_there_once_they_are_made() -> None:
    with PageServer() as page:
        client = Client(page)
        client.join()
        assert client.ask("GET", "/report.html")[0] == 404
        page.hub.keep(PAPERS)
        kinds = {}
        for path, text in (
            ("/map.svg", PAPERS.map_svg),
            ("/report.html", PAPERS.report),
            ("/label.txt", PAPERS.label),
        ):
            status, headers, body = client.ask("GET", path)
            assert (status, body.decode()) == (200, text)
            kinds[path] = headers["content-type"].split(";")[0]
        assert kinds == {
            "/map.svg": "image/svg+xml", "/report.html": "text/html", "/label.txt": "text/plain"
        }  # fmt: skip


# -- the page without script -------------------------------------------------------------------


@pytest.mark.parametrize("name", EVERY)
def test_without_script_each_state_can_be_read_and_asks_again_by_itself(
    page: PageServer, client: Client, name: str
) -> None:
    view = EVERY[name]
    page.hub.show(view)
    status, headers, body = client.ask("GET", "/plain")
    text = body.decode()
    assert status == 200
    assert view.instruction in text
    assert ("refresh" in headers) == (name != "typed")
    assert "refresh" not in client.ask("GET", "/plain?still=1")[1]
    assert "Bed <b>" not in text
    for button in view.buttons:
        assert (button.label in text) == (button.key is not Key.NOTE)


def form(client: Client, **fields: object) -> int:
    return client.ask("POST", "/plain", urlencode(fields).encode())[0]


def test_without_script_keys_are_pressed_by_forms(page: PageServer, client: Client) -> None:
    run = page.hub.run
    assert form(client, key="load-on", step=IDLE.step, run=run) == 303
    assert form(client, key="load-on", step=IDLE.step, run=run) == 200  # said on the page
    page.hub.show(TYPED)
    assert form(client, key="idle", step=TYPED.step, run=run, text="6.5") == 303
    assert form(client, key="stop", step=TYPED.step, run="before") == 200
    assert form(client, key="stop", step="9" * 30, run=run) == 200
    assert form(client, rubbish="1") == 200
    assert form(client, **{f"rubbish{n}": "1" for n in range(20)}) == 400
    assert page.hub.presses() == [
        Press(Key.LOAD_ON, IDLE.step),
        Press(Command.IDLE, TYPED.step, "6.5"),
    ]


def test_without_script_a_second_phone_takes_control(page: PageServer, client: Client) -> None:
    other = Client(page)
    other.join()
    assert b"Another phone is in control." in other.ask("GET", "/plain")[2]
    assert form(other, key="operate") == 303
    assert b"Another phone is in control." not in other.ask("GET", "/plain")[2]
    assert b"Another phone is in control." in client.ask("GET", "/plain")[2]


# -- address, key and tickets ------------------------------------------------------------------


def test_a_restart_keeps_address_key_and_tickets(tmp_path: Path) -> None:
    with PageServer(folder=tmp_path) as page:
        client = Client(page)
        client.join()
        address = page.address
    with PageServer(folder=tmp_path) as again:
        again.hub.show(IDLE)
        assert again.address == address
        assert not again.has_moved
        assert client.ask("GET", "/")[0] == 200
        viewer = Events(client)
        assert viewer.next()["operator"] is True
        viewer.close()


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")
def test_the_key_on_the_disk_is_for_its_owner_only_and_is_made_anew_where_it_was_not(
    tmp_path: Path,
) -> None:
    with PageServer(folder=tmp_path) as page:
        first = page.address
    path = tmp_path / ACCESS_FILE
    assert path.stat().st_mode & 0o777 == 0o600
    path.chmod(0o644)
    with PageServer(folder=tmp_path) as page:
        assert page.address.split("key=")[1] != first.split("key=")[1]
    assert path.stat().st_mode & 0o777 == 0o600


def test_where_the_port_is_taken_another_one_is_used_and_said(tmp_path: Path) -> None:
    with PageServer(folder=tmp_path) as page, PageServer(folder=tmp_path) as other:
        assert other.port != page.port
        assert other.has_moved


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", '{"key": "short", "port": 80}', '{"key": 5, "port": 80}', "\x00" * 5000]
    + [f'{{"key": "{"k" * 22}", "port": {port}}}' for port in ("0", "-1", "70000", "true", '"a"')],
)
def test_a_damaged_key_file_is_no_key(tmp_path: Path, text: str) -> None:
    path = tmp_path / ACCESS_FILE
    path.write_text(text)
    path.chmod(0o600)
    access = kept_access(tmp_path)
    assert access.port == 0
    assert len(access.key) >= 22
    assert access.key != "k" * 22


def test_a_folder_that_cannot_be_written_has_a_page_all_the_same(tmp_path: Path) -> None:
    with PageServer(folder=tmp_path / "not there") as page:
        client = Client(page)
        client.join()


def test_two_visits_on_one_computer_share_no_cookie() -> None:
    with PageServer() as one, PageServer() as other:
        first, second = Client(one), Client(other)
        first.join()
        second.join()
        assert first.cookie.split("=")[0] != second.cookie.split("=")[0]
        first.cookie = second.cookie = f"{first.cookie}; {second.cookie}"  # as a browser sends them
        assert first.ask("GET", "/")[0] == second.ask("GET", "/")[0] == 200
        name = first.cookie.split("=")[0]
        swapped = f"{name}={second.cookie.split('=')[2]}"
        assert first.ask("GET", "/", Cookie=swapped)[0] == 403


@pytest.mark.parametrize("path", ["/join?key=guess", "/join", "/", "/plain"])
def test_who_has_no_key_gets_a_page_that_says_what_to_do(page: PageServer, path: str) -> None:
    status, headers, body = Client(page).ask("GET", path)
    assert status == 403
    assert headers["content-type"].startswith("text/html")
    assert b"Scan the code that the laptop shows" in body
    assert b"width=device-width" in body


def test_a_viewer_that_comes_again_keeps_its_place(page: PageServer, client: Client) -> None:
    status, headers, _ = client.ask("GET", client.join_path)
    assert status == 303
    assert "set-cookie" not in headers


def test_a_port_that_is_taken_is_named(page: PageServer) -> None:
    port = urlsplit(page.address).port
    assert port is not None
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(PageError, match="cannot listen"):
            PageServer(port=taken.getsockname()[1])


def test_without_a_folder_each_run_has_a_key_of_its_own() -> None:
    with PageServer() as one, PageServer() as other:
        assert one.address.split("key=")[1] != other.address.split("key=")[1]
        assert len(one.address.split("key=")[1]) >= 22


def exchange(client: Client, data: bytes, *, hang_up: bool = True) -> bytes:
    """Send bytes and read until the page hangs up."""
    host, port = client.host.split(":")
    with socket.create_connection((host, int(port)), timeout=10) as connection:
        try:
            connection.sendall(data)
            if hang_up:
                connection.shutdown(socket.SHUT_WR)
        except OSError:
            pass
        answer = b""
        try:
            while piece := connection.recv(65536):
                answer += piece
        except ConnectionError:
            pass
        return answer


class Events:
    """An open stream of events."""

    def __init__(self, client: Client) -> None:
        self._connection = http.client.HTTPConnection(client.host, timeout=10)
        self._connection.request("GET", "/events", headers={"Cookie": client.cookie})
        self._stream = self._connection.getresponse()
        assert self._stream.getheader("content-type", "").startswith("text/event-stream")

    def next(self) -> Any:
        """The next message that says something."""
        while True:
            line = self._stream.readline()
            assert line, "the stream ended"
            if line.startswith(b"data: ") and line != b"data: {}\n" and b"edition" not in line:
                return json.loads(line[6:])

    def close(self) -> None:
        self._stream.close()
        self._connection.close()


def test_only_what_uvicorn_offers_is_used() -> None:
    """Its names in ``__all__``, and no module within it."""
    sources = [path.read_text(encoding="utf-8") for path in Path(app.__file__).parent.glob("*.py")]
    used = {name for text in sources for name in re.findall(r"\buvicorn\.(\w+)", text)}
    assert used <= set(uvicorn.__all__)
    assert not any(re.search(r"(from|import) uvicorn\.", text) for text in sources)
