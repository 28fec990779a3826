import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.answers.wirings import dead_probabilities, expectations, place_to_open
from meterlink.testlog.findings import Cut, State
from meterlink.testlog.reader import read_rows

from .circuits import CHAIN, every_wiring, ring_of, wirings_of


@pytest.fixture
def four_tests(tmp_path: Path, captures: Path, meterlink: Callable) -> Path:
    """Circuit 106 after its first four tests."""
    meterlink("replay", captures / "circuit-106" / "visit.jsonl", "--job", tmp_path)
    log = tmp_path / "tests.csv"
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join(lines[:5]))
    assert len(list(read_rows(log))) == 4
    return tmp_path


def test_report_and_isolate_expect_the_same_of_every_receptacle(
    four_tests: Path, meterlink: Callable
) -> None:
    said = json.loads(meterlink("isolate", four_tests, "--json").out)
    meterlink("report", four_tests)
    page = (four_tests / "report.html").read_text("utf-8")
    table = page[page.index('id="check"') :]
    table = table[: table.index("</table>")]
    rows = re.findall(r"<bdi>([^<]+)</bdi></th>\s*<td>(dead|live|either)[^<]*</td>", table)
    assert f"at <bdi>{said['at']}</bdi>" in table
    in_report = {name: state for name, state in rows if name != said["at"]}
    expected = {
        item["name"]: item["state"] if item["probability"] >= 0.8 else "either"
        for item in said["expected"]
    }
    assert in_report == expected


def test_dead_is_what_hangs_on_the_place_and_a_tripped_device_is_dead_itself() -> None:
    wirings = wirings_of([CHAIN])
    cut = {e.name: e.state for e in expectations(wirings, Cut.DISCONNECTED, "Desk")}
    assert cut == {"Bed": State.DEAD, "Hall": State.DEAD, "Door": State.LIVE}
    tripped = {e.name: e.state for e in expectations(wirings, Cut.TRIPPED, "Desk")}
    assert tripped == cut | {"Desk": State.DEAD}


def test_on_a_ring_the_other_side_still_feeds() -> None:
    wirings = ring_of("Door", "Desk", "Bed", spurs={"Hall": "Desk"}, share=0.97)
    dead, live = dead_probabilities(wirings, Cut.DISCONNECTED, "Desk")
    assert dead[wirings.names.index("Bed")] == pytest.approx(0.03)
    assert live[wirings.names.index("Bed")] == pytest.approx(0.97)
    assert dead[wirings.names.index("Hall")] == pytest.approx(1)  # a spur on Desk


def test_with_the_breaker_off_all_of_this_circuit_is_dead() -> None:
    wirings = wirings_of([CHAIN])
    elsewhere = wirings.clades.copy()
    elsewhere[0, 3] = 0
    wirings = replace(wirings, clades=elsewhere)
    found = {e.name: e.state for e in expectations(wirings, Cut.BREAKER_OFF)}
    assert found["Hall"] is State.LIVE
    assert [name for name, state in found.items() if state is State.DEAD] == ["Door", "Desk", "Bed"]


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(2, 5), at=st.integers(0, 4))
def test_the_chance_to_be_dead_is_the_weight_of_the_wirings_that_say_so(
    seed: int, n: int, at: int
) -> None:
    wirings = every_wiring(n, np.random.default_rng(seed))
    name = wirings.names[at % n]
    dead, live = dead_probabilities(wirings, Cut.DISCONNECTED, name)
    total = np.zeros(n)
    for row, p in zip(wirings.clades, wirings.probability, strict=True):
        for other in wirings.named(int(row[at % n])):
            total[wirings.names.index(other)] += p
    assert dead == pytest.approx(total)
    assert dead + live == pytest.approx(1)
    assert place_to_open(wirings) in wirings.names
