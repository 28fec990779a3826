import csv
from dataclasses import replace
from pathlib import Path

import pytest

from meterlink.circuit.circuit import Circuit
from meterlink.show.voltage_drop import IEC, NFPA, against, drops, full_load, limits, ways
from meterlink.tree.wiring import Point

from .maps import busy, chain

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"

CIRCUIT = Circuit("Rooms", ("Porch", "Attic", "Bed"), volts=120, hertz=60, breaker_amps=15)

# Worked examples, fixtures/reference/voltage_drop_examples.csv: resistance of one conductor in
# milliohms, amperes, nominal volts, published volts and the rounding they were published with.
EXAMPLES = {
    "VD1 handbook method, 100 ft of 4.99 ohm/kft": (499.0, 4.0, 24.0, 3.992, 5e-4),
    "VD4 Fardo and Patrick p. 276, 10 ft of 2.57 ohm/kft": (25.7, 12.0, 120.0, 0.6168, 5e-5),
    "VD5 Mullin and Simmons ch. 4, 8 AWG": (12.9 * 140 / 16510 * 1e3, 10.0, 120.0, 2.19, 5e-3),
    "VD6 course lesson, 18 mV/A/m over 18 m": (18.0 * 18 / 2, 16.0, 230.0, 5.18, 5e-3),
}


@pytest.mark.parametrize("example", EXAMPLES)
def test_a_drop_is_the_published_one(example: str) -> None:
    run_mohm, amps, volts, published_v, rounding_v = EXAMPLES[example]
    one = replace(chain(), points=(Point("Porch", "panel", 1.0, run_mohm, 1.0, None),))
    (drop,) = drops(one, replace(CIRCUIT, volts=volts, breaker_amps=amps))
    assert drop.volts == pytest.approx(published_v, abs=rounding_v)
    assert drop.percent == pytest.approx(100 * published_v / volts, abs=0.01)


def test_the_way_to_a_point_holds_receptacles_and_splices() -> None:
    assert [run.name for run in ways(busy())["Lamp"]] == ["Lamp", "Bed", "splice 1", "Door"]
    lamp = next(drop for drop in drops(busy(), CIRCUIT) if drop.name == "Lamp")
    assert lamp.loop_mohm == pytest.approx(2 * (101.2 + 11.0 + 94.7 + 30.0))


@pytest.mark.parametrize("feed", ["nowhere", "Bed"])
def test_a_point_without_a_way_to_the_panel_is_refused(feed: str) -> None:
    points = (Point("Bed", feed, 1.0, 9.0, 1.0, None),)
    with pytest.raises(ValueError, match="no way from the panel to 'Bed'"):
        ways(replace(chain(), points=points))


def test_a_run_that_was_not_measured_makes_all_behind_it_unknown() -> None:
    home, *rest = chain().points
    points = (replace(home, flags=("run-unknown",)), *rest)
    found = drops(replace(chain(), points=points), CIRCUIT)
    assert {drop.unmeasured for drop in found} == {("Porch",)}


def test_untested_receptacles_get_no_figure() -> None:
    assert "Shed" not in {drop.name for drop in drops(busy(), CIRCUIT)}


@pytest.mark.parametrize(
    "circuit", [replace(CIRCUIT, volts=None), replace(CIRCUIT, breaker_amps=None)]
)
def test_without_volts_or_amperes_there_is_nothing_to_say(circuit: Circuit) -> None:
    assert drops(chain(), circuit) == ()


def test_the_load_of_the_tests_stands_in_for_a_breaker_that_is_not_stated() -> None:
    known = full_load(replace(CIRCUIT, breaker_amps=None, load_amps=10.4))
    assert known is not None
    assert known[0] == 10.4
    assert "not stated" in known[1]


@pytest.mark.parametrize(
    ("hertz", "conductor", "expected"),
    [
        (60.0, None, NFPA),
        (50.0, None, IEC),
        (None, "14 AWG copper", NFPA),
        (None, "2.5 mm2 copper", IEC),
    ],
)
def test_limits_are_those_of_the_part_of_the_world(
    hertz: float | None, conductor: str | None, expected: object
) -> None:
    assert limits(replace(CIRCUIT, hertz=hertz, conductor=conductor)) == expected


def test_limits_are_those_of_the_documents() -> None:
    """fixtures/reference/voltage_drop_limits.csv, rows of NFPA 70 210.19(A) and IEC 60364-5-52."""
    lines = (REFERENCE / "voltage_drop_limits.csv").read_text(encoding="utf-8").splitlines()
    table = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    nfpa = [row["limit_percent"] for row in table if row["clause"].startswith("210.19")]
    assert [f"{limit.percent:g}" for limit in NFPA] == nfpa
    (iec,) = [row["limit_percent"] for row in table if row["clause"].endswith("row A")]
    assert " / ".join(f"{limit.percent:g}" for limit in IEC) == iec


@pytest.mark.parametrize(
    ("percent", "words"),
    [
        (2.9, "within 3 %"),
        (3.0, "within 3 %"),
        (3.1, "above 3 %, within 5 %"),
        (5.1, "above 5 %"),
    ],
)
def test_a_drop_is_set_against_the_limits_in_words(percent: float, words: str) -> None:
    assert against(percent, NFPA) == against(percent, IEC) == words
