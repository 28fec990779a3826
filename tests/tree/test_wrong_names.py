"""A test done at another receptacle than written, where no other test contradicts it."""

import numpy as np
import pytest

from meterlink.circuit.setup import Setup
from meterlink.testlog.columns import TestRow
from meterlink.tree.hypotheses import Hypotheses, Kind
from meterlink.tree.infer import Posterior, infer
from meterlink.tree.observations import Tests as Arrays
from meterlink.tree.observations import planned
from meterlink.tree.resolve import resolve
from meterlink.tree.runs import Particles

from .plain import NAMES, NG, NN, circuit, drop_mv, row

BRANCHED = {0: "panel", 1: 0, "joint": 1, 2: "joint", 3: "joint", 4: 3}  # Cellar on a branch
MOHM = {0: 70.0, 1: 33.0, "joint": 23.0, 2: 27.0, 3: 15.0, 4: 64.0}


def read(number: int, written: Setup, done: Setup | None = None) -> TestRow:
    """A test without noise, done as written or elsewhere."""
    drop = drop_mv(BRANCHED, MOHM, done or written, 10.0)
    s = written
    return row(number, s.hookup, s.lead_a, s.lead_b, s.load_at, drop, 5.0)


def depth(number: int, name: str, done_at: str | None = None) -> TestRow:
    done = Setup(NG, done_at or name, None, name)
    return read(number, Setup(NG, name, None, name), done)


def log() -> list[TestRow]:
    """The depth of Cellar taken at Den: it reads the joint, and Cellar seems to be there."""
    return [
        *(depth(i + 1, NAMES[i], "Den" if i == 2 else None) for i in range(5)),
        read(6, Setup(NN, "Bath", "Eaves", "Eaves")),
        read(7, Setup(NN, "Den", "Cellar", "Eaves")),
        read(8, Setup(NG, "Bath", None, "Cellar")),
    ]


def branch(posterior: Posterior) -> float:
    """Probability that Cellar feeds nothing."""
    clades = posterior.orders.clades
    return float(posterior.orders.probability[clades[:, 2] == 1 << 2].sum())


def test_a_branch_that_one_misnamed_test_hides_is_still_thought_of() -> None:
    """No test contradicts: the answer hangs on the names of test 3 alone."""
    posterior = infer(circuit(5), log())
    assert posterior.orders.clades[posterior.orders.best].tolist() == [31, 30, 28, 24, 16]
    assert 0.002 < branch(posterior) < 0.2
    kind, near = posterior.ensemble.hypotheses.kind, posterior.ensemble.hypotheses.near
    assert 3 in near[kind == Kind.MISNAMED]


def test_that_test_done_again_as_written_unsettles_and_another_names_the_mistake() -> None:
    """One word against another first; the second that agrees decides."""
    rows = [*log(), depth(9, "Cellar")]
    assert 0.2 < branch(infer(circuit(5), rows)) < 0.8
    rows.append(read(10, Setup(NN, "Den", "Cellar", "Cellar")))
    assert branch(infer(circuit(5), rows)) > 0.95
    assert [d.test for d in resolve(circuit(5), rows).doubts] == [3]


def test_the_same_reading_again_makes_the_answer_surer() -> None:
    """With load and lead there a second time only two mistakes of a kind could hide a branch."""
    rows = log()
    again = infer(circuit(5), [*rows, depth(9, "Cellar", "Den")])
    assert branch(again) < branch(infer(circuit(5), rows)) / 4


def test_what_is_forecast_for_a_misnamed_test_done_again_is_not_what_it_read() -> None:
    posterior = infer(circuit(5), log())
    h = posterior.ensemble.hypotheses
    rows = np.flatnonzero((h.kind == Kind.MISNAMED) & (h.near == 3))
    setup = Setup(NG, "Cellar", None, "Cellar")
    again = Arrays.of(planned(posterior.circuit, [setup], posterior.assumptions))
    some = Particles.of(posterior.ensemble.hypotheses.take(rows), posterior.known)
    mean, variance = some.predict(again)
    assert (mean > 1350).all()
    assert (variance > 50.0**2).all()


@pytest.mark.parametrize("number", [1, 2])
def test_only_the_test_that_was_misnamed_says_nothing(number: int) -> None:
    tests = Arrays.of(infer(circuit(5), log()).tests.items)
    masks = np.array([[0b11111, 0b11110]])
    h = Hypotheses.of(masks, kind=Kind.MISNAMED, near=number)
    assert np.flatnonzero(h.void(tests)[0]).tolist() == [number - 1]


def test_a_place_farther_on_that_one_misnamed_test_hides_is_thought_of_too() -> None:
    """The depth of Den taken at Cellar reads the joint, and Den seems to feed Cellar."""
    rows = [
        *(depth(i + 1, NAMES[i], "Cellar" if i == 3 else None) for i in range(5)),
        read(6, Setup(NN, "Bath", "Eaves", "Eaves")),
        read(7, Setup(NN, "Cellar", "Eaves", "Eaves")),
        read(8, Setup(NG, "Bath", None, "Cellar")),
    ]
    posterior = infer(circuit(5), rows)
    clades = posterior.orders.clades
    assert clades[posterior.orders.best, 3] & 0b100
    true = (clades[:, 3] == 0b11000) & (clades[:, 2] == 0b100)
    assert 0.005 < posterior.orders.probability[true].sum() < 0.3
    assert not posterior.ensemble.weights.max() > 0.97
