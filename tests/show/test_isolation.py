import pytest

from meterlink.show.isolation import Expected, expected
from meterlink.tree.wiring import WiringMap

from .maps import busy, chain, forked_at_panel

CASES: list[tuple[WiringMap, str | None, Expected]] = [
    (chain(), None, Expected("Porch", ("Attic", "Bed"), ())),
    (chain(), "Attic", Expected("Attic", ("Bed",), ("Porch",))),
    (busy(), "Bed", Expected("Bed", ("Lamp", "Bath 台所", "Shed"), ("Door", "Desk"))),
    (forked_at_panel(), None, Expected("A", (), ("B",))),
]


@pytest.mark.parametrize(("wiring_map", "opened", "found"), CASES)
def test_what_lies_behind_an_opened_receptacle_goes_dead(
    wiring_map: WiringMap, opened: str | None, found: Expected
) -> None:
    assert expected(wiring_map, opened) == found
