"""Who is let in, asked of the guard itself: no server, no network, any request."""

import asyncio
import os
import socket
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse

from meterlink.page import server
from meterlink.page.access import JOIN_PATH, VIEWER, Access, Guard, keep, kept_access
from meterlink.page.server import PageError, lan_address

HOST = "192.168.1.7:8321"
ACCESS = Access("k" * 22)
TEXT = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60)


def asked(
    path: str = "/events",
    *,
    method: str = "GET",
    kind: str = "http",
    query: bytes = b"",
    headers: dict[str, str] | None = None,
    guard: Guard | None = None,
) -> tuple[int, str, dict[str, str], dict]:
    """What the guard answers: status, body, headers, and the scope that the page saw."""
    seen: dict = {}

    async def page(scope, receive, send) -> None:
        seen.update(scope)
        if scope["type"] == "http":
            await PlainTextResponse("the page")(scope, receive, send)

    if guard is None:
        guard = Guard(page, access=ACCESS, hosts=frozenset({HOST}), style_hash="abc=")
    sent: list[dict] = []

    async def send(message) -> None:
        sent.append(message)

    async def receive() -> dict:
        return {"type": "http.request"}

    given_headers = {"host": HOST} | (headers or {})
    scope = {
        "type": kind,
        "method": method,
        "path": path,
        "query_string": query,
        "headers": [(k.encode(), v.encode("latin-1")) for k, v in given_headers.items()],
    }
    asyncio.run(guard(scope, receive, send))
    if not sent:
        return 0, "", {}, seen
    found = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
    return sent[0]["status"], sent[1]["body"].decode(), found, seen


def cookie(ticket: str) -> dict[str, str]:
    return {"cookie": f"{ACCESS.cookie}={ticket}"}


def test_a_viewer_with_a_ticket_reaches_the_page_under_its_name() -> None:
    ticket = ACCESS.ticket()
    status, body, headers, seen = asked(headers=cookie(ticket))
    assert (status, body) == (200, "the page")
    assert seen[VIEWER] == ticket.partition(".")[0]
    assert headers["cache-control"] == "no-store"
    assert "'sha256-abc='" in headers["content-security-policy"]


@given(TEXT, TEXT)
def test_no_made_up_ticket_is_one(name: str, signature: str) -> None:
    headers = Headers({"cookie": f"{ACCESS.cookie}={name}.{signature}"})
    assert ACCESS.viewer(headers) is None
    assert not ACCESS.opens(name)


@given(st.integers(0, 200), st.characters(min_codepoint=48, max_codepoint=122))
def test_a_ticket_with_one_character_changed_is_none(at: int, other: str) -> None:
    ticket = ACCESS.ticket()
    at %= len(ticket)
    changed = ticket[:at] + other + ticket[at + 1 :]
    found = ACCESS.viewer(Headers(cookie(changed)))
    assert (found is not None) == (changed == ticket)


def test_a_ticket_of_another_key_is_none_even_under_the_right_name() -> None:
    other = Access("x" * 22)
    assert ACCESS.viewer(Headers(cookie(other.ticket()))) is None
    assert other.cookie != ACCESS.cookie


@pytest.mark.parametrize(
    ("text", "admitted"),
    [("", False), ("=" * 5000, False), ("a=b; " * 10, False), ('\x7f="', False)],
)
def test_a_cookie_that_cannot_be_read_admits_nobody(text: str, admitted: bool) -> None:
    status, *_ = asked(headers={"cookie": text})
    assert (status == 200) is admitted


REFUSED = {
    "another host": ({"host": "evil.example"}, "GET", 421),
    "another origin": ({"origin": "http://evil.example"}, "GET", 403),
    "a press from nowhere": ({}, "POST", 403),
    "another site": ({"sec-fetch-site": "cross-site"}, "GET", 403),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_request_that_is_not_of_the_page_itself_is_refused_whatever_its_ticket(name: str) -> None:
    headers, method, status = REFUSED[name]
    found = asked(method=method, headers=cookie(ACCESS.ticket()) | headers)
    assert found[0] == status
    assert VIEWER not in found[3]  # the page saw nothing of it
    assert found[2]["x-content-type-options"] == "nosniff"


def test_a_press_of_the_page_itself_comes_through() -> None:
    own = {"origin": f"http://{HOST}"} | cookie(ACCESS.ticket())
    assert asked("/key", method="POST", headers=own)[0] == 200


def test_an_address_that_is_too_long_is_refused_and_a_link_from_elsewhere_may_join() -> None:
    assert asked(query=b"q" * 201, headers=cookie(ACCESS.ticket()))[0] == 414
    linked = {"sec-fetch-site": "cross-site"}
    assert asked(JOIN_PATH, headers=linked)[0] == 200  # it still needs the key


@pytest.mark.parametrize("path", ["/", "/plain"])
def test_who_has_no_ticket_is_told_on_a_page_and_elsewhere_in_a_line(path: str) -> None:
    status, body, _, _ = asked(path)
    assert status == 403
    assert body.startswith("<!DOCTYPE html>")
    assert "Scan the code" in body
    assert asked("/events")[1].startswith("This page is for the person at the meter")


def test_only_http_is_served_and_every_refusal_is_counted() -> None:
    passed: list[str] = []

    async def page(scope, receive, send) -> None:
        passed.append(scope["type"])

    guard = Guard(page, access=ACCESS, hosts=frozenset({HOST}), style_hash="abc=")
    assert asked(kind="websocket", guard=guard)[0] == 0
    assert guard.refused == 1
    asked(guard=guard)
    assert guard.refused == 2
    asked(kind="lifespan", guard=guard)
    assert passed == ["lifespan"]
    assert guard.refused == 2


# what a job keeps


def test_a_key_is_kept_for_its_owner_and_found_again(tmp_path: Path) -> None:
    access = Access()
    assert keep(access, tmp_path, 8321)
    found = kept_access(tmp_path)
    assert (found.key, found.port) == (access.key, 8321)
    assert (tmp_path / "page.json").stat().st_mode & 0o077 == 0
    assert keep(found, tmp_path, 8321)  # as it was: nothing is written
    assert ACCESS.opens(ACCESS.key)


@pytest.mark.parametrize("port", [0, -1, 65536, True, "8321", None])
def test_a_port_that_is_none_makes_a_new_key(tmp_path: Path, port: object) -> None:
    keep(Access("a" * 22), tmp_path, 8321)
    path = tmp_path / "page.json"
    path.write_text(path.read_text().replace("8321", repr(port).replace("'", '"')))
    assert kept_access(tmp_path).port == 0
    assert kept_access(tmp_path).key != "a" * 22


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_a_pipe_in_the_place_of_the_kept_key_holds_nothing_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "page.json", 0o600)
    assert kept_access(tmp_path).port == 0


# where a phone finds it


class PlayedSocket:
    def __init__(self, address: str | None) -> None:
        self.address = address
        self.asked: list[object] = []

    def __call__(self, *kind: object) -> "PlayedSocket":
        return self

    def __enter__(self) -> "PlayedSocket":
        return self

    def __exit__(self, *error: object) -> None:
        pass

    def connect(self, where: object) -> None:
        self.asked.append(where)
        if self.address is None:
            raise OSError("Network is unreachable")

    def getsockname(self) -> tuple[str, int]:
        return str(self.address), 1


def test_the_address_in_the_local_network_is_that_of_the_way_out(monkeypatch) -> None:
    played = PlayedSocket("192.168.1.7")
    names = {name: getattr(socket, name) for name in ("AF_INET", "SOCK_DGRAM")}
    monkeypatch.setattr(server, "socket", SimpleNamespace(socket=played, **names))
    assert lan_address() == "192.168.1.7"
    assert played.asked == [("192.0.2.1", 9)]  # RFC 5737: documentation, nobody's address


def test_without_a_network_the_page_says_what_to_do(monkeypatch) -> None:
    names = {name: getattr(socket, name) for name in ("AF_INET", "SOCK_DGRAM")}
    monkeypatch.setattr(server, "socket", SimpleNamespace(socket=PlayedSocket(None), **names))
    with pytest.raises(PageError, match="leave --lan out"):
        lan_address()
