"""The page in a real browser: what a finger, an eye and an ear find. Needs Chromium (``apt``)."""

import importlib.util
import json
import os
import shutil
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from meterlink.circuit.setup import Hookup
from meterlink.page.hub import Papers, Press
from meterlink.page.server import PageServer
from meterlink.show.map_svg import draw_map
from meterlink.visit.view import Command, Key, VisitView

from ..chromium import Chromium, Tab
from .fake_visit import (
    CONFIRM,
    EVERY,
    HISTORY,
    IDLE,
    ON,
    PAPERS,
    SET_UP,
    SETTLED,
    STOPPED,
    TROUBLE,
    TYPED,
    WAIT,
    chain,
    with_reading,
)

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
AXE = importlib.util.find_spec("axe_core_python")

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


@pytest.fixture(autouse=True)
def no_tab_left_open(browser: Chromium) -> Iterator[None]:
    yield
    browser.close_tabs()


@pytest.fixture
def page() -> Iterator[PageServer]:
    with PageServer() as running:
        running.hub.trace(0.0, 4.31)
        running.hub.keep(PAPERS)
        running.hub.show(IDLE)
        yield running


def open_phone(browser: Chromium, page: PageServer, width: int = 360, height: int = 740) -> Tab:
    tab = browser.open(page.address, width=width, height=height)
    tab.wait("document.querySelector('[data-key]') !== null")
    return tab


@pytest.fixture
def phone(browser: Chromium, page: PageServer) -> Tab:
    return open_phone(browser, page)


def show(tab: Tab, page: PageServer, view: VisitView) -> None:
    """Show a view and wait until it is on the screen."""
    page.hub.show(view)
    title = json.dumps(f"{view.title}")
    step = f"document.body.dataset.step === '{view.step}'"
    tab.wait(f"document.querySelector('#title').textContent === {title} && {step}")


def press(tab: Tab, key: str) -> None:
    """Tap a key of the page as soon as it is alive."""
    tab.wait(f"document.querySelector('[data-key={key}]')?.ariaDisabled === 'false'")
    tab.tap(f"[data-key={key}]")


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
    (found,) = presses
    return found


# -- what is seen ------------------------------------------------------------------------------


def test_the_phone_shows_what_to_do_the_reading_and_the_map(phone: Tab) -> None:
    assert phone.text("#word-text") == "Switch on"
    assert phone.text("#instruction") == IDLE.instruction
    assert phone.text("#detail") == IDLE.detail
    assert phone.text("#leads") == IDLE.leads
    assert phone.text("#load") == IDLE.load
    assert phone.text("#reading") == "4.31 mV AC"
    phone.tap("#tab-Map")
    assert "Bed <b>1</b>, fed from splice 1" in phone.text("#map")
    assert phone.run("document.querySelectorAll('#map b').length") == 0
    assert phone.run("location.pathname + location.search") == "/"
    assert phone.complaints() == []


INSIDE = """(() => {
  const faults = [];
  for (const id of ["word-text", "instruction", "leads", "load"]) {
    const found = document.getElementById(id);
    if (!found.offsetParent) {
      if (!document.getElementById("place").hidden) faults.push(id + " hidden");
      continue;
    }
    const range = document.createRange();
    range.selectNodeContents(found);
    const box = range.getBoundingClientRect();
    const room = found.closest("#sign, header").getBoundingClientRect();
    const inside = box.left >= -0.5 && box.right <= innerWidth + 0.5 && box.top >= room.top - 1
      && box.bottom <= Math.min(innerHeight, room.bottom) + 1 && box.width > 0;
    if (!inside) faults.push(`${id} ${JSON.stringify(box)}`);
    const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
    if (!top || !(found.contains(top) || top.contains(found))) faults.push(id + " covered");
  }
  const whole = document.scrollingElement;
  if (scrollY || whole.scrollHeight > innerHeight + 1) faults.push("scrolls down");
  if (whole.scrollWidth > innerWidth) faults.push("sticks out");
  return faults;
})()"""

SIZES = {  # width, height, size of text in percent
    "a small phone": (320, 568, 100),
    "a phone": (360, 740, 100),
    "a phone on its side": (740, 360, 100),
    "a laptop": (1280, 800, 100),
    "a laptop zoomed to 200 %": (640, 400, 100),
    "a phone zoomed to 200 %": (180, 370, 100),
    "a phone with text of 200 %": (360, 740, 200),
}


@pytest.mark.parametrize("size", SIZES)
def test_the_instruction_is_in_sight_in_every_state_with_and_without_a_sheet(
    browser: Chromium, page: PageServer, size: str
) -> None:
    width, height, text = SIZES[size]
    tab = open_phone(browser, page, width, height)
    tab.run(f"document.documentElement.style.fontSize = '{text}%'")
    for name, view in EVERY.items():
        show(tab, page, view)
        assert tab.run(INSIDE) == [], name
    show(tab, page, SET_UP)
    press(tab, "ready")
    assert next_press(page).key is Key.READY
    assert tab.run(INSIDE) == []
    for sheet in ("Map", "Tests", "More"):
        tab.tap(f"#tab-{sheet}")
        assert tab.run(INSIDE) == [], sheet
    assert tab.complaints() == []


@pytest.mark.parametrize("size", ["a phone", "a phone on its side"])
def test_every_key_is_whole_on_the_screen_and_large_enough_for_a_finger(
    browser: Chromium, page: PageServer, size: str
) -> None:
    width, height, _ = SIZES[size]
    tab = open_phone(browser, page, width, height)
    for name, view in EVERY.items():
        show(tab, page, view)
        boxes = tab.run(
            """[...document.querySelectorAll('nav button')].filter((b) => b.offsetParent)
            .map((b) => b.getBoundingClientRect())
            .map((b) => [b.top, b.bottom, b.width, b.height])"""
        )
        for top, bottom, wide, high in boxes:
            assert top >= 0, name
            assert bottom <= height + 1, name
            assert min(wide, high) >= 24, name  # WCAG 2.2, 2.5.8


LONG = {"320": (320, "N" * 60), "360": (360, "مطبخ " * 12), "1280": (1280, "word " * 40)}


@pytest.mark.parametrize("case", LONG)
def test_long_names_stick_out_nowhere_and_hide_no_instruction(
    browser: Chromium, page: PageServer, case: str
) -> None:
    width, name = LONG[case]
    rows = tuple(replace(row, name=name) for row in ON.map)
    view = replace(ON, title=name, detail=name, alerts=(name,), map=rows, leads=name, load=name)
    view = replace(
        view,
        instruction=f"Switch the heater at {name[:60]} off.",
        choices=replace(SET_UP.choices, receptacles=(name,), not_now=(name,)),
    )
    page.hub.show(with_reading(view, 118_450.25))
    tab = open_phone(browser, page, width)
    for opener in ("#tab-Map", "#tab-Tests", "#tab-More"):
        tab.tap(opener)
        assert tab.run("document.documentElement.scrollWidth") <= width
        assert not [fault for fault in tab.run(INSIDE) if fault.startswith("instruction")]


def test_each_sign_has_a_word_a_symbol_a_plate_and_a_tune_of_its_own(
    phone: Tab, page: PageServer
) -> None:
    phone.run(
        """window.heard = [];
        const make = AudioContext.prototype.createOscillator;
        AudioContext.prototype.createOscillator = function () {
          const tone = make.call(this);
          const start = tone.start.bind(tone);
          tone.start = (at) => { window.heard.push(tone.frequency.value); start(at); };
          return tone;
        }; 1"""
    )
    assert phone.run("window.heard.length") == 0  # nothing before the first tap
    phone.tap("#instruction")
    seen: dict[str, tuple[Any, ...]] = {}
    for name in ("set-up", "wait", "confirm-load", "switch-off", "done", "trouble", "settled"):
        phone.run("window.heard.length = 0; 1")
        show(phone, page, EVERY[name])
        phone.wait("window.heard.length > 0")
        style = "getComputedStyle(document.querySelector('#sign'))"
        seen[name] = (
            phone.text("#word-text"),
            phone.run("document.querySelector('#symbol').getAttribute('href')"),
            json.dumps(phone.run("window.heard")),
            phone.run(f"{style}.backgroundColor + {style}.borderTopStyle + {style}.color"),
        )
    for words in list(zip(*seen.values(), strict=True))[:3]:
        assert len(set(words)) == len(seen)
    plates = {name: parts[3] for name, parts in seen.items()}
    assert len(set(plates.values())) == len(plates) - 1  # done and found look alike but for these


def test_sound_can_be_silenced_and_voice_be_had(phone: Tab, page: PageServer) -> None:
    phone.run(
        """window.said = []; window.tones = 0;
        speechSynthesis.speak = (words) => window.said.push(words.text);
        const make = AudioContext.prototype.createOscillator;
        AudioContext.prototype.createOscillator = function () {
          window.tones += 1; return make.call(this); }; 1"""
    )
    phone.tap("#tab-More")
    phone.tap("[data-focus=voice]")
    phone.tap("[data-focus=sound]")
    before = phone.run("window.tones")
    show(phone, page, ON)
    phone.wait("window.said.length === 1")
    assert phone.run("window.said") == [f"Switch off. {ON.instruction}"]
    assert phone.run("window.tones") == before
    assert phone.text("[data-focus=sound]") == "Sound: off"


@pytest.mark.parametrize(
    ("before", "told"),
    [
        ("navigator.wakeLock.request = async () => ({released: false})", "The screen is kept on."),
        (
            "navigator.wakeLock.request = async () => { throw Error(); }",
            "The screen is kept on by a still film.",
        ),
        (
            "navigator.wakeLock.request = async () => { throw Error(); };"
            "HTMLMediaElement.prototype.play = async () => { throw Error(); }",
            "This browser cannot keep the screen on",
        ),
    ],
)
def test_the_screen_is_kept_on_and_where_that_cannot_be_it_is_said(
    phone: Tab, before: str, told: str
) -> None:
    phone.run(f"{before}; 1")
    phone.tap("#tab-More")
    phone.wait(f"document.querySelector('#sheet').textContent.includes('{told}')")
    if "film" in told:
        assert phone.run("document.querySelector('video').paused") is False


def test_who_wants_no_motion_sees_none(phone: Tab, page: PageServer) -> None:
    show(phone, page, ON)
    moving = "getComputedStyle(document.querySelector('.symbol')).animationName"
    phone.prefer(prefers_reduced_motion="reduce")
    assert phone.run(moving) == "none"
    phone.prefer(prefers_reduced_motion="no-preference")
    assert phone.run(moving) == "beat"


def test_with_forced_colours_the_sign_keeps_its_symbol_its_frame_and_its_keys(
    phone: Tab, page: PageServer
) -> None:
    phone.prefer(forced_colors="active")
    show(phone, page, ON)
    style = "getComputedStyle(document.querySelector('{}'))"
    ground = phone.run(f"{style.format('#sign')}.backgroundColor")
    for part in ("#sign", "button.big"):
        assert phone.run(f"{style.format(part)}.borderTopColor") != ground
    assert phone.run(f"{style.format('.symbol')}.color") != ground
    assert phone.run(INSIDE) == []


# -- keys --------------------------------------------------------------------------------------


def test_a_key_goes_to_the_visit_and_the_answer_comes_back(phone: Tab, page: PageServer) -> None:
    press(phone, "load-on")
    assert next_press(page) == Press(Key.LOAD_ON, IDLE.step)
    page.hub.show(with_reading(ON, 186.4))
    phone.wait("document.querySelector('#reading').textContent === '186.40 mV AC'")
    phone.wait("document.querySelector('[data-key=load-off]') !== null")
    assert phone.run("document.querySelector('[data-key=load-on]')") is None
    assert phone.complaints() == []


def test_a_key_that_has_just_appeared_under_a_finger_is_dead(phone: Tab, page: PageServer) -> None:
    assert phone.run("document.querySelector('[data-key=load-on]').dataset.deadMs") == "1000"
    page.hub.hurry(0.01)  # for 100 s, so that this test needs no clock
    press(phone, "load-on")
    next_press(page)
    show(phone, page, ON)
    for _ in range(3):
        phone.tap("[data-key=load-off]")
    assert phone.run("document.querySelector('[data-key=load-off]').ariaDisabled") == "true"
    page.hub.hurry(100.0)
    show(phone, page, CONFIRM)
    assert page.hub.presses() == []
    press(phone, "load-off")
    assert next_press(page) == Press(Key.LOAD_OFF, CONFIRM.step)


def test_a_storm_of_taps_is_one_press(phone: Tab, page: PageServer) -> None:
    phone.wait("document.querySelector('[data-key=load-on]').ariaDisabled === 'false'")
    phone.run(
        "for (let n = 0; n < 300; n += 1) document.querySelector('[data-key=load-on]').click(); 1"
    )
    assert next_press(page) == Press(Key.LOAD_ON, IDLE.step)
    phone.wait("document.querySelector('#answer').textContent !== 'x'")
    assert page.hub.presses() == []


@pytest.mark.parametrize("key", ["void", "stop"])
def test_what_cannot_be_undone_is_asked_twice_while_readings_stream(
    phone: Tab, page: PageServer, key: str
) -> None:
    press(phone, key)
    phone.wait("document.querySelector('[data-key=yes]') !== null")
    for number in range(30):
        page.hub.trace(1.0 + number, 4.0)
        page.hub.show(replace(with_reading(IDLE, number), idle=f"{number}.0 mV"))
    phone.wait("document.querySelector('#reading').textContent === '29.00 mV AC'")
    page.hub.show(replace(IDLE, step=IDLE.step + 1, reading="30 mV"))
    phone.wait("document.querySelector('#reading').textContent === '30 mV'")
    assert page.hub.presses() == []
    press(phone, "yes")
    assert next_press(page) == Press(Key(key), IDLE.step + 1)


def test_what_was_asked_can_be_taken_back_and_is_over_with_its_test(
    phone: Tab, page: PageServer
) -> None:
    press(phone, "stop")
    press(phone, "no")
    phone.wait("document.querySelector('[data-key=stop]') !== null")
    press(phone, "void")
    phone.wait("document.querySelector('[data-key=yes]') !== null")
    show(phone, page, SET_UP)  # the test that was to be discarded is over
    assert phone.run("document.querySelector('[data-key=yes]')") is None
    assert page.hub.presses() == []


def test_any_test_is_undone_by_its_name(phone: Tab, page: PageServer) -> None:
    phone.tap("#tab-Tests")
    assert phone.text("#sheet").count("Undo test") == 2
    phone.tap("[data-focus='Undo test 5']")
    phone.wait("document.querySelector('[data-key=yes]').textContent === 'Yes: undo test 5'")
    press(phone, "yes")
    assert next_press(page) == Press(Command.UNDO, IDLE.step, "5")
    page.hub.show(replace(IDLE, history=(replace(HISTORY[0], removed=True), *HISTORY[1:])))
    phone.tap("#tab-Tests")
    phone.wait("document.querySelectorAll('.past.removed').length === 2")


def test_whether_the_load_ran_is_asked_with_two_large_keys(phone: Tab, page: PageServer) -> None:
    show(phone, page, CONFIRM)
    assert phone.run("document.querySelectorAll('button.big').length") == 2
    press(phone, "no-load")
    assert next_press(page) == Press(Key.NO_LOAD, CONFIRM.step)


def test_a_reading_is_typed_on_the_pad(phone: Tab, page: PageServer) -> None:
    show(phone, page, TYPED)
    assert phone.run("document.querySelector('#pad output').ariaLabel") == "Reading without load"
    for label in ("8", "1", "7", "⌫", "5", "."):
        phone.run(
            "[...document.querySelectorAll('#pad button')]"
            f".find((b) => b.textContent === {json.dumps(label)}).click()"
        )
    press_key(phone, "4", 52)  # and with a real keyboard
    assert phone.text("#pad output") == "815.4 mV"
    phone.tap("#pad .take")
    assert next_press(page) == Press(Command.IDLE, TYPED.step, "815.4 mV")
    phone.wait("document.querySelector('#pad output').textContent.startsWith('…')")
    phone.tap("#pad .take")
    phone.wait("document.querySelector('#answer').textContent.startsWith('Type the number')")
    assert page.hub.presses() == []


def test_volts_and_a_sign_can_be_typed(phone: Tab, page: PageServer) -> None:
    show(phone, page, replace(TYPED, typed=replace(TYPED.typed, word=Command.ON)))  # type: ignore[arg-type]
    for label in (".", "8", "mV", "±"):
        phone.run(
            "[...document.querySelectorAll('#pad button')]"
            f".find((b) => b.textContent === {json.dumps(label)}).click()"
        )
    phone.tap("#pad .take")
    assert next_press(page) == Press(Command.ON, TYPED.step, "-0.8 V")


def test_a_note_keeps_what_was_typed_while_the_visit_goes_on(phone: Tab, page: PageServer) -> None:
    phone.tap("#tab-More")
    phone.run("document.querySelector('#note').value = 'fan <i>on</i> 台所'; 1")
    show(phone, page, WAIT)
    show(phone, page, SET_UP)
    assert phone.run("document.querySelector('#note').value") == "fan <i>on</i> 台所"
    phone.tap("[data-focus='Save note']")
    assert next_press(page) == Press(Key.NOTE, SET_UP.step, "fan <i>on</i> 台所")
    phone.wait("document.querySelector('#sheet').hidden")


# -- what can be decided besides ---------------------------------------------------------------


def pick(phone: Tab, **values: str) -> None:
    """Choose in lists as a finger does."""
    for name, value in values.items():
        field = f"document.querySelector('#{name.replace('_', '-')}')"
        phone.run(
            f"{field}.value = '{value}'; "
            f"{field}.dispatchEvent(new Event('change', {{bubbles: true}}))"
        )


def press_key(tab: Tab, key: str, code: int = 0) -> None:
    """A key of a real keyboard."""
    text = {"text": "\r"} if key == "Enter" else {"text": key} if len(key) == 1 else {}
    common = {"key": key, "windowsVirtualKeyCode": code}
    tab.call("Input.dispatchKeyEvent", type="keyDown", **common, **text)
    tab.call("Input.dispatchKeyEvent", type="keyUp", **common)


FOCUSED = "(document.activeElement.dataset.focus || document.activeElement.id)"


def test_a_person_picks_a_test(phone: Tab, page: PageServer) -> None:
    show(phone, page, SET_UP)
    phone.tap("#tab-More")
    assert phone.run("document.querySelector('#lead-b').offsetParent") is None
    pick(phone, hookup="nn", lead_a="3", lead_b="5", load_at="4")
    assert phone.run("document.querySelector('#lead-b').offsetParent !== null") is True
    phone.tap("[data-focus='Take this test']")
    assert next_press(page) == Press(Command.CHOOSE, SET_UP.step, "nn 3 5 4")
    phone.wait("document.querySelector('#sheet').hidden")
    assert phone.run(FOCUSED) == "sign"
    assert phone.complaints() == []


def test_a_choice_that_is_not_whole_or_no_test_is_told_and_kept(
    phone: Tab, page: PageServer
) -> None:
    show(phone, page, SET_UP)
    phone.tap("#tab-More")
    pick(phone, hookup="nn", lead_a="1", lead_b="1")
    phone.tap("[data-focus='Take this test']")
    phone.wait("document.querySelector('#answer').textContent.startsWith('Choose where')")
    assert phone.run(FOCUSED) == "load-at"
    pick(phone, load_at="2")
    phone.tap("[data-focus='Take this test']")
    phone.wait("document.querySelector('#answer').textContent.includes('Both leads are at')")
    assert phone.run("document.querySelector('#lead-a').value") == "1"
    assert page.hub.presses() == []


def test_receptacles_are_skipped_and_taken_in_again(phone: Tab, page: PageServer) -> None:
    show(phone, page, SET_UP)
    phone.tap("#tab-More")
    names = "[...document.querySelectorAll('#skipping label')].map((l) => l.textContent)"
    assert phone.run(names) == list(SET_UP.choices.receptacles)
    assert phone.run("document.querySelectorAll('#skipping b').length") == 0
    assert phone.run("document.querySelector('#skip-5').checked") is True
    phone.tap("#skip-5")
    phone.tap("#skip-3")
    phone.tap("[data-focus='Save']")
    assert next_press(page) == Press(Command.NOT_NOW, SET_UP.step, "3 5")
    phone.wait("document.querySelector('#sheet').hidden")
    phone.tap("#tab-More")
    phone.tap("[data-focus='Save']")  # nothing is changed: nothing is sent
    phone.wait("document.querySelector('#sheet').hidden")
    assert page.hub.presses() == []


def test_a_test_is_picked_with_a_keyboard_alone(phone: Tab, page: PageServer) -> None:
    show(phone, page, SET_UP)
    phone.run("document.querySelector('#tab-More').focus()")
    press_key(phone, "Enter", 13)
    phone.run("document.querySelector('#hookup').focus()")
    for typed in ("hot", "Desk", "Door"):  # a list goes to what is typed
        for letter in typed:
            press_key(phone, letter, ord(letter.upper()))
        press_key(phone, "Tab", 9)
    assert phone.run(FOCUSED) == "Take this test"
    press_key(phone, "Enter", 13)
    assert next_press(page) == Press(Command.CHOOSE, SET_UP.step, "ld 2 1")
    phone.run("document.querySelector('#tab-More').focus()")
    press_key(phone, "Enter", 13)
    press_key(phone, "Escape", 27)
    phone.wait("document.querySelector('#sheet').hidden")


def test_what_cannot_be_decided_now_is_not_offered(phone: Tab, page: PageServer) -> None:
    phone.tap("#tab-More")
    assert phone.run("document.querySelector('#skipping')") is None
    assert phone.run("document.querySelector('#hookup') !== null") is True
    show(phone, page, ON)
    assert phone.run("document.querySelector('#hookup')") is None


def test_a_circuit_without_ground_offers_no_ground(phone: Tab, page: PageServer) -> None:
    hookups = (Hookup.NEUTRAL_NEUTRAL, Hookup.LINE_DROP)
    show(phone, page, replace(SET_UP, choices=replace(SET_UP.choices, hookups=hookups)))
    phone.tap("#tab-More")
    offered = "[...document.querySelectorAll('#hookup option')].map((o) => o.value).join()"
    assert phone.run(offered) == ",nn,ld"


@pytest.mark.parametrize(
    ("picked", "text"),
    [
        ({"hookup": "pr", "lead_a": "3"}, "pr 3"),
        ({"hookup": "pr", "lead_a": "3", "lead_b": "1"}, "pr 3 1"),
        ({"hookup": "lr hot+ground", "lead_a": "2"}, "lr 2 hot+ground"),
    ],
)
def test_with_an_ohmmeter_paths_to_the_panel_and_loops_are_picked(
    phone: Tab, page: PageServer, picked: dict[str, str], text: str
) -> None:
    hookups = (Hookup.PATH_RESISTANCE, Hookup.LOOP_RESISTANCE)
    show(phone, page, replace(SET_UP, choices=replace(SET_UP.choices, hookups=hookups)))
    phone.tap("#tab-More")
    pick(phone, **picked)
    assert phone.run("document.querySelector('#load-at').offsetParent") is None
    phone.tap("[data-focus='Take this test']")
    assert next_press(page) == Press(Command.CHOOSE, SET_UP.step, text)


def test_alerts_are_told_in_words(phone: Tab, page: PageServer) -> None:
    show(phone, page, TROUBLE)
    phone.wait("document.querySelector('#alerts').textContent.startsWith('! The lead at Desk')")
    assert phone.run("document.querySelector('#alerts').getAttribute('role')") == "alert"


# -- two phones, no network, no laptop, a restart ----------------------------------------------


def test_a_second_phone_watches_until_it_takes_control(
    browser: Chromium, phone: Tab, page: PageServer
) -> None:
    other = open_phone(browser, page, 1280, 800)
    assert other.text("#answer") == "Another phone is in control."
    assert other.run("document.querySelector('[data-key=load-on]')") is None
    press(other, "operate")
    phone.wait("document.querySelector('#answer').textContent === 'Another phone is in control.'")
    press(other, "load-on")
    assert next_press(page) == Press(Key.LOAD_ON, IDLE.step)
    assert other.text("#answer") == ""


def cut_off(phone: Tab) -> None:
    """Take the network away and wait until the page says so."""
    phone.online(False)
    phone.run("window.dispatchEvent(new Event('offline'))")
    phone.wait("document.querySelector('#word-text').textContent === 'No contact'")


def test_a_tap_without_network_is_kept_said_and_sent_once_it_is_back(
    phone: Tab, page: PageServer
) -> None:
    cut_off(phone)
    assert "This phone has no network since" in phone.text("#instruction")
    assert phone.text("#detail") == f"Last asked: {IDLE.instruction}"
    press(phone, "load-on")
    phone.wait(
        "document.querySelector('#answer').textContent === "
        "'Kept until there is contact: I switched it ON'"
    )
    assert page.hub.presses() == []
    sign = "document.querySelector('#sign')"
    assert phone.run(f"{sign}.scrollHeight <= {sign}.clientHeight") is True
    phone.online(True)
    phone.run("window.dispatchEvent(new Event('online'))")
    assert next_press(page) == Press(Key.LOAD_ON, IDLE.step)
    phone.wait("document.querySelector('#link').textContent.includes('connected')")
    phone.wait("document.querySelector('#answer').textContent === ''")


def test_a_kept_tap_whose_step_is_over_does_nothing_and_is_told(
    phone: Tab, page: PageServer
) -> None:
    cut_off(phone)
    press(phone, "load-on")
    page.hub.show(ON)  # the trace has told the jump meanwhile
    phone.online(True)
    phone.run("window.dispatchEvent(new Event('online'))")
    phone.wait(
        "document.querySelector('#answer').textContent.startsWith('A kept tap was not needed')"
    )
    assert page.hub.presses() == []


def test_where_the_load_may_be_on_a_page_without_contact_says_switch_it_off(
    phone: Tab, page: PageServer
) -> None:
    show(phone, page, ON)
    cut_off(phone)
    assert "If the load is on, switch it off." in phone.text("#instruction")
    assert phone.run("document.body.dataset.sign") == "trouble"


def test_after_a_restart_the_page_goes_on_by_itself_without_a_scan(
    browser: Chromium, tmp_path: Path
) -> None:
    with PageServer(folder=tmp_path) as page:
        page.hub.show(replace(IDLE, step=40))
        phone = open_phone(browser, page)
        phone.run("document.querySelector('[data-key=load-on]').dataset.old = '1'; 1")
    phone.wait("document.querySelector('#link').textContent.includes('the program has ended')")
    assert phone.run("document.querySelectorAll('#keys button').length") == 0
    with PageServer(folder=tmp_path) as page:
        page.hub.show(IDLE)
        phone.run("window.dispatchEvent(new Event('online'))")
        press(phone, "load-on")
        assert next_press(page) == Press(Key.LOAD_ON, IDLE.step)


def test_a_page_that_is_no_longer_admitted_says_to_scan(browser: Chromium, tmp_path: Path) -> None:
    with PageServer(folder=tmp_path) as page:
        page.hub.show(IDLE)
        phone = open_phone(browser, page)
        port = page.port
    (tmp_path / "page.json").unlink()
    with PageServer(port=port, folder=tmp_path):
        phone.run("window.dispatchEvent(new Event('online'))")
        phone.wait("document.querySelector('#word-text').textContent === 'Not admitted'")
        assert "Scan the code" in phone.text("#instruction")


def test_a_wrong_key_gets_a_page_that_can_be_read(browser: Chromium, page: PageServer) -> None:
    tab = browser.open(page.address[:-3] + "xyz")
    assert tab.text("h1") == "Not opened"
    assert tab.run("parseFloat(getComputedStyle(document.querySelector('p')).fontSize)") >= 18
    assert tab.run("document.documentElement.scrollWidth") <= 360


# -- the answer --------------------------------------------------------------------------------


def test_the_answer_with_map_report_and_label_stays_when_the_program_has_ended(
    browser: Chromium,
) -> None:
    with PageServer() as page:
        page.hub.show(IDLE)
        phone = open_phone(browser, page)
        page.hub.keep(PAPERS)
        show(phone, page, SETTLED)
        assert phone.text("#instruction") == "Window is first after the panel"
        assert "a hazard" in phone.text("#sheet .check")
        assert "(14 %)" in phone.text("#sheet .unlikely")  # small, where it hardly is so
        phone.wait("document.querySelector('.picture img')?.naturalWidth > 100")
        page.hub.show(STOPPED)
        phone.wait("document.querySelector('#word-text').textContent === 'Finished'")
    phone.wait("document.querySelector('#link').textContent.includes('the program has ended')")
    text = phone.text("#sheet")
    assert SETTLED.answer is not None
    for part in ("check", "conditions", "joints", "doubts"):
        for sentence in getattr(SETTLED.answer, part):
            assert sentence in text
    assert phone.run("document.querySelector('.picture img').naturalWidth") > 100
    phone.tap("#tab-Map")
    phone.tap("#tab-Answer")
    phone.tap("[data-focus=Report]")
    assert phone.run("document.querySelector('iframe').srcdoc") == PAPERS.report
    assert phone.run("document.querySelector('a[download]').download") == "report.html"
    assert phone.run("document.querySelector('a[download]').href.startsWith('blob:')") is True
    phone.tap("[data-focus=Back]")
    phone.tap("[data-focus=Label]")
    assert phone.text("#sheet pre") == PAPERS.label
    assert phone.run(INSIDE) == []


@pytest.mark.parametrize("number", [5, 12, 20])
def test_a_drawn_map_can_be_read_on_a_phone(
    browser: Chromium, page: PageServer, number: int
) -> None:
    page.hub.keep(Papers(draw_map(chain(number), narrow=True)))
    phone = open_phone(browser, page)
    phone.tap("#tab-Map")
    phone.wait("document.querySelector('.picture img')?.complete")
    image = "document.querySelector('.picture img')"
    scale = phone.run(f"{image}.getBoundingClientRect().width / {image}.naturalWidth")
    assert 15 * scale >= 11  # px of a name
    assert phone.run(f"{image}.alt").count("is fed from") == number
    assert phone.run("document.documentElement.scrollWidth") <= 360
    height = phone.run(f"{image}.getBoundingClientRect().height")
    phone.run("document.querySelector('#sheet').scrollTop = 1e6")
    assert height > 20 * number
    assert phone.run(INSIDE) == []


# -- without script, and for everybody ---------------------------------------------------------


def test_a_browser_without_script_gets_a_page_of_forms(browser: Chromium, page: PageServer) -> None:
    tab = browser.open("about:blank")
    tab.call("Emulation.setScriptExecutionDisabled", value=True)
    tab.call("Page.navigate", url=page.address)
    until(tab, "location.pathname === '/plain' && document.readyState === 'complete'")
    assert tab.text("#instruction") == IDLE.instruction
    assert tab.run("document.documentElement.scrollWidth") <= 360
    tab.run(
        "[...document.querySelectorAll('button')].find((b) => /ON/.test(b.textContent)).click()"
    )
    assert next_press(page) == Press(Key.LOAD_ON, IDLE.step)
    page.hub.show(ON)
    until(tab, "document.querySelector('#word').textContent === 'switch off'")


def until(tab: Tab, condition: str) -> None:
    """Wait by asking again, as a page without script runs no timers."""
    for _ in range(2000):
        try:
            if tab.run(condition):
                return
        except RuntimeError:  # in between two pages
            continue
    raise AssertionError(condition)


def axe(tab: Tab) -> list[str]:
    """What axe-core finds, one line a finding."""
    assert AXE is not None
    assert AXE.origin is not None
    script = (Path(AXE.origin).parent / "axe.min.js").read_text(encoding="utf-8")
    tab.run(f"{script}; 1")
    return tab.run(
        "axe.run().then((all) => all.violations.flatMap((one) => one.nodes.map((node) => "
        "`${one.id}: ${node.html.slice(0, 120)} ${node.failureSummary.slice(0, 300)}`)))"
    )


@pytest.mark.skipif(AXE is None, reason="axe-core is not installed (pip install axe-core-python)")
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_in_any_state(browser: Chromium, page: PageServer, scheme: str) -> None:
    tab = open_phone(browser, page)
    tab.prefer(prefers_color_scheme=scheme, prefers_reduced_motion="reduce")
    for name, view in EVERY.items():
        show(tab, page, view)
        tab.wait("document.querySelector('.fresh') === null")
        assert axe(tab) == [], name
    show(tab, page, SET_UP)
    for sheet in ("Map", "Tests", "More"):
        tab.tap(f"#tab-{sheet}")
        assert axe(tab) == [], sheet
    tab.tap("#tab-Map")
    tab.tap("[data-focus=Label]")
    assert axe(tab) == []
    cut_off(tab)
    assert axe(tab) == []


@pytest.mark.skipif(AXE is None, reason="axe-core is not installed (pip install axe-core-python)")
@pytest.mark.parametrize("path", ["/plain", "/join?key=wrong"])
def test_axe_finds_nothing_in_the_pages_without_script(
    browser: Chromium, page: PageServer, path: str
) -> None:
    page.hub.show(SETTLED)
    tab = open_phone(browser, page)
    address = page.address.split("/join")[0] + path
    tab.call("Page.navigate", url=address)
    tab.wait("document.readyState === 'complete' && location.pathname !== '/'")
    assert axe(tab) == []
