"""The whole visit through the page for the phone, in a real browser, to the settled order."""

import json
import os
import shutil
from pathlib import Path

import pytest

from meterlink.circuit.job import write_job
from meterlink.testlog.reader import read_rows

from ..chromium import Chromium
from .hands import SimulatedOperator
from .page_operator import PageOperator, press

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")

pytestmark = [
    pytest.mark.skipif(
        BROWSER is None, reason="no chromium on this machine (apt install chromium)"
    ),
    pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals"),
]


def test_a_person_with_a_phone_gets_to_the_settled_order(tmp_path: Path) -> None:
    hands = SimulatedOperator(3, seed=6)
    job = write_job(tmp_path / "job", hands.circuit)
    assert BROWSER is not None
    with Chromium(BROWSER) as browser:
        operator = PageOperator(job.folder, hands, browser)
        maps = [event for event in operator.events() if event["event"] == "map"]
        code, messages = operator.finish()
        complaints = operator.tab.complaints()
    hands.meter.close()
    assert code == 0, messages
    assert complaints == []
    assert maps[-1]["settled"]
    assert len(list(read_rows(job.log_path))) == maps[-1]["tests"] >= 3


def test_a_person_with_a_phone_leaves_a_receptacle_out_and_takes_a_test_of_their_own(
    tmp_path: Path,
) -> None:
    hands = SimulatedOperator(3, seed=6)
    job = write_job(tmp_path / "job", hands.circuit)
    third = hands.circuit.receptacles[2]
    assert BROWSER is not None
    with Chromium(BROWSER) as browser:
        operator = PageOperator(job.folder, hands, browser, stop_when_settled=False)
        tab = operator.tab
        tab.wait("document.querySelector('[data-key=ready]') !== null")
        tab.tap("#tab-More")
        tab.tap("#skip-3")
        tab.tap("[data-focus=Save]")
        tab.wait("document.querySelector('#sheet').hidden")
        tab.wait("document.querySelector('[data-key=ready]') !== null")
        tab.tap("#tab-More")
        tab.wait("document.querySelector('#skip-3')?.checked && document.querySelector('#hookup')")
        for name, value in (("hookup", "nn"), ("lead-a", "3"), ("lead-b", "1"), ("load-at", "2")):
            field = f"document.querySelector('#{name}')"
            tab.run(
                f"{field}.value = '{value}'; "
                f"{field}.dispatchEvent(new Event('change', {{bubbles: true}}))"
            )
        tab.tap("[data-focus='Take this test']")
        tab.wait(f"document.querySelector('#leads').textContent.includes({json.dumps(third)})")
        leads, load = tab.text("#leads"), tab.text("#load")
        press(tab, "stop")
        messages = operator.finish()[1]
        assert tab.complaints() == []
    hands.meter.close()
    first, second, _ = hands.circuit.receptacles
    assert leads == f"neutral of {third} to neutral of {first}"
    assert load == second
    assert f"Skipped for now: {third}." in messages
