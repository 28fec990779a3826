"""Questions: the answer that each order gives, against plain walks over the same trees."""

from dataclasses import replace
from datetime import UTC, datetime
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.errors import UsageError
from meterlink.plan.questions import Goal, Question
from meterlink.testlog.columns import TestRow
from meterlink.tree.infer import infer

NAMES = ("Attic", "Bay", "Cove", "Den")
CIRCUIT = Circuit("invented", NAMES, volts=120.0, conductor="14 AWG copper", load_amps=10.0)
TIME = datetime(2026, 1, 1, tzinfo=UTC)
NOTHING = infer(CIRCUIT, [])
some = st.sets(st.sampled_from(NAMES), min_size=1).map(tuple)


def _feeds(order: int) -> dict[str, set[str]]:
    """For each receptacle of an order what it feeds, itself included."""
    row = NOTHING.orders.clades[order]
    return {a: {b for j, b in enumerate(NAMES) if row[i] >> j & 1} for i, a in enumerate(NAMES)}


def _fewest(feeds: dict[str, set[str]], wanted: set[str]) -> int:
    """By trying all places: how many devices cover what is wanted of what is on the circuit."""
    wanted = {name for name in wanted if feeds[name]}
    return next(
        k
        for k in range(1, len(NAMES) + 1)
        if any(wanted <= set().union(*(feeds[p] for p in at)) for at in combinations(NAMES, k))
    )


@settings(max_examples=30)
@given(some)
def test_one_device_is_said_to_do_exactly_where_trying_all_places_finds_one(cover):
    labels = Question(Goal.PROTECT, cover=cover).labels(NOTHING)
    does = {}
    for order in range(len(labels)):
        does.setdefault(labels[order], set()).add(_fewest(_feeds(order), set(cover)) == 1)
    assert all(len(answers) == 1 for answers in does.values())


def test_protecting_everything_is_as_certain_as_the_first_receptacle():
    row = TestRow(1, TIME, Setup(Hookup.NEUTRAL_NEUTRAL, "Bay", "Den", "Attic"), 10.0)
    seen = replace(row, drop_mv=0.3, drop_u_mv=3.0, limit_mv=9.0, verdict=Verdict.NOT_IN_PATH)
    posterior = infer(CIRCUIT, [seen])
    one = Question(Goal.FIRST).certainty(posterior)
    assert Question(Goal.PROTECT).certainty(posterior) == pytest.approx(one)


@settings(max_examples=30)
@given(some)
def test_the_place_of_a_fault_is_the_run_behind_which_is_what_is_dead_or_nearly(dead):
    labels = Question(Goal.FAULT, dead=dead).labels(NOTHING)
    seen = {}
    for order in range(len(labels)):
        feeds = _feeds(order)
        first = min(NAMES, key=lambda a: len(feeds[a] ^ set(dead)))
        above = [a for a in NAMES if first in feeds[a] and a != first]
        answer = (min(above, key=lambda a: len(feeds[a]), default=None), first)
        assert seen.setdefault(labels[order], answer) == answer


@given(st.sampled_from([Goal.ORDER, Goal.FIRST, Goal.PROTECT]))
def test_certainty_is_a_probability_and_at_least_that_of_the_likeliest_answer(goal):
    question = Question(goal)
    share = np.bincount(question.labels(NOTHING), NOTHING.orders.probability)
    assert share.max() - 1e-9 <= question.certainty(NOTHING) + 1e-9 <= 1 + 1e-6


def test_covering_one_receptacle_is_as_good_as_certain_before_any_test():
    assert Question(Goal.PROTECT, cover=("Den",)).certainty(NOTHING) > 0.95


def test_a_question_about_what_is_not_there_is_refused():
    with pytest.raises(UsageError, match="no receptacle"):
        Question(Goal.PROTECT, cover=("Moon",)).checked(NAMES)
    with pytest.raises(UsageError, match="--dead"):
        Question(Goal.FAULT).checked(NAMES)
    alone = replace(CIRCUIT, receptacles=("Den",))
    assert Question(Goal.FIRST).certainty(infer(alone, [])) == pytest.approx(1.0)
