"""Faults that break the model are said in words."""

from dataclasses import replace

from meterlink.circuit.setup import Verdict
from meterlink.levels.flags import Flag
from meterlink.testlog.rows import TestRow
from meterlink.tree.resolve import resolve

from .plain import NG, row
from .test_resolve import TRIO, chain_rows


def quiet_ground(number: int, at: str, load: str) -> TestRow:
    return row(number, NG, at, None, load, 0.3, 2.0, verdict=Verdict.NOT_IN_PATH)


def flags_of(found, name: str) -> tuple[str, ...]:
    return next(p.flags for p in found.points if p.name == name)


def test_a_ground_that_stays_near_zero_with_the_load_on_may_be_bonded_to_the_neutral() -> None:
    others = [r for r in chain_rows(2) if r.setup.lead_a != "Cellar"]
    quiet = [quiet_ground(80, "Cellar", "Cellar"), quiet_ground(81, "Cellar", "Bath")]
    found = resolve(TRIO, [*others, *quiet])
    assert "ground-to-neutral" in flags_of(found, "Cellar")
    [note] = [n for n in found.notes if "bonded" in n]
    assert note.startswith("Neutral-ground at Cellar stayed near zero in tests 80 and 81")
    assert "licensed" in note


def test_one_quiet_test_alone_is_a_lie_not_a_hazard() -> None:
    others = [r for r in chain_rows(2) if r.setup.lead_a != "Cellar"]
    found = resolve(TRIO, [*others, quiet_ground(80, "Cellar", "Cellar")])
    assert not [n for n in found.notes if "bonded" in n]


def test_a_floating_lead_at_a_ground_is_told_as_a_missing_ground() -> None:
    floating = replace(
        row(90, NG, "Bath", None, "Cellar", None, None, verdict=Verdict.UNCLEAR),
        flags=(Flag.FLOATING,),
    )
    found = resolve(TRIO, [*chain_rows(), floating])
    assert "no-ground" in flags_of(found, "Bath")
    assert any("floated between neutral and ground at Bath" in note for note in found.notes)


def test_another_appliance_is_told_with_the_tests_it_spoilt() -> None:
    rows = chain_rows()
    spoilt = replace(rows[0], flags=(Flag.OTHER_APPLIANCE,))
    found = resolve(TRIO, [spoilt, *rows[1:]])
    assert any("switched during test 1" in note for note in found.notes)


def test_a_healthy_circuit_has_no_notes_and_no_flags() -> None:
    found = resolve(TRIO, chain_rows(2))
    assert found.notes == ()
    assert all(not p.flags for p in found.points)
