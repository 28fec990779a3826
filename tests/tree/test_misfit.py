import numpy as np
import pytest
from scipy import stats

from meterlink.circuit.setup import Verdict
from meterlink.tree.misfit import at_least, misfit_notes, scatter_sd
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.resolve import resolve

from .plain import NG, NN, circuit, row
from .test_resolve import TRIO, chain_rows


def some(m: int, drop: float = 100.0) -> Tests:
    rows = [row(i, NG, "Attic", None, "Bath", drop, 2.0) for i in range(1, m + 1)]
    return Tests.of(observations_of(circuit(2), rows))


@pytest.mark.parametrize(("count", "tests", "rate"), [(0, 9, 0.03), (1, 9, 0.03), (4, 40, 0.006)])
def test_the_chance_of_so_many_lies_is_the_binomial_tail(
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


def test_tests_that_fit_say_nothing() -> None:
    assert misfit_notes(some(12), np.zeros(12), some(12).drop, 2) == ()
    assert misfit_notes(Tests.of([]), np.zeros(0), np.zeros(0), 0) == ()


def test_one_lie_in_a_dozen_is_no_misfit() -> None:
    lies = np.zeros(12)
    lies[3] = 1.0
    assert misfit_notes(some(12), lies, some(12).drop, 2) == ()


def test_three_false_jumps_in_a_dozen_are_told_with_their_number() -> None:
    lies = np.zeros(12)
    lies[[1, 4, 7]] = 1.0
    [note] = misfit_notes(some(12), lies, some(12).drop, 2)
    assert note.startswith("3 of 12 tests contradict every wiring")


def test_more_scatter_than_stated_is_told() -> None:
    tests = some(12)
    [note] = misfit_notes(tests, np.zeros(12), tests.drop + 3.5 * tests.u, 2)
    assert note.startswith("The drops scatter more")


def test_an_order_that_many_tests_contradict_is_not_settled() -> None:
    """Two of three false jumps at random sizes between leads that the chain keeps apart."""
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
    found = resolve(TRIO, [*chain_rows(3), *false])
    assert not found.settled
    assert found.doubts
    assert any("contradict every wiring" in note for note in found.notes)


def test_no_change_at_all_is_no_misfit() -> None:
    rows = [
        row(i, NN, "Attic", "Bath", "Cellar", 0.2, 2.0, verdict=Verdict.NOT_IN_PATH)
        for i in range(1, 8)
    ]
    assert resolve(TRIO, rows).notes == ()
