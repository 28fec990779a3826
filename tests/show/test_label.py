from datetime import UTC, datetime

from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.answers.protection import protect
from meterlink.circuit.circuit import Circuit
from meterlink.show.format import display_width
from meterlink.show.report import label_text
from meterlink.tree.wiring import WiringMap

from .maps import any_map, busy, known
from .test_trace_plots import ROW

CIRCUIT = Circuit(
    "Upstairs", ("Door",), volts=120, breaker_amps=15, conductor="14 AWG copper", breaker="7"
)

LABEL = """\
Breaker 7: Upstairs
15 A, 120 V, 14 AWG copper
Ground-fault protection: one device at Door
covers all 5 tested receptacles (confirmed,
> 99.9 %)
On the load terminals at Door: Desk, Bed,
Lamp and Bath 台所
Not tested, so unknown: Shed
First after the panel: Door (likely, 91 %)
panel
Door
splice 1
> Desk
Bed
> Lamp
Bath 台所
Shed
Order of 6 receptacles: not known yet, 41 %,
from 11 tests
Poor connection likely: run to Bed, neutral
side
Last test 2026-03-23
"""


def test_a_label_tells_circuit_first_receptacle_order_and_date() -> None:
    assert ROW.time == datetime(2026, 3, 23, 9, 14, 5, tzinfo=UTC)
    assert label_text(CIRCUIT, [ROW], busy(), protect(known(busy()).wirings)) == LABEL


@given(any_map(), st.integers(20, 60))
@settings(max_examples=40, deadline=None)
def test_no_line_of_a_label_is_wider_than_asked(wiring_map: WiringMap, width: int) -> None:
    for line in label_text(CIRCUIT, [], wiring_map, width=width).splitlines():
        assert display_width(line) <= width
