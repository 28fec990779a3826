"""Weights of the shapes that a circuit can have, before any test.

How often electricians branch differs from house to house, so the rate of branches is not fixed: a
few rates are mixed, and a log that shows branches makes more of them believable. Each rate has its
own number of trees, weighed; dividing by it keeps the mixture a probability at every rate. The sums
over all trees come from the exponential generating function of labelled trees (Flajolet and
Sedgewick, Analytic Combinatorics 2009, II.5), here with a weight for each branch.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import lgamma

import numpy as np
from numpy.typing import NDArray

RATES = tuple(2.0**j for j in range(-2, 4))  # multiples of the usual rate of branches
# how the rates are weighed: nobody has counted many houses, so within a factor of 3 (from memory);
# seven recorded circuits had 4 branches where the usual rate makes 2.8
RATE_MEDIAN, RATE_LOG_SD = 1.4, 1.1


@dataclass(frozen=True, slots=True)
class TreePrior:
    """Weights of shapes, relative to a plain chain.

    A chain is the most common, a fork at a receptacle less, a hidden splice or a second home run
    least (common practice). For each chain of ``n`` receptacles there are about ``n**2 / 4`` trees
    with one fork at a receptacle, as many with one splice, and ``(n - 1) / 2`` with two home runs;
    people make so many of each for a receptacle, however many receptacles there are. So the weight
    of a fork or splice is its rate times ``4 / n``, that of a home run twice its rate. All three
    are multiplied by the rate of branches, which is not known.

    Attributes:
        forks_per_receptacle: More than one onward run at a receptacle.
        splices_per_receptacle: Splices between receptacles that have a box of their own.
        panel_forks_per_receptacle: More than one home run.
        rates: Possible rates of branches, as multiples of the usual one.
    """

    forks_per_receptacle: float = 0.1
    splices_per_receptacle: float = 0.05
    panel_forks_per_receptacle: float = 0.01
    rates: tuple[float, ...] = RATES

    def log_fork(self, n: int) -> float:
        """Log weight of one more branch at a receptacle or splice, ``n`` receptacles in all."""
        return float(np.log(self.forks_per_receptacle * 4 / n))

    def log_splice(self, n: int) -> float:
        """Log weight of one splice with two onward runs."""
        return float(np.log(self.splices_per_receptacle * 4 / n))

    def log_panel_fork(self) -> float:
        """Log weight of one more run that starts at the panel."""
        return float(np.log(self.panel_forks_per_receptacle * 2))

    def log_branches(self, n: int) -> NDArray[np.float64]:
        """What the mixture of rates adds for 0, 1, ... ``n`` branches, relative to none."""
        return _log_branches(self, n)


@lru_cache(maxsize=64)
def _log_branches(prior: TreePrior, n: int) -> NDArray[np.float64]:
    rates = np.array(prior.rates)
    log_weight = -0.5 * (np.log(rates / RATE_MEDIAN) / RATE_LOG_SD) ** 2
    log_weight -= [log_trees(prior, n, rate) for rate in prior.rates]
    terms = log_weight + np.arange(n + 1)[:, None] * np.log(rates)
    table: NDArray[np.float64] = np.logaddexp.reduce(terms, axis=1)
    table -= table[0]
    table.setflags(write=False)
    return table


def log_trees(prior: TreePrior, n: int, rate: float) -> float:
    """Log of the sum of the weights of all trees of ``n`` receptacles at one rate of branches.

    With ``f``, ``s`` and ``p`` the weights of a fork, a splice and a panel fork, what lies behind a
    run has the generating function ``F = x (1 + (e^fF - 1) / f) + s (e^fF - 1 - fF) / f^2``, and
    the whole tree ``(e^pF - 1) / p``. With all weights 1 this counts OEIS A005263(n + 1).
    """
    fork, splice, panel = (
        rate * np.exp(log)
        for log in (prior.log_fork(n), prior.log_splice(n), prior.log_panel_fork())
    )
    behind = np.zeros(n + 1)
    for _ in range(n):  # each round makes one more coefficient right
        grown = _exp(fork * behind)
        grown[0] -= 1
        ends = grown / fork
        ends[0] += 1
        behind = np.append(0.0, ends[:-1]) + splice * (grown - fork * behind) / fork**2
    return float(np.log(_exp(panel * behind)[n] / panel) + lgamma(n + 1))


def _exp(series: NDArray[np.float64]) -> NDArray[np.float64]:
    """Exponential of a power series without constant term: ``E' = S' E``."""
    slope = series * np.arange(len(series))
    result = np.zeros_like(series)
    result[0] = 1.0
    for k in range(1, len(series)):
        result[k] = slope[1 : k + 1] @ result[k - 1 :: -1][:k] / k
    return result
