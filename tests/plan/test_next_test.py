"""The planner: what it chooses, what it never chooses, and what it says."""

from collections.abc import Collection
from dataclasses import replace
from datetime import UTC, datetime
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.assumptions import USUAL
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup, Setup, Verdict
from meterlink.errors import UsageError
from meterlink.plan.candidates import Effort, possible_setups
from meterlink.plan.forecast import (
    Forecast,
    as_tests,
    forecast,
    information_bits,
    outcome_likelihoods,
    particles_of,
    quick_bits,
    settling_probability,
)
from meterlink.plan.instructions import instruction
from meterlink.plan.next_test import MOST_WEIGHED, Goal, fewer, is_settled, next_test, worth_of
from meterlink.testlog.columns import TestRow
from meterlink.tree.infer import infer

NAMES = ("Attic", "Bay", "Cove", "Den")
CIRCUIT = Circuit("invented", NAMES, volts=120.0, conductor="14 AWG copper", load_amps=10.0)
# a chain Attic - Bay - Cove - Den with these runs, in mohm
RUNS = {"Attic": 80.0, "Bay": 30.0, "Cove": 35.0, "Den": 28.0}


def _shared(a: str, b: str) -> float:
    """Resistance of the common way on the chain."""
    last = min(NAMES.index(a), NAMES.index(b))
    return sum(RUNS[name] for name in NAMES[: last + 1])


def _row(number: int, setup: Setup) -> TestRow:
    """The row that a quiet meter would give on the chain."""
    drop = _shared(setup.lead_a, setup.load_at)
    if setup.hookup is Hookup.LINE_DROP:
        drop = 120.0 + 2 * drop
    elif setup.lead_b is not None:
        drop = abs(drop - _shared(setup.lead_b, setup.load_at))
    return _measured(number, setup, 10.0 * drop)


def _measured(number: int, setup: Setup, mv: float) -> TestRow:
    return TestRow(
        test=number,
        time=datetime(2026, 1, 1, tzinfo=UTC),
        setup=setup,
        amps=10.0,
        drop_mv=mv,
        drop_u_mv=4.0 if setup.hookup is not Hookup.LINE_DROP else 80.0,
        limit_mv=12.0,
        verdict=Verdict.IN_PATH if mv > 16 else Verdict.NOT_IN_PATH,
    )


def _drive(
    goal: Goal,
    most: int,
    circuit: Circuit = CIRCUIT,
    hookups: Collection[Hookup] | None = None,
) -> list[TestRow]:
    """Let the planner choose until it has enough."""
    rows: list[TestRow] = []
    posterior = infer(circuit, rows)
    while not is_settled(posterior, goal) and len(rows) < most:
        choice = next_test(
            posterior,
            last=rows[-1].setup if rows else None,
            done={row.setup for row in rows},
            goal=goal,
            hookups=hookups,
        )
        rows.append(_row(len(rows) + 1, choice.setup))
        posterior = infer(circuit, rows)
    assert is_settled(posterior, goal)
    assert posterior.orders.clades[posterior.orders.best].tolist() == [15, 14, 12, 8]
    return rows


def test_the_planner_settles_a_chain_of_four_in_few_tests() -> None:
    assert len(_drive(Goal.ORDER, 16)) <= 8


def test_the_planner_settles_without_grounds_too() -> None:
    no_grounds = Circuit("bare", NAMES, 120.0, 60.0, None, "14 AWG copper", 10.0, grounded=False)
    rows = _drive(Goal.ORDER, 24, no_grounds)
    assert all(row.setup.hookup is not Hookup.NEUTRAL_GROUND for row in rows)


def test_the_first_receptacle_alone_needs_about_as_many_tests_as_receptacles() -> None:
    posterior = infer(CIRCUIT, rows := [])
    while not is_settled(posterior, Goal.FIRST):
        rows.append(_row(len(rows) + 1, next_test(posterior, goal=Goal.FIRST).setup))
        posterior = infer(CIRCUIT, rows)
    assert len(rows) <= len(NAMES) + 2


def test_the_same_log_gives_the_same_choice() -> None:
    rows = [_row(1, Setup(Hookup.NEUTRAL_GROUND, "Den", None, "Den"))]
    choices = [next_test(infer(CIRCUIT, rows), last=rows[0].setup) for _ in range(2)]
    assert choices[0] == choices[1]


def test_receptacles_that_cannot_be_got_at_are_left_alone() -> None:
    choice = next_test(infer(CIRCUIT, []), not_now=("Den", "Bay"))
    assert not {"Den", "Bay"} & {*choice.setup.leads, choice.setup.load_at}


@pytest.mark.parametrize("hookup", LIVE_HOOKUPS)
def test_only_the_hookups_asked_for_are_chosen(hookup: Hookup) -> None:
    assert next_test(infer(CIRCUIT, []), hookups=[hookup]).setup.hookup is hookup


def _unclear(number: int, setup: Setup) -> TestRow:
    """The row of a test whose levels told nothing."""
    return replace(_measured(number, setup, 9.0), drop_u_mv=400.0, verdict=Verdict.UNCLEAR)


WAYS = [ways for k in (1, 2) for ways in combinations(LIVE_HOOKUPS, k)]


@pytest.mark.parametrize("hookups", WAYS, ids=lambda ways: " and ".join(ways))
def test_no_test_is_proposed_a_third_time_that_could_not_tell_twice(
    hookups: tuple[Hookup, ...],
) -> None:
    """And where nothing tells anything, what would help is said at the end."""
    circuit = replace(CIRCUIT, receptacles=NAMES[:2])
    done: list[TestRow] = []
    possible = list(possible_setups(circuit, hookups=hookups))
    for number in range(1, 2 * len(possible) + 1):
        choice = next_test(infer(circuit, done), hookups=hookups)
        assert sum(row.setup == choice.setup for row in done) < 2
        done += [_unclear(number, choice.setup)]
        if choice.advice:
            break
    assert "Try another hookup or another load" in " ".join(choice.advice)
    assert len({row.setup for row in done}) >= 2


@pytest.mark.parametrize("hookup", LIVE_HOOKUPS)
def test_each_hookup_alone_settles_a_chain_of_four(hookup: Hookup) -> None:
    rows = _drive(Goal.ORDER, 14, hookups=(hookup,))
    assert {row.setup.hookup for row in rows} == {hookup}


def test_a_supply_that_wanders_is_asked_for_as_many_cycles_as_show_the_shortest_run() -> None:
    """Two readings of u are told apart with 95 % from 1.645 * sqrt(2) * u; 8 mohm are 160 mV."""
    only = next_test(infer(CIRCUIT, []), hookups=[Hookup.LINE_DROP])
    assert only.cycles == 4  # 120 mV in one cycle (the supply usually wanders by a thousandth)
    rows = [_row(k, Setup(Hookup.LINE_DROP, a, None, a)) for k, a in enumerate(NAMES[:3], 1)]
    quiet = [replace(row, drop_u_mv=20.0, cycles=4) for row in rows]
    assert next_test(infer(CIRCUIT, quiet), hookups=[Hookup.LINE_DROP]).cycles == 1
    loud = [replace(row, drop_u_mv=100.0, cycles=4) for row in rows]
    assert next_test(infer(CIRCUIT, loud), hookups=[Hookup.LINE_DROP]).cycles == 12


def test_load_and_leads_at_one_place_tell_depths_only_and_the_person_hears_it() -> None:
    here = [Setup(Hookup.LINE_DROP, name, None, name) for name in NAMES]
    rows = [_row(k, setup) for k, setup in enumerate(here * 3, 1)]
    choice = next_test(infer(CIRCUIT, rows), hookups=[Hookup.LINE_DROP], one_place=True)
    assert "Put the load at another receptacle" in " ".join(choice.advice)


def test_where_nothing_is_possible_the_person_is_told() -> None:
    with pytest.raises(UsageError, match="No test is possible"):
        next_test(infer(CIRCUIT, []), not_now=NAMES)


def test_a_settled_job_is_called_settled_and_gains_little() -> None:
    rows = _drive(Goal.ORDER, 16)
    choice = next_test(infer(CIRCUIT, rows), last=rows[-1].setup)
    assert choice.settled
    assert choice.gain_bits < 0.3
    assert "settled" in choice.why


def test_a_test_that_was_just_done_tells_less_than_the_one_chosen() -> None:
    rows = [_row(1, Setup(Hookup.NEUTRAL_NEUTRAL, "Attic", "Den", "Cove"))]
    posterior = infer(CIRCUIT, rows)
    again = worth_of(posterior, rows[0].setup, last=rows[0].setup)
    assert again.gain_bits < next_test(posterior, last=rows[0].setup).gain_bits


def test_information_is_never_negative_nor_more_than_the_label_holds() -> None:
    posterior = infer(CIRCUIT, [])
    particles = particles_of(posterior, 60)
    tests = as_tests(posterior, list(possible_setups(CIRCUIT)))
    expected = forecast(posterior, particles, tests, [(6.0, 3.0)] * len(tests))
    probability, likelihood = outcome_likelihoods(particles.weight, expected)
    label = posterior.orders.of_tree[particles.rows]
    label = np.unique(label, return_inverse=True)[1]
    bits = information_bits(probability, likelihood, particles.weight, label)
    share = np.bincount(label, particles.weight)
    assert bits.min() >= -1e-9
    assert bits.max() <= -(share @ np.log2(share)) + 1e-9


@pytest.mark.parametrize("tests_done", [0, 2, 4])
def test_a_glance_at_every_test_leaves_the_best_ones_on_the_list(tests_done: int) -> None:
    rows = _drive(Goal.ORDER, 12)[:tests_done]
    posterior = infer(CIRCUIT, rows)
    particles = particles_of(posterior, 40)
    tests = as_tests(posterior, list(possible_setups(CIRCUIT)))
    expected = forecast(posterior, particles, tests, [(6.0, 3.0)] * len(tests))
    label = np.unique(posterior.orders.of_tree[particles.rows], return_inverse=True)[1]
    outcomes = outcome_likelihoods(particles.weight, expected)
    bits = information_bits(*outcomes, particles.weight, label)
    nearly = quick_bits(particles.weight, expected, label)
    assert set(np.argsort(-bits)[:5]) <= set(np.argsort(-nearly)[:20])


@given(st.floats(0.05, 0.95), st.floats(-2.0, 2.0))
@settings(max_examples=30)
def test_two_trees_far_apart_tell_the_entropy_of_their_weights(p: float, shift: float) -> None:
    """Shannon: an outcome that gives the label away tells all of its entropy, less the outliers."""
    weight = np.array([p, 1 - p])
    far = Forecast(np.array([[300.0], [900.0 + shift]]), np.zeros((2, 1)), np.full((2, 1), 5.0))
    bits = information_bits(*outcome_likelihoods(weight, far), weight, np.array([0, 1]))[0]
    entropy = -(weight @ np.log2(weight))
    assert bits == pytest.approx(0.97 * entropy, abs=0.02)


def test_a_test_that_every_tree_forecasts_alike_tells_nothing() -> None:
    weight = np.full(4, 0.25)
    alike = Forecast(np.full((4, 1), 250.0), np.zeros((4, 1)), np.full((4, 1), 6.0))
    bits = information_bits(*outcome_likelihoods(weight, alike), weight, np.arange(4))[0]
    assert bits == pytest.approx(0.0, abs=1e-9)


def test_a_test_settles_as_often_as_it_shows_what_rules_the_rest_out() -> None:
    """By hand: of two answers at 0.9 and 0.1, told apart unless the test is an outlier (3 %)."""
    weight, label = np.array([0.9, 0.1]), np.array([0, 1])
    far = Forecast(np.array([[300.0], [900.0]]), np.zeros((2, 1)), np.full((2, 1), 5.0))
    chance = settling_probability(*outcome_likelihoods(weight, far), weight, label, 0.95)
    assert chance == pytest.approx([0.97])
    alike = Forecast(np.full((2, 1), 300.0), np.zeros((2, 1)), np.full((2, 1), 5.0))
    chance = settling_probability(*outcome_likelihoods(weight, alike), weight, label, 0.95)
    assert chance == pytest.approx([0.0])


def test_how_often_a_test_shows_nothing_is_for_the_caller_to_assume() -> None:
    weight, label = np.array([0.9, 0.1]), np.array([0, 1])
    far = Forecast(np.array([[300.0], [900.0]]), np.zeros((2, 1)), np.full((2, 1), 5.0))
    clumsy = replace(USUAL, outliers=replace(USUAL.outliers, no_change=0.2))
    outcomes = outcome_likelihoods(weight, far, clumsy)
    assert settling_probability(*outcomes, weight, label, 0.95) == pytest.approx([0.8])


def test_what_a_caller_assumes_of_outliers_reaches_the_worth_of_a_test() -> None:
    clumsy = replace(USUAL, outliers=replace(USUAL.outliers, no_change=0.3))
    usual, poor = (
        next_test(infer(CIRCUIT, [], assumptions=one), assumptions=one) for one in (USUAL, clumsy)
    )
    assert poor.gain_bits < 0.9 * usual.gain_bits


def test_near_the_end_one_test_that_checks_two_places_comes_before_a_cheaper_one() -> None:
    """A chain of five by depths, two places checked: one test of the other two settles it."""
    names = ("Attic", "Bay", "Cove", "Den", "Eaves")
    circuit = Circuit("five", names, load_amps=10.0)
    own = Hookup.NEUTRAL_GROUND
    seen = [(Setup(own, name, None, name), 800.0 + 300 * k) for k, name in enumerate(names)]
    seen.append((Setup(Hookup.NEUTRAL_NEUTRAL, "Attic", "Den", "Eaves"), 900.0))
    rows = [_measured(k, setup, drop) for k, (setup, drop) in enumerate(seen, 1)]
    chosen = next_test(infer(circuit, rows), last=seen[-1][0]).setup
    assert {"Bay", "Cove"} <= {*chosen.leads, chosen.load_at}


EFFORT = Effort()
ROOMS = Circuit("rooms", NAMES, rooms={"Attic": "hall", "Bay": "hall", "Cove": "shed"})
HERE = Setup(Hookup.NEUTRAL_GROUND, "Attic", None, "Attic")


@pytest.mark.parametrize(
    ("nearer", "farther"),
    [
        (HERE, Setup(Hookup.NEUTRAL_GROUND, "Attic", None, "Bay")),
        (
            Setup(Hookup.NEUTRAL_GROUND, "Attic", None, "Bay"),
            Setup(Hookup.NEUTRAL_GROUND, "Attic", None, "Cove"),
        ),
        (
            Setup(Hookup.NEUTRAL_GROUND, "Cove", None, "Cove"),
            Setup(Hookup.NEUTRAL_NEUTRAL, "Cove", "Den", "Cove"),
        ),
    ],
    ids=["nothing moved", "same room", "one place"],
)
def test_moving_less_costs_less(nearer: Setup, farther: Setup) -> None:
    assert EFFORT.of(nearer, HERE, ROOMS) < EFFORT.of(farther, HERE, ROOMS)


@pytest.mark.parametrize(
    ("setup", "words"),
    [
        (Setup(Hookup.NEUTRAL_GROUND, "Den", None, "Bay"), "neutral and ground of Den"),
        (Setup(Hookup.LINE_DROP, "Den", None, "Bay"), "hot and neutral of Den"),
        (Setup(Hookup.NEUTRAL_NEUTRAL, "Den", "Cove", "Bay"), "the other in that of Cove"),
    ],
)
def test_the_instruction_names_every_place(setup: Setup, words: str) -> None:
    text = instruction(setup)
    assert words in text
    assert text.endswith("plug the load in at Bay.")


def test_of_very_many_tests_only_those_with_the_load_between_others_are_thinned() -> None:
    many = Circuit("long", tuple(f"R{i}" for i in range(30)), volts=120.0, load_amps=10.0)
    every = list(possible_setups(many))
    kept = fewer(every)
    beside = {s for s in every if s.lead_b is not None and s.load_at not in s.leads}
    assert len(kept) <= MOST_WEIGHED < len(every)
    assert len(beside.intersection(kept)) > 1000
    assert set(every) - beside <= set(kept)
    assert fewer(every[:MOST_WEIGHED]) == every[:MOST_WEIGHED]
