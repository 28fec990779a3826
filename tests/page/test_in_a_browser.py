"""The page in a real browser: what a finger and an eye find. Needs Chromium (``apt`` has it)."""

import os
import shutil
import threading
from collections.abc import Iterator
from dataclasses import replace

import pytest

from meterlink.circuit.setup import Hookup
from meterlink.page.hub import Press
from meterlink.page.server import PageServer
from meterlink.visit.view import Key, Word

from ..chromium import Chromium, Tab
from .fake_visit import IDLE, ON, SET_UP, UNQUIET, with_reading

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


def set_up(phone: Tab, page: PageServer) -> None:
    page.hub.show(SET_UP)
    phone.wait("document.querySelector('[data-key=ready]') !== null")


def pick(phone: Tab, **values: str) -> None:
    """Choose in lists as a finger does."""
    for name, value in values.items():
        field = f"document.querySelector('#{name.replace('_', '-')}')"
        phone.run(f"{field}.value = '{value}'; {field}.dispatchEvent(new Event('change'))")


def press_key(tab: Tab, key: str, code: int = 0) -> None:
    """A key of a real keyboard."""
    text = {"text": "\r"} if key == "Enter" else {"text": key} if len(key) == 1 else {}
    common = {"key": key, "windowsVirtualKeyCode": code}
    tab.call("Input.dispatchKeyEvent", type="keyDown", **common, **text)
    tab.call("Input.dispatchKeyEvent", type="keyUp", **common)


FOCUSED = "(document.activeElement.id || document.activeElement.value)"


def test_a_person_takes_a_test_of_their_own(phone: Tab, page: PageServer) -> None:
    set_up(phone, page)
    phone.click("#choose-open")
    phone.wait(f"{FOCUSED} === 'hookup'")
    assert phone.run("document.querySelector('#lead-b').hidden") is True
    pick(phone, hookup="nn", lead_a="3", lead_b="5", load_at="4")
    assert phone.text("#lead-a-label") == "First lead at"
    phone.click("#choose-send")
    assert next_press(page) == Press(Word.CHOOSE, SET_UP.step, "nn 3 5 4")
    phone.wait("document.querySelector('#choosing').hidden")
    phone.wait(f"{FOCUSED} === 'instruction'")
    assert phone.run("window.scrollY") == 0
    assert phone.complaints() == []


def test_a_choice_that_is_not_whole_or_no_test_is_told_and_kept(
    phone: Tab, page: PageServer
) -> None:
    set_up(phone, page)
    phone.click("#choose-open")
    pick(phone, hookup="nn", lead_a="1", lead_b="1")
    phone.click("#choose-send")
    phone.wait("document.querySelector('#answer').textContent.startsWith('Choose where')")
    phone.wait(f"{FOCUSED} === 'load-at'")
    pick(phone, load_at="2")
    phone.click("#choose-send")
    phone.wait("document.querySelector('#answer').textContent.includes('Both leads are at')")
    assert phone.run("document.querySelector('#choosing').hidden") is False
    assert page.hub.presses() == []


def test_receptacles_are_left_out_and_taken_in_again(phone: Tab, page: PageServer) -> None:
    set_up(phone, page)
    assert phone.text("#left-out") == "Left out for now: 2"
    phone.click("#leave-open")
    names = "[...document.querySelectorAll('#leave-list label')].map((l) => l.textContent)"
    assert phone.run(names) == list(SET_UP.choices.receptacles)
    assert phone.run("document.querySelectorAll('#leave-list b').length") == 0
    assert phone.run("document.querySelector('#leave-list input[value=\"5\"]').checked") is True
    phone.click("#leave-list input[value='5']")
    phone.click("#leave-list input[value='3']")
    phone.click("#leave-send")
    assert next_press(page) == Press(Word.NOT_NOW, SET_UP.step, "3 5")
    phone.wait("document.querySelector('#leaving').hidden")
    page.hub.show(replace(SET_UP, step=6, choices=replace(SET_UP.choices, not_now=("Desk",))))
    phone.wait("document.querySelector('#left-out').textContent === 'Left out for now: Desk'")
    phone.click("#leave-open")
    phone.click("#leave-send")  # nothing is changed: nothing is sent
    phone.wait("document.querySelector('#leaving').hidden")
    assert page.hub.presses() == []


@pytest.mark.parametrize("width", [360, 1280])
def test_both_can_be_done_with_a_keyboard_alone(
    browser: Chromium, page: PageServer, width: int
) -> None:
    page.hub.show(SET_UP)
    tab = browser.open(page.address, width=width)
    tab.wait("document.querySelector('[data-key=ready]') !== null")
    tab.run("document.querySelector('#sound').focus()")
    press_key(tab, "Tab", 9)
    assert tab.run(FOCUSED) == "choose-open"
    press_key(tab, "Enter", 13)
    tab.wait(f"{FOCUSED} === 'hookup'")
    for typed in ("hot", "Desk", "Door"):  # a list goes to what is typed
        for letter in typed:
            press_key(tab, letter, ord(letter.upper()))
        press_key(tab, "Tab", 9)
    assert tab.run(FOCUSED) == "choose-send"
    foot = "document.activeElement.getBoundingClientRect().bottom"
    tab.wait(f"{foot} < document.querySelector('nav').getBoundingClientRect().top")
    press_key(tab, "Enter", 13)
    assert next_press(page) == Press(Word.CHOOSE, SET_UP.step, "ld 2 1")
    tab.wait(f"{FOCUSED} === 'instruction'")
    tab.run("document.querySelector('#leave-open').focus()")
    press_key(tab, "Enter", 13)
    tab.wait(f"{FOCUSED} === '1'")
    press_key(tab, "Escape", 27)
    tab.wait("document.querySelector('#leaving').hidden")
    assert tab.run(FOCUSED) == "leave-open"
    press_key(tab, "Enter", 13)
    press_key(tab, " ", 32)
    for place in ("2", "3", "4", "5", "leave-send"):
        press_key(tab, "Tab", 9)
        assert tab.run(FOCUSED) == place
    press_key(tab, "Enter", 13)
    assert next_press(page) == Press(Word.NOT_NOW, SET_UP.step, "1")


def test_what_is_to_be_done_now_stays_in_sight_while_a_person_chooses(
    phone: Tab, page: PageServer
) -> None:
    set_up(phone, page)
    for opener, form in (("#choose-open", "#choosing"), ("#leave-open", "#leaving")):
        phone.click(opener)
        inside = "top >= 0 && bottom <= innerHeight"
        for seen in ("[data-key=ready]", f"{form} select, {form} input"):
            box = f"document.querySelector('{seen}').getBoundingClientRect()"
            assert phone.run(f"(({{ top, bottom }}) => {inside})({box})") is True
    assert phone.run("document.querySelector('#choosing').hidden") is True  # one at a time
    assert (
        phone.run("document.querySelector('#leave-open').getAttribute('aria-expanded')") == "true"
    )


def test_what_cannot_be_decided_now_says_when_it_can(phone: Tab, page: PageServer) -> None:
    phone.click("#choose-open")
    assert phone.text("#choose-hint") == "The test that runs is taken back for it."
    pick(phone, hookup="ng", lead_a="1")
    page.hub.show(ON)
    phone.wait("document.querySelector('#choose-send').disabled")
    assert phone.text("#choose-hint") == "Possible before the load is on."
    assert phone.run("document.querySelector('#lead-a').value") == "1"  # what was chosen stays
    phone.click("#leave-open")
    assert phone.run("document.querySelector('#leave-send').disabled") is True
    assert phone.text("#leave-hint") == "Possible while the leads are asked for."


def test_a_circuit_without_ground_offers_no_ground(phone: Tab, page: PageServer) -> None:
    hookups = (Hookup.NEUTRAL_NEUTRAL, Hookup.LINE_DROP)
    page.hub.show(replace(SET_UP, choices=replace(SET_UP.choices, hookups=hookups)))
    phone.wait("document.querySelector('[data-key=ready]') !== null")
    phone.click("#choose-open")
    offered = "[...document.querySelectorAll('#hookup option')].map((o) => o.value).join()"
    assert phone.run(offered) == ",nn,ld"


def test_alerts_are_told_in_words(phone: Tab, page: PageServer) -> None:
    page.hub.show(UNQUIET)
    phone.wait("document.querySelector('#alerts').textContent.startsWith('! The lead at Desk')")
    assert phone.run("document.querySelector('#alerts').getAttribute('role')") == "alert"


def test_a_second_phone_watches_until_it_takes_over(
    browser: Chromium, phone: Tab, page: PageServer
) -> None:
    other = browser.open(page.address, width=1280)
    other.wait("!document.querySelector('#watching').hidden")
    assert other.run("document.querySelector('#besides').hidden") is True
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
    view = replace(view, choices=replace(SET_UP.choices, receptacles=(name,), not_now=(name,)))
    page.hub.show(with_reading(view, 118_450.25))
    tab = browser.open(page.address, width=width)
    tab.wait("document.querySelector('#instruction').textContent.length > 100")
    for opener in ("#choose-open", "#leave-open"):
        tab.click(opener)
        assert tab.run("document.documentElement.scrollWidth") <= width
