"""Weighted trees, and the weighing of them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.columns import Columns, columns_of, evidence_key
from meterlink.tree.evidence import Fit, fit, log_evidences
from meterlink.tree.observations import Tests
from meterlink.tree.run_prior import RunPrior
from meterlink.tree.runs import Runs, runs_of_fit
from meterlink.tree.trees import Flags, Floats, Masks

CHUNK = 1500  # trees fitted at once: bounds memory


@dataclass(frozen=True, slots=True)
class Ensemble:
    """Weighted trees: a listing of the posterior or an unbiased sample of it.

    Attributes:
        masks, home: The trees, shape ``(K, E)``.
        log_prior: Log weight of each tree's shape, and of what was found with the power off.
        log_evidence: Log probability of the tests on it.
        log_importance: Log of how many trees like it each stands for; 0 where it is kept as it is.
        complete: No tree was left to chance.
    """

    masks: Masks
    home: Flags
    log_prior: Floats
    log_evidence: Floats
    log_importance: Floats
    complete: bool

    @property
    def weights(self) -> Floats:
        """Normalised weights, shape ``(K,)``."""
        log_weight = self.log_prior + self.log_evidence + self.log_importance
        weight = np.exp(log_weight - log_weight.max())
        share: Floats = weight / weight.sum()
        return share


def weigh(masks: Masks, home: Flags, tests: Tests, prior: RunPrior) -> Floats:
    """Log evidence of each tree, each different one computed once."""
    parts, inverse = _different(masks, home, tests)
    values = np.concatenate(
        [log_evidences(columns_of(masks[part], home[part], tests, prior), tests) for part in parts]
    )
    result: Floats = values[inverse]
    return result


def nearly_weighed(masks: Masks, home: Flags, tests: Tests, prior: RunPrior) -> tuple[Floats, Runs]:
    """Log evidence of each tree and what its fit says of the runs, nearly.

    Where hot sides are seen, they are taken as equal to the neutral, within what is usual: half as
    many unknowns, good enough to choose which trees to grow.
    """
    parts, inverse = _different(masks, home, tests)
    evidence = np.zeros(len(masks))
    pieces, places = [], []
    seen = 0
    for part in parts:
        fitted = fit(columns_of(masks[part], home[part], tests, prior), tests, hot=False)
        rows = np.flatnonzero((inverse >= seen) & (inverse < seen + len(part)))
        fitted = fitted.take(inverse[rows] - seen)
        columns = columns_of(masks[rows], home[rows], tests, prior)
        evidence[rows] = fitted.log_evidence
        pieces.append(runs_of_fit(masks[rows], home[rows], tests, prior, columns, fitted))
        places.append(rows)
        seen += len(part)
    return evidence, Runs.joined(pieces).take(np.argsort(np.concatenate(places)))


def _different(
    masks: Masks, home: Flags, tests: Tests
) -> tuple[list[NDArray[np.intp]], NDArray[np.intp]]:
    """One tree of each kind that the tests cannot tell apart, in parts; the kind of each tree."""
    _, first, inverse = np.unique(
        evidence_key(masks, home, tests), return_index=True, return_inverse=True
    )
    return np.array_split(first, max(1, -(-len(first) // CHUNK))), inverse.reshape(-1)


def refit(
    ensemble: Ensemble, rows: NDArray[np.intp], tests: Tests, prior: RunPrior
) -> tuple[Columns, Fit]:
    """The runs on some of the trees of an ensemble."""
    columns = columns_of(ensemble.masks[rows], ensemble.home[rows], tests, prior)
    return columns, fit(columns, tests)
