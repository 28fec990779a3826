"""The page in a real browser: what a finger and an eye find. Needs Chromium (``apt`` has it)."""

import os
import shutil
import threading
from collections.abc import Iterator
from dataclasses import replace

import pytest

from meterlink.page.hub import Press
from meterlink.page.server import PageServer
from meterlink.visit.view import Key

from ..chromium import Chromium, Tab
from .fake_visit import IDLE, ON, UNQUIET, with_reading

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")

pytestmark = [
    pytest.mark.skipif(
        BROWSER is None, reason="no chromium on this machine (apt install chromium)"
    ),
    pytest.mark.skipif(os.name != "posix", reason="the debugging pipe needs POSIX descriptors"),
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Chromium]:
    assert BROWSER is not None
    with Chromium(BROWSER) as running:
        yield running


@pytest.fixture
def page() -> Iterator[PageServer]:
    with PageServer() as running:
        running.hub.trace(0.0, 4.31)
        running.hub.show(IDLE)
        yield running


@pytest.fixture
def phone(browser: Chromium, page: PageServer) -> Tab:
    tab = browser.open(page.address, width=360)
    tab.wait("document.querySelector('#instruction').textContent.startsWith('Plug')")
    return tab


def next_press(page: PageServer) -> Press:
    """The press that the visit gets; waits for its arrival without looking at a clock."""
    come = threading.Event()
    wake = page.hub.on_press
    page.hub.on_press = come.set
    try:
        presses = page.hub.presses()
        if not presses:
            assert come.wait(10.0)
            presses = page.hub.presses()
    finally:
        page.hub.on_press = wake
    (press,) = presses
    return press


def test_the_phone_shows_what_to_do_the_reading_and_the_map(phone: Tab) -> None:
    assert phone.text("#instruction") == IDLE.instruction
    assert phone.text("#why") == IDLE.why
    assert phone.text("#reading") == "4.31 mV AC"
    assert phone.text("#levels").startswith("idle")
    assert "Bed <b>1</b>" in phone.text("#map")
    assert phone.run("document.querySelectorAll('#map b').length") == 0
    assert phone.run("location.pathname + location.search") == "/"
    assert phone.complaints() == []


def test_a_key_goes_to_the_visit_and_the_answer_comes_back(phone: Tab, page: PageServer) -> None:
    phone.click("[data-key=load-on]")
    assert next_press(page) == Press(Key.LOAD_ON, IDLE.step)
    page.hub.show(with_reading(ON, 186.4))
    phone.wait("document.querySelector('#reading').textContent === '186.40 mV AC'")
    phone.wait("document.querySelector('[data-key=load-off]') !== null")
    assert phone.run("document.querySelector('[data-key=load-on]')") is None
    assert phone.complaints() == []


def test_what_cannot_be_undone_is_asked_twice(phone: Tab, page: PageServer) -> None:
    phone.click("[data-key=void]")
    phone.wait("document.querySelector('[data-key=void]').textContent.includes('again')")
    assert page.hub.presses() == []
    phone.click("[data-key=void]")
    assert next_press(page) == Press(Key.VOID, IDLE.step)


def test_a_note_keeps_what_was_typed(phone: Tab, page: PageServer) -> None:
    phone.click("[data-key=note]")
    phone.run("document.querySelector('#note').value = 'fan <i>on</i> 台所'")
    phone.click("#note-send")
    assert next_press(page) == Press(Key.NOTE, IDLE.step, "fan <i>on</i> 台所")
    phone.wait("document.querySelector('#noting').hidden")


def test_alerts_are_told_in_words(phone: Tab, page: PageServer) -> None:
    page.hub.show(UNQUIET)
    phone.wait("document.querySelector('#alerts').textContent.startsWith('! The lead at Desk')")
    assert phone.run("document.querySelector('#alerts').getAttribute('role')") == "alert"


def test_a_second_phone_watches_until_it_takes_over(
    browser: Chromium, phone: Tab, page: PageServer
) -> None:
    other = browser.open(page.address, width=1280)
    other.wait("!document.querySelector('#watching').hidden")
    assert other.run("document.querySelector('#keys').offsetParent") is None
    other.click("#operate")
    other.wait("document.querySelector('#watching').hidden")
    phone.wait("!document.querySelector('#watching').hidden")
    other.click("[data-key=load-on]")
    assert next_press(page) == Press(Key.LOAD_ON, IDLE.step)


def test_a_phone_without_network_says_so_and_catches_up(phone: Tab, page: PageServer) -> None:
    phone.call("Network.enable")
    cut = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    phone.call("Network.emulateNetworkConditions", offline=True, **cut)
    phone.run("window.dispatchEvent(new Event('offline'))")
    phone.wait("document.querySelector('#link').textContent.includes('lost')")
    assert phone.run("document.querySelector('[data-key=load-on]').disabled") is True
    page.hub.trace(30.0, 186.4)
    page.hub.show(with_reading(ON, 186.4))
    phone.call("Network.emulateNetworkConditions", offline=False, **cut)
    phone.run("window.dispatchEvent(new Event('online'))")
    phone.wait("document.querySelector('#reading').textContent === '186.40 mV AC'")
    phone.wait("document.querySelector('#link').textContent.includes('connected')")


@pytest.mark.parametrize(
    ("width", "name"), [(320, "N" * 200), (360, "مطبخ " * 40), (1280, "word " * 40)]
)
def test_nothing_sticks_out_sideways(
    browser: Chromium, page: PageServer, width: int, name: str
) -> None:
    rows = tuple(replace(row, name=name) for row in ON.map_rows)
    view = replace(ON, title=name, instruction=name, why=name, alerts=(name,), map_rows=rows)
    page.hub.show(with_reading(view, 118_450.25))
    tab = browser.open(page.address, width=width)
    tab.wait("document.querySelector('#instruction').textContent.length > 100")
    assert tab.run("document.documentElement.scrollWidth") <= width
