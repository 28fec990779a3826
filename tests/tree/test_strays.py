"""A receptacle alone on a cable from the panel: of this breaker, or of another one."""

import numpy as np
import pytest

from meterlink.answers.wirings import Wirings
from meterlink.circuit.setup import Setup
from meterlink.plan.next_test import next_test
from meterlink.testlog.columns import TestRow
from meterlink.testlog.findings import Finding, State
from meterlink.tree.hypotheses import Hypotheses, Kind
from meterlink.tree.infer import Posterior, infer
from meterlink.tree.observations import Tests as Arrays
from meterlink.tree.observations import planned
from meterlink.tree.resolve import map_of, resolve
from meterlink.tree.runs import Particles

from .plain import LINE, NG, NN, circuit, drop_mv, row
from .test_isolation import breaker

WIRED = {0: "panel", 1: 0, 2: 1, 3: 2, 4: "panel"}  # Eaves on a cable of its own
MOHM = {0: 70.0, 1: 33.0, 2: 27.0, 3: 15.0, 4: 90.0}
CIRCUIT = circuit(5)


def log() -> list[TestRow]:
    """All depths, and what tells that Eaves shares no way with the others."""
    setups = [Setup(NG, name, None, name) for name in CIRCUIT.receptacles]
    setups += [Setup(NN, "Bath", "Den", "Cellar"), Setup(NN, "Attic", "Den", "Den")]
    setups += [Setup(NG, "Eaves", None, "Den"), Setup(NN, "Bath", "Eaves", "Den")]
    setups += [Setup(NG, "Cellar", None, "Den"), Setup(NN, "Attic", "Eaves", "Attic")]
    return [
        row(i, s.hookup, s.lead_a, s.lead_b, s.load_at, drop_mv(WIRED, MOHM, s, 10.0), 5.0)
        for i, s in enumerate(setups, 1)
    ]


def told(state: State | None) -> Posterior:
    findings: list[Finding] = [] if state is None else [breaker("Eaves", state)]
    return infer(CIRCUIT, log(), findings=findings)


def test_nothing_is_claimed_that_only_the_breaker_can_tell() -> None:
    found = resolve(CIRCUIT, log())
    [stray] = [c for c in found.conditions if c.name == "not-on-circuit"]
    assert stray.at == "Eaves"
    assert 0.3 < stray.probability < 0.7
    assert not found.settled
    assert found.first.probability < 0.8
    assert {p.name for p in found.points} >= {"Attic", "Bath", "Cellar", "Den"}


def test_the_order_of_the_others_is_told_all_the_same() -> None:
    orders = told(None).orders
    chain = orders.clades[:, :4] == [0b1111, 0b1110, 0b1100, 0b1000]
    assert orders.probability[chain.all(axis=1)].sum() > 0.95


@pytest.mark.parametrize(("state", "first"), [(State.LIVE, "Attic"), (State.DEAD, None)])
def test_a_look_with_the_breaker_off_settles_it(state: State, first: str | None) -> None:
    posterior = told(state)
    found = map_of(posterior, log())
    assert found.first.receptacle == first
    assert found.first.probability > 0.95
    assert ("Eaves" in {p.name for p in found.points}) == (state is State.DEAD)
    absent = Wirings.of(posterior, found).absent[4]
    assert absent > 0.95 if state is State.LIVE else absent < 0.05


def test_no_test_with_the_power_on_is_forecast_to_tell_and_the_breaker_is_advised() -> None:
    posterior = told(None)
    found = next_test(posterior)
    assert found.gain_bits < 0.02
    assert "breaker tells whether Eaves" in found.advice[0]
    assert found.look_at == ("Eaves",)
    setups = [Setup(NG, "Eaves", None, "Eaves"), Setup(NN, "Eaves", "Den", "Eaves")]
    setups += [Setup(LINE, "Eaves", None, "Eaves"), Setup(NG, "Eaves", None, "Bath")]
    kind = posterior.ensemble.hypotheses.kind
    tree = posterior.ensemble.weights
    rows = np.array([np.where(kind == k, tree, -1).argmax() for k in (Kind.SOUND, Kind.APART)])
    some = Particles.of(posterior.ensemble.hypotheses.take(rows), posterior.known)
    mean, variance = some.predict(Arrays.of(planned(CIRCUIT, setups)))
    np.testing.assert_allclose(mean[0], mean[1], rtol=1e-9)
    np.testing.assert_allclose(variance[0], variance[1], rtol=1e-9)


def test_alone_is_a_branch_from_the_panel_with_nothing_behind_it() -> None:
    h = Hypotheses.of(np.array([[0b011, 0b001, 0b100], [0b111, 0b011, 0b001], [0b110, 0b001, 0]]))
    assert h.alone(0b100).tolist() == [True, False, False]
    assert h.alone(0b001).tolist() == [False, False, True]
