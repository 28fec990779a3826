"""Evidence against plain numerical integration (scipy.integrate, numpy sums)."""

import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from scipy import integrate, stats

from meterlink.assumptions import USUAL
from meterlink.circuit.setup import Verdict
from meterlink.testlog.columns import TestRow
from meterlink.tree.fit import Fit, Known, refit, weigh
from meterlink.tree.hypotheses import Columns, Hypotheses, RunPrior, evidence_key
from meterlink.tree.likelihood import Grounds
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.trees import every_tree

from .plain import LINE, NG, NN, circuit, row

PRIOR = RunPrior()
RUNS, RATES = USUAL.runs, USUAL.outliers
NO_CHANGE, JUMP = (r + RATES.misnamed / 2 for r in (RATES.no_change, RATES.jump))
SOUND = Grounds(np.full(8, -25.0))  # every ground contact is sure
CHAIN = np.array([[0b11, 0b10]], dtype=np.int64)  # panel - Attic - Bath


def product(rows: Sequence[TestRow], masks: np.ndarray, n: int) -> float:
    return float(fitted_on(masks, rows, n)[1].log_evidence[0])


def fitted_on(masks: np.ndarray, rows: Sequence[TestRow], n: int) -> tuple[Columns, Fit]:
    known = Known(Tests.of(observations_of(circuit(n), rows)), PRIOR, SOUND)
    return refit(Hypotheses.of(masks), known)[:2]


def mixture(drop: float | None, u: float, predicted: np.ndarray, *, limit: float) -> np.ndarray:
    """Likelihood of one test as the docstring of ``evidence`` tells it, written anew."""
    if drop is None:
        inlier = stats.norm.cdf((predicted - limit) / (RATES.eye_width * limit))
        return (1 - JUMP - NO_CHANGE) * inlier + JUMP
    u = math.hypot(u, 0.004 * drop)
    inlier = stats.norm.pdf(drop, predicted, u)
    still = stats.norm.pdf(drop, 0, u)
    any_size = 1 / (max(drop, 1) * math.log(RATES.jump_most_mv / RATES.jump_least_mv))
    return (1 - JUMP - NO_CHANGE) * inlier + NO_CHANGE * still + JUMP * any_size


def density(mohm: np.ndarray, median: float) -> np.ndarray:
    return stats.lognorm.pdf(mohm, s=PRIOR.log_sd, scale=median)


@pytest.mark.parametrize(
    ("drop", "u", "within"),
    [
        (750.0, 2.0, 0.02),
        (750.0, 40.0, 0.02),
        (3000.0, 10.0, 0.05),
        (400.0, 30.0, 0.02),
        # A home run of 6 mohm is so short that the jump may as well be false: two modes, of which
        # Laplace's approximation weighs one. This is the size of its error there.
        (60.0, 5.0, 0.8),
    ],
)
def test_one_run_seen_by_one_test_weighs_what_quadrature_says(
    drop: float, u: float, within: float
) -> None:
    rows = [row(1, NG, "Attic", None, "Attic", drop, u)]

    def integrand(log_mohm: float) -> float:
        mohm = np.exp(log_mohm)
        return float(
            mixture(drop, u, 10 * mohm, limit=15) * density(mohm, PRIOR.home_median_mohm) * mohm
        )

    expected = integrate.quad(integrand, -2, 9, points=[math.log(drop / 10)], limit=200)[0]
    assert product(rows, CHAIN, 2) == pytest.approx(math.log(expected), abs=within)


def grid(
    likelihood: Callable[[np.ndarray, np.ndarray], np.ndarray], first: float, second: float
) -> float:
    """Log of a double integral over two runs by Simpson's rule on a fine grid of their logs."""
    x = np.linspace(0, 8, 1601)
    a, b = np.exp(x)[:, None], np.exp(x)[None, :]
    value = likelihood(a, b) * density(a, first) * a * density(b, second) * b
    return math.log(integrate.simpson(integrate.simpson(value, x=x), x=x))


@pytest.mark.parametrize(
    ("near", "far", "within"),
    # home runs of 6 mohm: the jumps may as well be false, a second mode that is not counted
    [(700.0, 1000.0, 0.15), (700.0, 720.0, 0.15), (300.0, 1500.0, 0.15), (60.0, 90.0, 0.4)],
)
def test_two_runs_seen_apart_weigh_what_a_grid_says(near: float, far: float, within: float) -> None:
    u = 12.0
    rows = [row(1, NG, "Attic", None, "Bath", near, u), row(2, NG, "Bath", None, "Bath", far, u)]
    expected = grid(
        lambda a, b: (
            mixture(near, u, 10 * a + 0 * b, limit=15) * mixture(far, u, 10 * (a + b), limit=15)
        ),
        PRIOR.home_median_mohm,
        PRIOR.median_mohm,
    )
    assert product(rows, CHAIN, 2) == pytest.approx(expected, abs=within)


def test_two_runs_that_no_test_parts_weigh_what_a_grid_says() -> None:
    """The sum of two log-normals is matched by one (Fenton and Wilkinson): good to a fifth nat."""
    rows = [row(1, NG, "Bath", None, "Bath", 1100.0, 10.0)]
    expected = grid(
        lambda a, b: mixture(1100.0, 10.0, 10 * (a + b), limit=15),
        PRIOR.home_median_mohm,
        PRIOR.median_mohm,
    )
    assert product(rows, CHAIN, 2) == pytest.approx(expected, abs=0.2)


def test_a_jump_seen_by_eye_weighs_what_quadrature_says() -> None:
    """Only that there was a jump; the normal's tail is matched by a logistic."""
    rows = [row(1, NG, "Attic", None, "Attic", None, None)]

    def integrand(log_mohm: float) -> float:
        mohm = np.exp(log_mohm)
        seen = mixture(None, 0, 10 * mohm, limit=15)
        return float(seen * density(mohm, PRIOR.home_median_mohm) * mohm)

    expected = integrate.quad(integrand, -2, 9, limit=200)[0]
    assert product(rows, CHAIN, 2) == pytest.approx(math.log(expected), abs=0.05)


def test_a_jump_that_no_run_can_make_is_an_outlier() -> None:
    rows = [row(1, NN, "Attic", "Bath", "Attic", None, None)]  # nothing between them carries it
    apart = np.array([[0b11, 0b10]], dtype=np.int64)
    fitted = fitted_on(apart, rows, 2)[1]
    assert fitted.inlier[0, 0] < 0.6
    assert fitted.log_evidence[0] < math.log(0.05)


def test_no_change_where_no_run_takes_part_is_certain_truth() -> None:
    rows = [row(1, NN, "Attic", "Bath", "Attic", 0.2, 1.0, verdict=Verdict.NOT_IN_PATH)]
    assert product(rows, CHAIN, 2) == pytest.approx(stats.norm.logpdf(0.2, 0, 1.0), abs=0.03)


def test_an_outlier_among_inliers_is_told() -> None:
    rows = [
        row(1, NG, "Attic", None, "Bath", 700.0, 5.0),
        row(2, NG, "Attic", None, "Bath", 705.0, 5.0),
        row(3, NG, "Attic", None, "Bath", 0.3, 1.0, verdict=Verdict.NOT_IN_PATH),
    ]
    fitted = fitted_on(CHAIN, rows, 2)[1]
    assert fitted.inlier[0, :2] == pytest.approx(1, abs=1e-3)
    assert fitted.inlier[0, 2] < 1e-6


def test_line_drop_weighs_what_a_grid_over_run_hot_ratio_and_source_says() -> None:
    drop, u = 3000.0, 80.0
    rows = [row(1, LINE, "Attic", None, "Attic", drop, u)]
    log_run = np.linspace(1, 7.5, 141)[:, None, None]
    ratio = np.linspace(-4, 4, 321)[None, :, None]
    log_source = np.linspace(1, 7.5, 141)[None, None, :]
    predicted = 10 * (np.exp(log_run) * (1 + np.exp(ratio)) + np.exp(log_source))
    weight = (
        stats.norm.pdf(log_run, math.log(PRIOR.home_median_mohm), PRIOR.log_sd)
        * (
            (1 - RUNS.poor_ratio_share) * stats.norm.pdf(ratio, 0, RUNS.ratio_sd)
            + RUNS.poor_ratio_share * stats.norm.pdf(ratio, 0, RUNS.poor_ratio_sd)
        )
        * stats.norm.pdf(log_source, math.log(RUNS.source_mohm), RUNS.source_log_sd)
    )
    steps = [float(x.ravel()[1] - x.ravel()[0]) for x in (log_run, ratio, log_source)]
    value = mixture(drop, u, predicted, limit=15) * weight
    expected = math.log(value.sum() * math.prod(steps))
    # a ridge of run against source is bent: Laplace is good to a quarter nat here
    assert product(rows, CHAIN, 2) == pytest.approx(expected, abs=0.25)


def test_trees_with_one_key_have_one_evidence() -> None:
    h = Hypotheses.of(*every_tree(4)[:2])
    rng = np.random.default_rng(4)
    rows = [
        row(
            i,
            NN,
            *(("Attic", "Bath", "Cellar", "Den")[k] for k in rng.permutation(4)[:3]),
            90.0,
            4.0,
        )
        for i in range(1, 6)
    ]
    tests = Tests.of(observations_of(circuit(4), rows))
    key = evidence_key(h, tests)
    each = refit(h, Known(tests, PRIOR, SOUND))[1].log_evidence
    np.testing.assert_allclose(weigh(h, Known(tests, PRIOR, SOUND))[0], each, atol=1e-6)
    for value in np.unique(key):
        assert np.ptp(each[key == value]) < 1e-6


def test_the_fit_gives_back_runs_and_their_uncertainty() -> None:
    rows = [
        row(1, NG, "Attic", None, "Bath", 700.0, 2.0),
        row(2, NN, "Attic", "Bath", "Bath", 250.0, 2.0),
    ]
    columns, fitted = fitted_on(CHAIN, rows, 2)
    tests = Tests.of(observations_of(circuit(2), rows))
    runs = np.exp(fitted.x[0, columns.group[0]])
    u = runs * np.sqrt(np.diag(fitted.covariance[0])[columns.group[0]])
    assert runs == pytest.approx([70.0, 25.0], rel=0.002)
    assert u == pytest.approx([tests.u[0] / 10, tests.u[1] / 10], rel=0.02)
