"""What a fit leaves known of the resistance of each run, and how well."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.columns import Columns
from meterlink.tree.evidence import Fit
from meterlink.tree.observations import Tests
from meterlink.tree.run_prior import SOURCE_MOHM, SOURCE_SD, SPLIT_ALPHA, RunPrior
from meterlink.tree.trees import Flags, Floats, Masks

UNKNOWN_SOURCE = np.array([[np.log(SOURCE_MOHM), np.expm1(SOURCE_SD**2)]])


@dataclass(frozen=True, slots=True)
class Runs:
    """What is known of the runs of ``K`` trees, in mohm; the source is the last entry.

    Attributes:
        mean: Shape ``(K, E + 1)``.
        covariance: ``(K, E + 1, E + 1)``.
        usual_sag: Part by which the load's current falls at the usual place, ``(K,)``.
    """

    mean: Floats
    covariance: Floats
    usual_sag: Floats

    def take(self, rows: NDArray[np.intp] | Flags) -> "Runs":
        """Some of the trees."""
        return Runs(self.mean[rows], self.covariance[rows], self.usual_sag[rows])

    @classmethod
    def joined(cls, parts: Sequence["Runs"]) -> "Runs":
        """Trees of the same width one after another."""
        mean, covariance, sag = zip(
            *((p.mean, p.covariance, p.usual_sag) for p in parts), strict=True
        )
        return cls(np.concatenate(mean), np.concatenate(covariance), np.concatenate(sag))


def runs_of_fit(
    masks: Masks, home: Flags, tests: Tests, prior: RunPrior, columns: Columns, fitted: Fit
) -> Runs:
    """The runs as a fit leaves them.

    Runs that no test tells apart share what is known of their sum (Dirichlet); runs that no test
    sees have their prior.
    """
    trees, runs = masks.shape
    width = columns.mean.shape[1]
    part = columns.group[:, None, :] == np.arange(width)[:, None]  # (K, D, E)
    share = part / np.maximum(columns.size, 1)[:, :, None]
    total = np.where(columns.used, np.exp(fitted.log_mohm), 0.0)
    mean = np.zeros((trees, runs + 1))
    mean[:, :runs] = (total[:, None, :] @ share)[:, 0, :]
    known = total[:, :, None] * fitted.covariance * total[:, None, :]
    covariance = np.zeros((trees, runs + 1, runs + 1))
    inner = np.swapaxes(share, 1, 2) @ known @ share
    loose = (total**2 / np.maximum(columns.size * (columns.size * SPLIT_ALPHA + 1), 1))[:, :, None]
    inner -= np.swapaxes(share * loose, 1, 2) @ part
    each = np.arange(runs)
    inner[:, each, each] += (loose * part).sum(axis=1)
    unseen = (masks != 0) & (columns.group < 0)
    usual = prior.means(home)
    mean[:, :runs] += np.where(unseen, usual, 0.0)
    inner[:, each, each] += np.where(unseen, prior.relative_variance * usual**2, 0.0)
    covariance[:, :runs, :runs] = inner
    source = fitted.log_source if fitted.log_source.size else UNKNOWN_SOURCE
    mean[:, -1] = np.exp(source[:, 0])
    covariance[:, -1, -1] = mean[:, -1] ** 2 * source[:, 1]
    to_load = (masks[:, :, None] & tests.load) != 0
    sag = (mean[:, None, :runs] @ to_load)[:, 0, :] * tests.sag_per_mohm
    usual_sag = sag.mean(axis=1) if len(tests) else np.zeros(trees)
    return Runs(mean, covariance, usual_sag)
