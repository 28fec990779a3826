"""From a circuit and its test rows to weighted wirings: what the map and the planner start from."""

from collections.abc import Sequence
from dataclasses import dataclass

from meterlink.circuit.circuit import Circuit
from meterlink.errors import UsageError
from meterlink.testlog.findings import Finding
from meterlink.testlog.rows import TestRow
from meterlink.tree.ensemble import Ensemble
from meterlink.tree.isolation import Isolation
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.posterior import Orders, orders_of
from meterlink.tree.run_prior import RunPrior
from meterlink.tree.search import search
from meterlink.tree.tree_prior import TreePrior
from meterlink.tree.trees import MAX_RECEPTACLES

SETTLED = 0.95


@dataclass(frozen=True, slots=True)
class Posterior:
    """Everything known after the tests; the planner and the map both start from it.

    Attributes:
        circuit: As stated.
        tests: The tests as numbers.
        ensemble: Weighted trees.
        orders: Weighted orders among receptacles.
        run_prior: Of the runs of the stated conductor.
        findings: What was found with the power off.
        rows: The rows of the log as given; the planner learns from them what a hookup shows.
    """

    circuit: Circuit
    tests: Tests
    ensemble: Ensemble
    orders: Orders
    run_prior: RunPrior
    findings: tuple[Finding, ...] = ()
    rows: tuple[TestRow, ...] = ()

    @property
    def settled(self) -> bool:
        """Whether the most probable order is probable enough to stop testing."""
        return bool(self.orders.probability.max() >= SETTLED)


def capacity_for(n: int) -> int:
    """Number of trees kept: every tree up to four receptacles, fewer where each costs more."""
    few = {1: 8, 2: 8, 3: 64, 4: 512, 5: 1500, 6: 1500, 7: 800, 8: 500}
    return few.get(n, 150 if n <= 12 else 100 if n <= 20 else 50)


def run_prior_for(circuit: Circuit) -> RunPrior:
    """Prior of the runs in the stated conductor."""
    ohm_per_m = circuit.ohm_per_m()
    return RunPrior() if ohm_per_m is None else RunPrior.for_conductor(ohm_per_m)


def infer(
    circuit: Circuit,
    rows: Sequence[TestRow],
    *,
    findings: Sequence[Finding] = (),
    capacity: int | None = None,
    seed: int = 0,
) -> Posterior:
    """Weigh the possible wirings of a circuit by its tests and by findings with the power off.

    Raises:
        UsageError: No receptacle or too many, or a row names one that the circuit does not have.
    """
    n = len(circuit.receptacles)
    if not 1 <= n <= MAX_RECEPTACLES:
        raise UsageError(
            f"The circuit has {n} receptacles; 1 to {MAX_RECEPTACLES} can be resolved. "
            "Correct the list in job.toml."
        )
    known = set(circuit.receptacles)
    for row in rows:
        for name in row.setup.places:
            if name not in known:
                raise UsageError(
                    f"Test {row.test} names {name!r}, which the circuit does not have. "
                    "Correct the name in the log, or add the receptacle to job.toml."
                )
    tests = Tests.of(observations_of(circuit, rows))
    prior = run_prior_for(circuit)
    ensemble = search(
        tests,
        n,
        tree_prior=TreePrior(),
        run_prior=prior,
        capacity=capacity or capacity_for(n),
        seed=seed,
        isolation=Isolation.of(findings, circuit.receptacles),
    )
    return Posterior(
        circuit, tests, ensemble, orders_of(ensemble, n), prior, tuple(findings), tuple(rows)
    )
