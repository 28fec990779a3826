"""What the log has shown of each hookup."""

from datetime import UTC, datetime

import pytest

from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.test_flags import Flag
from meterlink.plan.experience import LIMIT_IN_U, Experience
from meterlink.testlog.columns import TestRow

CIRCUIT = Circuit("invented", ("Attic", "Bay", "Cove"), volts=120.0, load_amps=10.0)
TIME = datetime(2026, 1, 1, tzinfo=UTC)
GROUND = Setup(Hookup.NEUTRAL_GROUND, "Bay", None, "Cove")
LINE = Setup(Hookup.LINE_DROP, "Bay", None, "Bay")


def row(setup: Setup, verdict: Verdict = Verdict.IN_PATH, **figures: object) -> TestRow:
    return TestRow(1, TIME, setup, 10.0, verdict=verdict, **figures)


def test_with_nothing_logged_each_hookup_is_as_good_as_usual():
    known = Experience.of(CIRCUIT, [])
    assert known.u_mv(GROUND) == (known.meter.pickup_u_mv, known.meter.no_jump_u_mv)
    assert known.u_mv(LINE)[0] == pytest.approx(120.0 * known.meter.supply_rel_u * 1e3)
    assert known.advice() == ()


def test_the_same_leads_are_expected_to_tell_as_well_as_they_did():
    rows = [row(GROUND, drop_mv=400.0, drop_u_mv=u) for u in (31.0, 33.0, 35.0)]
    known = Experience.of(CIRCUIT, rows)
    other_load = Setup(Hookup.NEUTRAL_GROUND, "Bay", None, "Attic")
    assert known.u_mv(other_load)[0] == 33.0


def test_what_saw_nothing_is_expected_to_see_nothing_so_well_again():
    rows = [row(GROUND, Verdict.NOT_IN_PATH, drop_mv=0.5, drop_u_mv=4.0, limit_mv=24.48)]
    assert Experience.of(CIRCUIT, rows).u_mv(GROUND)[1] == pytest.approx(24.48 / LIMIT_IN_U)


def test_more_cycles_tell_a_sag_better_and_what_was_seen_counts_for_one_cycle():
    known = Experience.of(CIRCUIT, [row(LINE, drop_mv=300.0, drop_u_mv=50.0, cycles=4)])
    assert known.u_mv(LINE, 1)[0] == pytest.approx(100.0, rel=0.01)
    assert known.u_mv(LINE, 4)[0] == pytest.approx(50.0)


def test_of_a_large_sag_more_cycles_tell_less_for_where_it_comes_the_element_is_cold():
    """By how much is known to 2 % only: with many cycles half of the switchings tell."""
    known = Experience.of(CIRCUIT, [row(LINE, drop_mv=5000.0, drop_u_mv=100.0, cycles=1)])
    assert known.u_mv(LINE, 1)[0] == pytest.approx(100.0)
    one = 0.5 * (1e4 + (1e8 + 4e8) ** 0.5)  # solves 1e-4 = 1 / one + 1 / (one + 100**2)
    many = 12 / one + 1 / (one / 12 + 1e4)
    assert known.u_mv(LINE, 12)[0] == pytest.approx(many**-0.5)


def test_current_of_another_appliance_leaves_two_sharp_values_not_one_wide():
    wide = row(GROUND, idle_mv=200.0, drop_mv=500.0, drop_u_mv=140.0, level_u_mv=2.0)
    assert Experience.of(CIRCUIT, [wide, wide]).u_mv(GROUND)[0] < 10.0


def test_a_test_that_could_not_tell_twice_is_not_worth_a_third_time():
    once = Experience.of(CIRCUIT, [row(GROUND, Verdict.UNCLEAR)])
    twice = Experience.of(CIRCUIT, [row(GROUND, Verdict.UNCLEAR)] * 2)
    assert not once.tells_nothing(GROUND)
    assert twice.tells_nothing(GROUND)


def test_a_test_that_stood_still_twice_is_not_done_a_third_time():
    still = row(GROUND, Verdict.NOT_IN_PATH, drop_mv=0.0, drop_u_mv=4.0)
    assert not Experience.of(CIRCUIT, [still]).tells_nothing(GROUND)
    assert Experience.of(CIRCUIT, [still, still]).tells_nothing(GROUND)
    jump = row(GROUND, drop_mv=90.0, drop_u_mv=4.0)
    assert not Experience.of(CIRCUIT, [still, still, jump]).tells_nothing(GROUND)


def test_a_test_beside_anothers_current_is_done_twice_at_most():
    """Whether the load adds to that current or works against it is the same every time."""
    jump = row(GROUND, idle_mv=900.0, drop_mv=1200.0, drop_u_mv=200.0)
    assert not Experience.of(CIRCUIT, [jump]).tells_nothing(GROUND)
    assert Experience.of(CIRCUIT, [jump, jump]).tells_nothing(GROUND)
    quiet = row(GROUND, idle_mv=6.0, drop_mv=1200.0, drop_u_mv=5.0)
    assert not Experience.of(CIRCUIT, [jump, quiet]).tells_nothing(GROUND)
    attic = Setup(Hookup.NEUTRAL_GROUND, "Attic", None, "Attic")
    unplugged = row(attic, idle_mv=6.0, drop_mv=900.0, drop_u_mv=5.0)
    assert not Experience.of(CIRCUIT, [jump, jump, unplugged]).tells_nothing(GROUND)
    sag = Setup(Hookup.LINE_DROP, "Bay", None, "Bay")
    supply = row(sag, idle_mv=120_000.0, drop_mv=1200.0, drop_u_mv=200.0)
    assert not Experience.of(CIRCUIT, [supply] * 4).tells_nothing(sag)


def test_leads_that_could_not_tell_with_any_load_tell_nothing_with_another():
    loads = [row(Setup(Hookup.NEUTRAL_GROUND, "Bay", None, at), Verdict.UNCLEAR) for at in "XYZ"]
    known = Experience.of(CIRCUIT, loads)
    assert known.tells_nothing(GROUND)
    assert not known.tells_nothing(Setup(Hookup.NEUTRAL_GROUND, "Attic", None, "Cove"))
    clear = [*loads, row(Setup(Hookup.NEUTRAL_GROUND, "Bay", None, "Attic"), drop_mv=90.0)]
    assert not Experience.of(CIRCUIT, clear).tells_nothing(GROUND)


def test_dead_hookups_are_expected_as_sharp_as_they_are():
    dead = Circuit("dead", ("Attic", "Bay"), load_kind=LoadKind.DIRECT_SOURCE)
    known = Experience.of(dead, [])
    path = Setup(Hookup.PATH_RESISTANCE, "Bay", None, "", "neutral")
    assert known.u_mv(path) == (known.meter.ohms_u_mohm,) * 2
    source = Setup(Hookup.NEUTRAL_NEUTRAL, "Bay", None, "Bay", "neutral")
    assert known.u_mv(source)[0] == known.meter.direct_u_mv


def test_where_nothing_told_anything_the_person_hears_what_would_help():
    idle = [row(GROUND, Verdict.UNCLEAR, idle_mv=260.0), row(LINE, Verdict.UNCLEAR)]
    advice = " ".join(Experience.of(CIRCUIT, idle).advice())
    assert "260 mV" in advice
    assert "Unplug" in advice
    assert "milliohm" in advice
    floating = [row(GROUND, Verdict.UNCLEAR, idle_mv=9000.0, flags=(str(Flag.FLOATING),))]
    assert "ground contact at Bay" in " ".join(Experience.of(CIRCUIT, floating).advice())
    weak = Circuit("weak", ("Attic", "Bay", "Cove"), load_amps=2.0)
    assert "2 A" in " ".join(Experience.of(weak, floating).advice())
