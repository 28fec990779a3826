"""Evidence against plain numerical integration (scipy.integrate, numpy sums)."""

import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from scipy import integrate, stats

from meterlink.circuit.setup import Verdict
from meterlink.testlog.rows import TestRow
from meterlink.tree.columns import columns_of, evidence_key
from meterlink.tree.evidence import fit, log_evidences
from meterlink.tree.observations import LIE_JUMP, LIE_NO_CHANGE, Tests, observations_of
from meterlink.tree.run_prior import (
    EYE_WIDTH,
    HOT_RATIO_SD,
    JUMP_RANGE_MV,
    POOR_HOT_SD,
    POOR_HOT_SHARE,
    SOURCE_MOHM,
    SOURCE_SD,
    RunPrior,
)
from meterlink.tree.trees import every_tree, homes

from .plain import LINE, NG, NN, circuit, row

PRIOR = RunPrior()
CHAIN = np.array([[0b11, 0b10]], dtype=np.int64)  # panel - Attic - Bath


def product(rows: Sequence[TestRow], masks: np.ndarray, n: int) -> float:
    tests = Tests.of(observations_of(circuit(n), rows))
    columns = columns_of(masks, homes(masks), tests, PRIOR)
    return float(log_evidences(columns, tests)[0])


def mixture(drop: float | None, u: float, predicted: np.ndarray, *, limit: float) -> np.ndarray:
    """Likelihood of one test as the docstring of ``evidence`` tells it, written anew."""
    if drop is None:
        honest = stats.norm.cdf((predicted - limit) / (EYE_WIDTH * limit))
        return (1 - LIE_JUMP) * honest + LIE_JUMP
    u = math.hypot(u, 0.004 * drop)
    honest = stats.norm.pdf(drop, predicted, u)
    if abs(drop) < 3 * u:
        return (1 - LIE_NO_CHANGE) * honest + LIE_NO_CHANGE * stats.norm.pdf(drop, 0, u)
    false = 1 / (drop * math.log(JUMP_RANGE_MV[1] / JUMP_RANGE_MV[0]))
    return (1 - LIE_JUMP) * honest + LIE_JUMP * false


def density(mohm: np.ndarray, median: float) -> np.ndarray:
    return stats.lognorm.pdf(mohm, s=PRIOR.log_sd, scale=median)


@pytest.mark.parametrize(
    ("drop", "u", "within"),
    [
        (750.0, 2.0, 0.02),
        (750.0, 40.0, 0.02),
        (3000.0, 10.0, 0.02),
        (400.0, 30.0, 0.02),
        # A home run of 6 mohm is so short that the jump may as well be false: two modes, of which
        # Laplace's approximation weighs one. This is the size of its error there.
        (60.0, 5.0, 0.3),
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
    ("near", "far"), [(700.0, 1000.0), (700.0, 720.0), (300.0, 1500.0), (60.0, 90.0)]
)
def test_two_runs_seen_apart_weigh_what_a_grid_says(near: float, far: float) -> None:
    u = 12.0
    rows = [row(1, NG, "Attic", None, "Bath", near, u), row(2, NG, "Bath", None, "Bath", far, u)]
    expected = grid(
        lambda a, b: (
            mixture(near, u, 10 * a + 0 * b, limit=15) * mixture(far, u, 10 * (a + b), limit=15)
        ),
        PRIOR.home_median_mohm,
        PRIOR.median_mohm,
    )
    assert product(rows, CHAIN, 2) == pytest.approx(expected, abs=0.15)


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


def test_a_jump_that_no_run_can_make_is_a_lie() -> None:
    rows = [row(1, NN, "Attic", "Bath", "Attic", None, None)]  # nothing between them carries it
    apart = np.array([[0b11, 0b10]], dtype=np.int64)
    tests = Tests.of(observations_of(circuit(2), rows))
    fitted = fit(columns_of(apart, homes(apart), tests, PRIOR), tests)
    assert fitted.truth[0, 0] < 0.6
    assert fitted.log_evidence[0] < math.log(0.02)


def test_no_change_where_no_run_takes_part_is_certain_truth() -> None:
    rows = [row(1, NN, "Attic", "Bath", "Attic", 0.2, 1.0, verdict=Verdict.NOT_IN_PATH)]
    assert product(rows, CHAIN, 2) == pytest.approx(stats.norm.logpdf(0.2, 0, 1.0), abs=1e-3)


def test_a_lie_among_true_tests_is_told_by_its_truth() -> None:
    rows = [
        row(1, NG, "Attic", None, "Bath", 700.0, 5.0),
        row(2, NG, "Attic", None, "Bath", 705.0, 5.0),
        row(3, NG, "Attic", None, "Bath", 0.3, 1.0, verdict=Verdict.NOT_IN_PATH),
    ]
    tests = Tests.of(observations_of(circuit(2), rows))
    fitted = fit(columns_of(CHAIN, homes(CHAIN), tests, PRIOR), tests)
    assert fitted.truth[0, :2] == pytest.approx(1, abs=1e-3)
    assert fitted.truth[0, 2] < 1e-6


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
            (1 - POOR_HOT_SHARE) * stats.norm.pdf(ratio, 0, HOT_RATIO_SD)
            + POOR_HOT_SHARE * stats.norm.pdf(ratio, 0, POOR_HOT_SD)
        )
        * stats.norm.pdf(log_source, math.log(SOURCE_MOHM), SOURCE_SD)
    )
    steps = [float(x.ravel()[1] - x.ravel()[0]) for x in (log_run, ratio, log_source)]
    value = mixture(drop, u, predicted, limit=15) * weight
    expected = math.log(value.sum() * math.prod(steps))
    # a ridge of run against source is bent: Laplace is good to a quarter nat here
    assert product(rows, CHAIN, 2) == pytest.approx(expected, abs=0.25)


def test_trees_with_one_key_have_one_evidence() -> None:
    masks, home, _ = every_tree(4)
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
    key = evidence_key(masks, home, tests)
    each = log_evidences(columns_of(masks, home, tests, PRIOR), tests)
    for value in np.unique(key):
        assert np.ptp(each[key == value]) < 1e-6


def test_the_fit_gives_back_runs_and_their_uncertainty() -> None:
    rows = [
        row(1, NG, "Attic", None, "Bath", 700.0, 2.0),
        row(2, NN, "Attic", "Bath", "Bath", 250.0, 2.0),
    ]
    tests = Tests.of(observations_of(circuit(2), rows))
    columns = columns_of(CHAIN, homes(CHAIN), tests, PRIOR)
    fitted = fit(columns, tests)
    runs = np.exp(fitted.log_mohm[0, columns.group[0]])
    u = runs * np.sqrt(np.diag(fitted.covariance[0])[columns.group[0]])
    assert runs == pytest.approx([70.0, 25.0], rel=0.002)
    assert u == pytest.approx([tests.u[0] / 10, tests.u[1] / 10], rel=0.02)
