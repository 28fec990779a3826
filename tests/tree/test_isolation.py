"""Findings with the power off as evidence."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from meterlink.assumptions import USUAL
from meterlink.testlog.findings import Cut, Finding, State
from meterlink.tree.hypotheses import Kind
from meterlink.tree.infer import infer
from meterlink.tree.isolation import (
    Isolation,
    belonging,
    elsewhere,
)
from meterlink.tree.posterior import relations
from meterlink.tree.resolve import resolve
from meterlink.tree.trees import clades, every_tree

from .plain import NAMES, NG, circuit, row
from .test_resolve import TRIO, chain_rows

WRONG = USUAL.outliers.finding


def disconnected(at: str, receptacle: str, state: State, number: int = 1) -> Finding:
    return Finding(
        number, datetime(2026, 1, 1, tzinfo=UTC), Cut.DISCONNECTED, at, receptacle, state
    )


def breaker(receptacle: str, state: State, cut: Cut = Cut.BREAKER_OFF) -> Finding:
    return Finding(1, datetime(2026, 1, 1, tzinfo=UTC), cut, None, receptacle, state)


def fed(n: int, findings: list[Finding]) -> np.ndarray:
    posterior = infer(circuit(n), [], findings=findings)
    return relations(posterior.orders, n)


def fed_if_sound(n: int, findings: list[Finding]) -> float:
    """Probability that the first receptacle feeds the second, of a circuit with nothing amiss."""
    orders = infer(circuit(n), [], findings=findings).orders
    sound = np.where(orders.kind == Kind.SOUND, orders.probability, 0.0)
    return float(sound @ ((orders.clades[:, 0] & 0b10) != 0) / sound.sum())


def test_the_weight_is_a_matter_of_who_feeds_whom_alone() -> None:
    masks, _, _ = every_tree(4)
    weight = Isolation.of([disconnected("Attic", "Bath", State.DEAD)], NAMES[:4]).log_weight(masks)
    below = (clades(masks, 4)[:, 0] & 0b10) != 0
    assert np.unique(weight[below]).size == np.unique(weight[~below]).size == 1
    ratio = weight[below][0] - weight[~below][0]
    assert ratio == pytest.approx(np.log((1 - WRONG) / WRONG))


@pytest.mark.parametrize("n", [2, 3, 4])
def test_a_finding_multiplies_the_odds_as_bayes_says(n: int) -> None:
    before = fed_if_sound(n, [])
    after = fed_if_sound(n, [disconnected("Attic", "Bath", State.DEAD)])
    odds = before / (1 - before) * (1 - WRONG) / WRONG
    assert after == pytest.approx(odds / (1 + odds), abs=1e-6)


def test_live_behind_disconnected_conductors_says_that_it_is_not_fed_from_there() -> None:
    assert fed(3, [disconnected("Attic", "Bath", State.LIVE)])[0, 1] < 0.02


def test_the_same_finding_entered_twice_counts_once() -> None:
    one = disconnected("Attic", "Bath", State.DEAD)
    assert fed(2, [one, replace(one, number=2)]) == pytest.approx(fed(2, [one]))


def test_findings_that_contradict_each_other_cancel() -> None:
    both = [disconnected("Attic", "Bath", State.DEAD), disconnected("Attic", "Bath", State.LIVE, 2)]
    assert fed(3, both) == pytest.approx(fed(3, []), abs=1e-9)


def test_findings_settle_what_tests_left_open() -> None:
    rows = [r for r in chain_rows() if r.setup.load_at == "Cellar"]
    open_still = resolve(TRIO, rows)
    assert not open_still.settled
    found = [
        disconnected("Attic", "Bath", State.DEAD),
        disconnected("Attic", "Cellar", State.DEAD, 2),
        disconnected("Bath", "Cellar", State.DEAD, 3),
    ]
    assert resolve(TRIO, rows, findings=found).settled


def test_a_finding_that_all_tests_contradict_is_named_and_outvoted() -> None:
    found = resolve(TRIO, chain_rows(2), findings=[disconnected("Cellar", "Attic", State.DEAD)])
    assert found.first.receptacle == "Attic"
    [note] = found.notes
    assert note.startswith("Attic was found dead with Cellar disconnected from what it feeds;")
    assert "does not feed it" in note


def test_a_finding_against_a_single_test_puts_the_test_in_doubt() -> None:
    rows = [row(1, NG, "Attic", None, "Bath", 0.2, 1.0)]  # as if Attic were not on Bath's way
    before = resolve(circuit(2), rows)
    after = resolve(circuit(2), rows, findings=[disconnected("Attic", "Bath", State.DEAD)])
    feeds = [p.fed_from for p in after.points if p.name == "Bath"]
    assert [d.test for d in after.doubts] == [1] or feeds != ["Attic"]
    assert after.order_probability < before.order_probability or after.doubts


@pytest.mark.parametrize(
    ("cut", "state", "away"),
    [
        (Cut.BREAKER_OFF, State.LIVE, True),
        (Cut.BREAKER_OFF, State.DEAD, False),
        (Cut.OTHERS_OFF, State.LIVE, False),
        (Cut.OTHERS_OFF, State.DEAD, True),
    ],
)
def test_a_breaker_tells_which_receptacles_belong_to_the_circuit(
    cut: Cut, state: State, away: bool
) -> None:
    finding = breaker("Bath", state, cut)
    assert elsewhere([finding]) == (("Bath",) if away else ())
    assert belonging([finding]) == (() if away else ("Bath",))


def test_the_last_word_on_a_receptacle_counts() -> None:
    findings = [breaker("Bath", State.LIVE), breaker("Bath", State.DEAD)]
    assert elsewhere(findings) == ()


def test_a_receptacle_of_another_circuit_keeps_the_order_unsettled() -> None:
    found = resolve(TRIO, chain_rows(), findings=[breaker("Bath", State.LIVE)])
    assert not found.settled
    assert "Bath was found to be on another circuit" in found.notes[0]


def test_findings_on_names_that_are_not_of_the_circuit_say_nothing() -> None:
    assert Isolation.of([disconnected("Porch", "Bath", State.DEAD)], NAMES[:2]).pairs == ()


def tripped(at: str, receptacle: str, state: State, number: int = 1) -> Finding:
    return replace(disconnected(at, receptacle, state, number), cut=Cut.TRIPPED)


def test_what_a_tripped_device_made_dead_hangs_on_it() -> None:
    found = [tripped("Attic", "Bath", State.DEAD), tripped("Attic", "Cellar", State.LIVE, 2)]
    after = fed(3, found)
    assert after[0, 1] > 0.9
    assert after[0, 2] < 0.05


def test_all_live_with_a_device_tripped_may_mean_that_its_load_terminals_are_not_used() -> None:
    before = fed(3, [])[0, 1]
    live = fed(3, [tripped("Attic", "Bath", State.LIVE), tripped("Attic", "Cellar", State.LIVE, 2)])
    cut = fed(
        3,
        [disconnected("Attic", "Bath", State.LIVE), disconnected("Attic", "Cellar", State.LIVE, 2)],
    )
    assert cut[0, 1] < live[0, 1] < before


def test_the_press_of_a_device_weighs_as_its_two_ways_of_wiring_say() -> None:
    masks, _, _ = every_tree(2)
    found = [tripped("Attic", "Bath", State.DEAD)]
    weight = np.exp(Isolation.of(found, NAMES[:2]).log_weight(masks))
    feeds = (clades(masks, 2)[:, 0] & 0b10) != 0
    used = USUAL.faults.load_terminals_used
    assert weight[feeds] == pytest.approx(used * (1 - WRONG) + (1 - used) * WRONG)
    assert weight[~feeds] == pytest.approx(WRONG)


def test_what_stays_live_beyond_a_tripped_device_is_said_not_to_be_protected() -> None:
    found = resolve(TRIO, chain_rows(2), findings=[tripped("Attic", "Cellar", State.LIVE)])
    [note] = found.notes
    assert "wired to the line side there" in note
    assert "does not protect Cellar" in note


def test_a_device_that_stays_live_when_pressed_is_not_to_be_relied_on() -> None:
    found = resolve(TRIO, chain_rows(2), findings=[tripped("Attic", "Attic", State.LIVE)])
    [note] = found.notes
    assert "Do not rely on it" in note
