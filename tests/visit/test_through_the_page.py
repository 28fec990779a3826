"""The whole visit through the page for the phone, in a real browser, to the settled order."""

import os
import shutil
from pathlib import Path

import pytest

from meterlink.circuit.job import write_job
from meterlink.testlog.reader import read_rows

from ..chromium import Chromium
from .hands import Hands
from .page_operator import PageOperator

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")

pytestmark = [
    pytest.mark.skipif(
        BROWSER is None, reason="no chromium on this machine (apt install chromium)"
    ),
    pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals"),
]


def test_a_person_with_a_phone_gets_to_the_settled_order(tmp_path: Path) -> None:
    hands = Hands(3, seed=6)
    job = write_job(tmp_path / "job", hands.circuit)
    assert BROWSER is not None
    with Chromium(BROWSER) as browser:
        operator = PageOperator(job.folder, hands, browser)
        maps = [event for event in operator.events() if event["event"] == "map"]
        code, messages = operator.finish()
        # A browser vibrates only after a finger has touched it, and a script has none.
        assert [text for text in operator.tab.complaints() if "vibrate" not in text] == []
    hands.meter.close()
    assert code == 0, messages
    assert maps[-1]["settled"]
    assert len(list(read_rows(job.log_path))) == maps[-1]["tests"] >= 3
