"""From rows to the map: what must hold whatever the log says."""

import math
from dataclasses import astuple, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.assumptions import USUAL
from meterlink.circuit.setup import LIVE_HOOKUPS, Verdict
from meterlink.errors import UsageError
from meterlink.testlog.columns import TestRow
from meterlink.tree.infer import infer
from meterlink.tree.resolve import map_of, resolve
from meterlink.tree.wiring import WiringMap

from .plain import LINE, NAMES, NG, NN, circuit, row

PAIR = circuit(2, load_amps=10.0)
TRIO = circuit(3, load_amps=10.0)


def chain_rows(repeat: int = 1) -> list[TestRow]:
    """panel - Attic - Bath - Cellar with runs of 80, 30 and 40 mohm at 10 A."""
    tests = [
        (NG, "Attic", None, "Cellar", 800.0),
        (NG, "Bath", None, "Cellar", 1100.0),
        (NG, "Cellar", None, "Cellar", 1500.0),
        (NG, "Cellar", None, "Bath", 1100.0),
        (NG, "Attic", None, "Attic", 800.0),  # no more than to Cellar: no hidden splice before it
        (NG, "Bath", None, "Bath", 1100.0),
        (NN, "Attic", "Bath", "Cellar", 300.0),
    ]
    return [
        row(i, hookup, a, b, load, drop, 2.0)
        for i, (hookup, a, b, load, drop) in enumerate(tests * repeat, 1)
    ]


def quiet(number: int, a: str, b: str, load: str) -> TestRow:
    return row(number, NN, a, b, load, 0.1, 2.0, verdict=Verdict.NOT_IN_PATH)


def every_number(wiring_map: WiringMap) -> list[float]:
    runs = [*wiring_map.points, *wiring_map.splices]
    return [
        wiring_map.first.probability,
        wiring_map.order_probability,
        *(p.probability for p in runs),
        *(d.probability for d in wiring_map.doubts),
        *(j.probability for j in wiring_map.poor_joints),
        *(p.run_mohm for p in runs),
        *(p.run_u_mohm for p in runs),
    ]


def test_a_chain_comes_back_with_its_runs() -> None:
    found = resolve(TRIO, chain_rows())
    assert found.first.receptacle == "Attic"
    assert found.settled
    feeds = {p.name: (p.fed_from, round(p.run_mohm)) for p in found.points}
    assert feeds == {"Attic": ("panel", 80), "Bath": ("Attic", 30), "Cellar": ("Bath", 40)}
    assert all(p.probability > 0.95 for p in found.points)
    assert not found.doubts
    assert not found.splices


def test_one_receptacle_is_the_first_without_any_test() -> None:
    found = resolve(circuit(1), [])
    assert found.first.receptacle == "Attic"
    assert found.first.probability == pytest.approx(1)
    assert found.points[0].fed_from == "panel"
    assert found.untested == ("Attic",)


def test_a_hidden_splice_stays_possible_until_the_load_was_at_the_receptacle_itself() -> None:
    """Without a test with the load at Attic, Attic may hang on a splice that all share."""
    rows = [r for r in chain_rows() if r.setup.load_at == "Cellar"]
    found = resolve(TRIO, rows)
    assert not found.settled
    assert 0.7 < found.first.probability < 0.95


def test_without_tests_nothing_is_sure() -> None:
    found = resolve(circuit(4), [])
    assert not found.settled
    assert found.first.probability < 0.5
    assert found.untested == NAMES[:4]


def test_a_receptacle_that_no_test_touched_is_named_and_never_settled() -> None:
    found = resolve(circuit(4), chain_rows())
    assert found.untested == ("Den",)
    assert not found.settled
    [den] = [p for p in found.points if p.name == "Den"]
    assert den.probability < 0.7
    assert "untested" in den.flags


def test_tests_that_all_say_no_change_settle_nothing() -> None:
    rows = [
        quiet(i, a, b, load)
        for i, (a, b, load) in enumerate(
            [("Attic", "Bath", "Cellar"), ("Attic", "Cellar", "Bath"), ("Bath", "Cellar", "Attic")],
            1,
        )
    ]
    found = resolve(TRIO, rows)
    assert not found.settled
    assert found.first.probability < USUAL.decisions.settled


def test_a_duplicated_row_does_not_make_the_answer_less_certain_or_different() -> None:
    rows = chain_rows()
    twice = [replace(r, test=i) for i, r in enumerate((*rows, *rows), 1)]
    assert [p.fed_from for p in resolve(TRIO, twice).points] == [
        p.fed_from for p in resolve(TRIO, rows).points
    ]


@pytest.mark.parametrize("amps", [None, 0.0])
def test_amps_that_nobody_stated_leave_the_order_as_it_is(amps: float | None) -> None:
    found = resolve(circuit(3), [replace(r, amps=amps) for r in chain_rows()])
    assert found.settled
    assert [p.fed_from for p in found.points] == ["panel", "Attic", "Bath"]


def test_an_uncertainty_of_zero_is_no_certainty() -> None:
    found = resolve(TRIO, [replace(r, drop_u_mv=0.0) for r in chain_rows()])
    assert found.settled
    assert all(math.isfinite(x) for x in every_number(found))
    assert all(p.run_u_mohm > 0 for p in found.points)


def test_logs_that_contradict_themselves_name_tests_and_settle_nothing() -> None:
    """Half of the rows say Attic feeds Bath, the other half Bath feeds Attic."""
    rows = [
        row(1, NN, "Attic", "Bath", "Bath", 300.0, 3.0),
        quiet(2, "Attic", "Bath", "Attic"),
        row(3, NN, "Attic", "Bath", "Attic", 300.0, 3.0),
        quiet(4, "Attic", "Bath", "Bath"),
    ]
    found = resolve(PAIR, rows)
    assert not found.settled
    assert found.order_probability < 0.9


def test_one_lie_among_many_is_outvoted_and_named() -> None:
    outlier = quiet(99, "Attic", "Bath", "Cellar")
    found = resolve(TRIO, [*chain_rows(), outlier])
    assert [p.fed_from for p in found.points] == ["panel", "Attic", "Bath"]
    assert [d.test for d in found.doubts] == [99]
    assert found.doubts[0].probability > 0.9


def test_a_thousand_tests_are_read_and_agree() -> None:
    rows = [replace(r, test=i) for i, r in enumerate(chain_rows(143), 1)]
    found = resolve(TRIO, rows)
    assert found.tests == 1001
    assert found.settled
    assert [p.fed_from for p in found.points] == ["panel", "Attic", "Bath"]


def test_the_same_rows_give_the_same_map() -> None:
    rows = chain_rows()
    assert astuple(resolve(circuit(4), rows)) == astuple(resolve(circuit(4), rows))


def test_the_order_of_the_rows_does_not_matter() -> None:
    rows = chain_rows()
    one, other = resolve(TRIO, rows), resolve(TRIO, rows[::-1])
    assert [p.fed_from for p in one.points] == [p.fed_from for p in other.points]
    assert one.order_probability == pytest.approx(other.order_probability, abs=1e-6)


def test_a_name_that_the_circuit_does_not_have_is_refused_with_its_test() -> None:
    with pytest.raises(UsageError, match=r"Test 7 names 'Porch'"):
        resolve(PAIR, [row(7, NG, "Porch", None, "Attic", 100.0)])


@pytest.mark.parametrize("n", [0, 41])
def test_a_circuit_of_no_or_too_many_receptacles_is_refused(n: int) -> None:
    many = replace(circuit(1), receptacles=tuple(f"R{i}" for i in range(n)))
    with pytest.raises(UsageError, match=f"has {n} receptacles"):
        resolve(many, [])


def test_a_load_at_the_lead_itself_is_a_test_like_any_other() -> None:
    found = resolve(PAIR, [row(1, NG, "Attic", None, "Attic", 800.0, 2.0)])
    assert not found.settled
    assert found.points


def test_the_map_is_the_one_of_its_posterior() -> None:
    rows = chain_rows()
    assert astuple(map_of(infer(TRIO, rows), rows)) == astuple(resolve(TRIO, rows))


@st.composite
def any_row(draw: st.DrawFn, number: int) -> TestRow:
    """A row with figures that make little sense together."""
    hookup = draw(st.sampled_from(LIVE_HOOKUPS))
    a, b, load = draw(st.permutations(NAMES[:4]))[:3]
    load = draw(st.sampled_from([load, a]))
    number_or_none = st.none() | st.sampled_from([0.0, 0.4, 3.0, 60.0, 900.0, 1e5, -40.0, math.nan])
    return row(
        number,
        hookup,
        a,
        b if hookup is NN else None,
        load,
        draw(number_or_none),
        draw(st.none() | st.sampled_from([0.0, 0.01, 1.0, 30.0, 1e4, math.nan, -1.0])),
        verdict=draw(st.sampled_from(Verdict)),
        limit_mv=draw(st.none() | st.sampled_from([0.0, 15.0, 500.0])),
        amps=draw(st.none() | st.sampled_from([0.0, 0.01, 10.0, 2000.0])),
    )


@given(st.data())
@settings(max_examples=25, deadline=None)
def test_no_log_crashes_the_resolver_or_gives_a_figure_that_is_none(data: st.DataObject) -> None:
    rows = [data.draw(any_row(i)) for i in range(1, data.draw(st.integers(0, 9)) + 1)]
    volts = data.draw(st.sampled_from([None, 120.0]))
    found = resolve(circuit(4, volts=volts, load_amps=10.0), rows, capacity=120)
    numbers = every_number(found)
    assert all(math.isfinite(x) for x in numbers)
    probabilities = [found.first.probability, found.order_probability]
    probabilities += [p.probability for p in (*found.points, *found.splices, *found.doubts)]
    assert all(-1e-9 <= p <= 1 + 1e-9 for p in probabilities)
    named = [p.name for p in found.points]
    away = {c.at for c in found.conditions if c.name == "not-on-circuit"}
    assert len(set(named)) == len(named)
    assert set(NAMES[:4]) - away <= set(named) <= set(NAMES[:4])


def test_line_drop_at_each_load_orders_a_chain() -> None:
    """The sag at the load grows from the first to the last; source 100 mohm, hot like neutral."""
    way = {"Attic": 80.0, "Bath": 110.0, "Cellar": 150.0}
    rows = [
        row(i, LINE, a, None, load, 10 * (100 + 2 * min(way[a], way[load])), 15.0)
        for i, (a, load) in enumerate([(a, b) for a in way for b in way], 1)
    ]
    found = resolve(TRIO, rows)
    assert [p.fed_from for p in found.points] == ["panel", "Attic", "Bath"]
