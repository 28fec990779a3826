"""Whether the tests fit the best wiring at all, or contradict it more often than tests lie."""

import numpy as np

from meterlink.tree.observations import LIE_JUMP, LIE_NO_CHANGE, Tests
from meterlink.tree.trees import Floats

LIES = 0.5
IMPROBABLE = 0.005  # so many lies among sound tests come once in 200 jobs by chance
SCATTER_SD = 4.0  # standard deviations of chi-square that honest uncertainties do not reach


def misfit_notes(tests: Tests, lies: Floats, expected_mv: Floats, runs: int) -> tuple[str, ...]:
    """Sentences for the person where no wiring explains the tests.

    Args:
        tests: All tests.
        lies: Probability of each to lie, on the best wiring, shape ``(m,)``.
        expected_mv: What each should have shown, shape ``(m,)``.
        runs: Number of runs that were fitted.
    """
    if not len(tests):
        return ()
    liars = lies >= LIES
    silent = int((liars & tests.no_change).sum())
    jumps = int((liars & ~tests.no_change).sum())
    chance = 2 * min(
        at_least(silent, len(tests), LIE_NO_CHANGE), at_least(jumps, len(tests), LIE_JUMP)
    )
    if chance < IMPROBABLE:
        return (
            f"{int(liars.sum())} of {len(tests)} tests contradict every wiring weighed here; so "
            "many seldom go wrong by chance. A lead or load may be named wrongly, another circuit "
            "may share this neutral, or there may be more than one second path. The order is not "
            "settled; repeat the tests in doubt.",
        )
    if scatter_sd(tests, lies, expected_mv, runs) > SCATTER_SD:
        return (
            "The drops scatter more around the best wiring than their uncertainties allow. Another "
            "load on the circuit, another current than stated or a second path may be behind it; "
            "the probabilities are too sure of themselves, and the order is not settled.",
        )
    return ()


def at_least(count: int, tests: int, rate: float) -> float:
    """Probability of ``count`` or more lies among so many tests (binomial tail)."""
    below, term = 0.0, (1 - rate) ** tests
    for k in range(count):
        below += term
        term *= (tests - k) / (k + 1) * rate / (1 - rate)
    return max(0.0, 1.0 - below)


def scatter_sd(tests: Tests, lies: Floats, expected_mv: Floats, runs: int) -> float:
    """How far chi-square of the honest tests is above what it should be, in its own deviations.

    The worst test is left aside: one that is half a lie is no reason to doubt all others.
    Chi-square becomes a normal by the cube root (Wilson and Hilferty 1931).
    """
    honest = tests.measured & (lies < LIES)
    freedom = int(honest.sum()) - runs - 1
    if freedom < 1:
        return 0.0
    squares = np.sort(((tests.drop - expected_mv) / tests.u)[honest] ** 2)
    chi_square = float(squares[:-1].sum())
    spread = 2 / (9 * freedom)
    return float((np.cbrt(chi_square / freedom) - (1 - spread)) / np.sqrt(spread))
