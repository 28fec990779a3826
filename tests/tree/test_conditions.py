"""Conditions in words: what is named, with what probability, and what settles nothing."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from meterlink.circuit.setup import Verdict
from meterlink.levels.drop import evaluate
from meterlink.levels.test_flags import Flag
from meterlink.show.sentences import advice_on
from meterlink.testlog.columns import TestRow
from meterlink.tree.conditions import at_least, scatter_sd
from meterlink.tree.fit import refit
from meterlink.tree.hypotheses import Hypotheses, Kind
from meterlink.tree.infer import infer
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.posterior import first_probabilities
from meterlink.tree.resolve import resolve
from meterlink.tree.wiring import CONDITIONS, WiringMap

from .plain import NAMES, NG, NN, circuit, row
from .test_hypotheses import condition_rows
from .test_resolve import PAIR, TRIO, chain_rows


def named(found: WiringMap) -> dict[str, float]:
    """Probability of each condition, the most probable place of it."""
    assert {c.name for c in found.conditions} <= set(CONDITIONS)
    return {c.name: c.probability for c in reversed(found.conditions)}


def quiet_ground(number: int, at: str, load: str) -> TestRow:
    return row(number, NG, at, None, load, 0.3, 2.0, verdict=Verdict.NOT_IN_PATH)


@pytest.mark.parametrize(
    ("kind", "name"), [("bonded", "ground-bonded"), ("elsewhere", "not-on-circuit")]
)
def test_a_condition_of_a_receptacle_is_named_there_and_settled_with_the_shape(
    kind: str, name: str
) -> None:
    """Drops of a chain of four with something amiss at its second, by nodal analysis."""
    rows = condition_rows(kind, 4, np.random.default_rng(3))
    found = resolve(circuit(4, load_amps=10.0), rows)
    [one] = [c for c in found.conditions if c.name == name and c.probability > 0.5]
    assert one.at == "Bath"
    assert one.hazard == (kind == "bonded")
    assert found.settled == (one.probability > 0.95)
    assert found.settled or kind == "elsewhere"  # a bond at the panel itself would look the same
    assert found.first.receptacle == "Attic"
    if kind == "bonded":
        assert "ground-to-neutral" in next(p.flags for p in found.points if p.name == "Bath")
    else:
        assert "Bath" not in {p.name for p in found.points}
    assert any("Bath" in note for note in found.notes)


def test_a_ring_is_named_and_settled_with_its_order() -> None:
    rows = condition_rows("ring", 4, np.random.default_rng(4))
    found = resolve(circuit(4, load_amps=10.0), rows)
    assert named(found)["second-path"] > 0.95
    assert found.settled
    assert found.loop is not None
    assert found.loop.order in (NAMES[:4], NAMES[3::-1])
    assert found.first.receptacle is None


def test_where_rings_are_usual_a_few_tests_of_a_chain_do_not_settle_it() -> None:
    rows = [r for r in chain_rows() if r.setup.lead_a == r.setup.load_at]
    rare = resolve(TRIO, rows).conditions
    usual = resolve(replace(TRIO, ring_usual=True), rows).conditions
    ring = [sum(c.probability for c in found if c.name == "second-path") for found in (rare, usual)]
    assert ring[1] > ring[0] + 0.1


def floating(number: int, at: str, load: str, level_mv: float) -> TestRow:
    one = row(number, NG, at, None, load, 5.0, 200.0, verdict=Verdict.UNCLEAR, limit_mv=500.0)
    return replace(one, idle_mv=level_mv, on_mv=level_mv + 3, flags=(Flag.FLOATING,))


def test_a_receptacle_without_ground_is_named_and_its_tests_say_nothing_of_the_order() -> None:
    rows = [*chain_rows(2), floating(80, "Bath", "Bath", 6000.0)]
    rows.append(replace(floating(81, "Bath", "Cellar", 6000.0), drop_mv=0.5, drop_u_mv=2.0))
    rows = [r for r in rows if not (r.setup.lead_a == "Bath" and r.setup.lead_b is None) or r.flags]
    rows += [row(82 + i, NN, "Attic", "Bath", "Bath", 300.0, 2.0) for i in range(2)]
    found = resolve(TRIO, rows)
    [one] = [c for c in found.conditions if c.name == "no-ground"]
    assert one.at == "Bath"
    assert one.probability > 0.9
    assert one.hazard
    assert found.settled
    assert "no-ground" in next(p.flags for p in found.points if p.name == "Bath")


def test_a_ground_that_is_stated_missing_although_its_tests_fit_is_believed_to_be_there() -> None:
    found = resolve(replace(TRIO, no_ground=("Bath",)), chain_rows(2))
    assert named(found).get("no-ground", 0.0) < 0.5
    assert found.settled


def test_a_wrong_name_is_found_with_what_was_meant() -> None:
    """Test 30 is written with lead A at Attic; its drop is that of Cellar."""
    wrong = row(30, NG, "Attic", None, "Cellar", 1500.0, 2.0)
    found = resolve(TRIO, [*chain_rows(2), wrong])
    [one] = [c for c in found.conditions if c.name == "misnamed"]
    assert (one.test, one.at, one.meant) == (30, "Attic", "Cellar")
    assert one.probability > 0.5
    assert found.doubts[0].test == 30
    assert found.settled


def test_a_joint_that_opens_and_closes_is_a_hazard_where_the_load_was() -> None:
    restless = replace(chain_rows()[2], flags=(Flag.RESTLESS_JOINT,))
    found = resolve(TRIO, [*chain_rows(2), replace(restless, test=50)])
    [one] = [c for c in found.conditions if c.name == "restless-joint"]
    assert (one.at, one.hazard) == ("Cellar", True)


def test_another_appliance_is_told_with_the_tests_it_spoilt() -> None:
    rows = chain_rows()
    spoilt = replace(rows[0], flags=(Flag.OTHER_APPLIANCE,))
    found = resolve(TRIO, [spoilt, *rows[1:]])
    assert any("switched during test 1" in note for note in found.notes)


def test_a_healthy_circuit_has_no_conditions_no_notes_and_no_flags() -> None:
    found = resolve(TRIO, chain_rows(2))
    assert found.conditions == ()
    assert found.notes == ()
    assert all(not p.flags for p in found.points)


def test_one_quiet_test_alone_is_an_outlier_not_a_hazard() -> None:
    others = [r for r in chain_rows(2) if r.setup.lead_a != "Cellar"]
    found = resolve(TRIO, [*others, quiet_ground(80, "Cellar", "Cellar")])
    assert named(found).get("ground-bonded", 0.0) < 0.5


# what nothing explains


def test_a_log_in_which_every_test_contradicts_settles_nothing_and_says_so() -> None:
    rng = np.random.default_rng(9)
    rows = [
        replace(one, test=i, drop_mv=float(rng.uniform(50, 1800)))
        for i, one in enumerate(chain_rows(3), 1)
    ]
    found = resolve(TRIO, rows)
    assert not found.settled
    assert found.first.probability < 0.95
    assert found.notes


def test_an_order_that_many_tests_contradict_is_not_settled() -> None:
    """Three false jumps at random sizes between leads that the chain keeps apart."""
    false = [
        row(50 + i, NN, a, b, load, size, 2.0)
        for i, (a, b, load, size) in enumerate(
            [
                ("Bath", "Cellar", "Attic", 170.0),
                ("Bath", "Cellar", "Bath", 640.0),
                ("Attic", "Cellar", "Attic", 90.0),
            ]
        )
    ]
    found = resolve(TRIO, [*chain_rows(1), *false])
    assert not found.settled
    assert found.doubts


def test_a_thousand_rows_with_a_third_spoilt_keep_the_order_and_name_the_spoilt() -> None:
    rng = np.random.default_rng(2)
    rows = []
    for i, one in enumerate(chain_rows(143), 1):
        spoilt = i % 3 == 0
        drop = float(rng.uniform(20, 2000)) if spoilt else one.drop_mv
        rows.append(replace(one, test=i, drop_mv=drop))
    found = resolve(TRIO, rows)
    assert found.tests == 1001
    assert [p.fed_from for p in found.points if p.name != "Attic"] == ["Attic", "Bath"]
    assert not found.settled
    assert len(found.doubts) > 250


def test_idle_readings_of_volts_everywhere_are_missing_grounds_and_settle_nothing() -> None:
    rows = [
        floating(i, a, b, 5000.0)
        for i, (a, b) in enumerate([("Attic", "Bath"), ("Bath", "Attic")], 1)
    ]
    found = resolve(PAIR, rows)
    assert not found.settled
    assert [c.at for c in found.conditions if c.name == "no-ground" and c.probability > 0.5] == [
        "Attic",
        "Bath",
    ] or {c.at for c in found.conditions if c.name == "no-ground"} == {"Attic", "Bath"}


def test_currents_and_readings_of_any_size_end_in_an_answer() -> None:
    rows = [replace(r, amps=99_999_999.0) for r in chain_rows()]
    assert not np.isnan(resolve(replace(TRIO, volts=120.0), rows).first.probability)
    tiny = [replace(r, amps=1e-9, drop_mv=1e300) for r in chain_rows()]
    assert not np.isnan(resolve(TRIO, tiny).order_probability)


def some(m: int, drop: float = 100.0) -> Tests:
    rows = [row(i, NG, "Attic", None, "Bath", drop, 2.0) for i in range(1, m + 1)]
    return Tests.of(observations_of(circuit(2), rows))


@pytest.mark.parametrize(("count", "tests", "rate"), [(0, 9, 0.03), (1, 9, 0.03), (4, 40, 0.006)])
def test_the_chance_of_so_many_outliers_is_the_binomial_tail(
    count: int, tests: int, rate: float
) -> None:
    assert at_least(count, tests, rate) == pytest.approx(stats.binom.sf(count - 1, tests, rate))


@pytest.mark.parametrize("freedom", [3, 10, 60])
def test_the_scatter_is_measured_as_chi_square_is_distributed(freedom: int) -> None:
    """Quantiles of scipy.stats.chi2 come out as those of a normal, to a twentieth."""
    m = freedom + 2  # one run fitted, the worst test left aside
    tests = some(m)
    for sd in (0.0, 1.5, 3.0):
        chi_square = stats.chi2.isf(stats.norm.sf(sd), freedom)
        off = np.sqrt(chi_square / (m - 1)) * tests.u
        off[0] = 1.0001 * off[0]
        found = scatter_sd(tests, np.zeros(m), tests.drop - off, 1)
        assert found == pytest.approx(sd, abs=0.05 * (1 + sd))


def test_every_kind_of_hypothesis_has_a_name_in_the_output() -> None:
    assert {k.name for k in Kind} == {
        "SOUND",
        "BONDED",
        "CLOSED",
        "ELSEWHERE",
        "MISNAMED",
        "APART",
    }


def test_a_bond_of_some_resistance_is_not_taken_for_a_home_run_of_half_a_metre() -> None:
    """Depths of a chain bonded at its second, where the bond itself shows some 40 mV."""
    depths = {"Bath": 46.3, "Attic": 208.9, "Cellar": 451.5, "Den": 694.0}
    rows = [row(i, NG, at, None, at, mv, 5.0) for i, (at, mv) in enumerate(depths.items(), 1)]
    rows.append(row(5, NN, "Den", "Bath", "Den", 645.9, 4.0))
    found = infer(circuit(4, load_amps=9.0), rows)
    assert found.orders.probability[found.orders.kind == Kind.BONDED].sum() > 0.1
    assert first_probabilities(found.orders, 4).max() < 0.95


def test_a_test_repeated_at_a_receptacle_of_another_circuit_speaks_for_no_bond() -> None:
    """Whether its own load moves its readings is the same each time."""
    deep = (("Attic", 300.0), ("Bath", 650.0), ("Cellar", 900.0))
    rows = [row(i, NG, name, None, name, mv, 5.0) for i, (name, mv) in enumerate(deep, 1)]
    rows.append(row(4, NN, "Cellar", "Den", "Bath", 650.0, 5.0))
    rows += [quiet_ground(i, "Den", "Den") for i in range(5, 12)]
    away = []
    for some in (rows[:5], rows):
        found = resolve(circuit(4, load_amps=10.0), some).conditions
        away.append(sum(c.probability for c in found if c.name == "not-on-circuit"))
    assert away[1] >= away[0] - 0.05


def opposed_rows() -> tuple[list[TestRow], list[float]]:
    """A splice before the first receptacle, by Ohm's law: 8 A of load against 5.6 A to the Eaves.

    The splice feeds the Attic, and the Bath with Cellar, Den and Eaves behind it in line. A load at
    the Attic is the lesser current on the way that others see, all others are the greater one.

    Returns:
        Rows, and the drops as they are.
    """
    mohm = {"Attic": 107.0, "Bath": 90.0, "Cellar": 108.0, "Den": 140.0, "Eaves": 249.0}

    def shared(one: str | None, other: str) -> float:
        if one is None:
            return 0.0
        if "Attic" in (one, other) and one != other:
            return 80.0
        return min(mohm[one], mohm[other])

    setups = [(NG, name, None, name) for name in mohm]
    setups += [(NN, "Attic", name, name) for name in ("Eaves", "Den", "Cellar")]
    setups += [(NN, "Cellar", "Bath", "Den"), (NG, "Cellar", None, "Den")]
    setups += [(NG, "Eaves", None, "Attic"), (NG, "Den", None, "Attic")]
    rows, drops_mv = [], []
    for number, (hookup, a, b, load) in enumerate(setups, 1):
        idle_mv = 5.6 * (shared(a, "Eaves") - shared(b, "Eaves"))
        drop_mv = 8.0 * (shared(a, load) - shared(b, load))
        on_mv = abs(idle_mv - drop_mv)
        found = evaluate(hookup, abs(idle_mv), on_mv, 4.0, smallest_drop_mv=30.0)
        one = row(number, hookup, a, b, load, found.drop_mv, found.drop_u_mv, verdict=found.verdict)
        rows.append(replace(one, idle_mv=abs(idle_mv), on_mv=on_mv, level_u_mv=4.0))
        drops_mv.append(abs(drop_mv))
    return rows, drops_mv


def test_a_splice_before_the_first_on_a_shared_neutral_is_never_ruled_out_by_a_poor_fit() -> None:
    """Each drop is the sum or the difference of two readings: a fit weighs both."""
    rows, drops_mv = opposed_rows()
    for some in (slice(0, 10), slice(0, 12)):
        posterior = infer(circuit(5, load_amps=8.0), rows[some])
        assert posterior.opposed > 0.9
        assert first_probabilities(posterior.orders, 5)[:5].max() < 0.95
    home = (1 << 5) - 1
    masks = np.array([[home, 0b00001, 0b11110, 0b11100, 0b11000, 0b10000]], dtype=np.int64)
    found = refit(Hypotheses.of(masks), posterior.known)[1]
    assert found.predicted_mv[0] == pytest.approx(drops_mv, rel=0.08)


def test_a_ring_where_rings_are_usual_is_no_matter_for_an_electrician() -> None:
    rows = condition_rows("ring", 4, np.random.default_rng(4))
    for usual in (True, False):
        found = resolve(replace(circuit(4, load_amps=10.0), ring_usual=usual), rows)
        [ring] = [one for one in found.conditions if one.name == "second-path"]
        assert ("licensed" in ring.what_to_do) is not usual
        [told] = [one for one in advice_on(found) if one.title == "Second path"]
        assert told.urgent is not usual
