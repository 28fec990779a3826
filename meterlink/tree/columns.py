"""Runs that the same tests see cannot be told apart; only their sum can.

They are merged into one column whose prior has the mean and variance of the sum (Fenton and
Wilkinson's match of a sum of log-normals), which makes the integral over the runs smaller and
Laplace's approximation of it better.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.observations import Tests
from meterlink.tree.run_prior import RunPrior
from meterlink.tree.trees import Flags, Floats, Masks


@dataclass(frozen=True, slots=True)
class Columns:
    """The groups of runs that the tests can tell apart, for ``N`` trees padded to ``D`` columns.

    Attributes:
        seen: Which tests see a column, shape ``(N, D, m)``.
        mean, sd: Normal prior of the log of the column's resistance in mohm, shape ``(N, D)``.
        used: Columns that exist.
        group: For each run of each tree the column it is in, -1 where no test sees it, ``(N, E)``.
        size: Number of runs in a column.
        way: Part of each column that is on the way to each test's load, ``(N, D, m)``.
        way_unseen: Prior mean in mohm of the runs on that way that no test sees, ``(N, m)``.
    """

    seen: Flags
    mean: Floats
    sd: Floats
    used: Flags
    group: NDArray[np.intp]
    size: NDArray[np.intp]
    way: Floats
    way_unseen: Floats

    def part(self, rows: NDArray[np.intp]) -> "Columns":
        """The same for some of the trees."""
        return Columns(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


def columns_of(masks: Masks, home: Flags, tests: Tests, prior: RunPrior) -> Columns:
    """Merge the runs of each tree that the same tests see.

    Args:
        masks: Trees, shape ``(N, E)``.
        home: Which runs start at the panel, same shape.
        tests: ``m`` tests.
        prior: Of the runs.
    """
    trees = len(masks)
    seen = tests.carrying(masks)
    weights = np.random.default_rng(1).integers(1, 1 << 62, size=len(tests), dtype=np.int64)
    key = np.where(seen, weights, 0).sum(axis=2)  # wraps: a hash of the set of tests
    key = np.where(masks == 0, 0, key)
    order = np.argsort(key, axis=1, kind="stable")
    ordered = np.take_along_axis(key, order, axis=1)
    starts = np.ones_like(ordered, dtype=bool)
    starts[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
    starts &= ordered != 0
    rank = np.cumsum(starts, axis=1) - 1
    group = np.empty_like(order)
    np.put_along_axis(group, order, np.where(ordered != 0, rank, -1), axis=1)
    width = max(1, int(rank.max(initial=0)) + 1)

    member = (group[:, None, :] == np.arange(width)[:, None]).astype(np.float64)  # (N, D, E)
    run_mean = prior.means(home)
    size = member.sum(axis=2).astype(np.intp)
    total = (member @ run_mean[:, :, None])[:, :, 0]
    variance = prior.relative_variance * (member @ run_mean[:, :, None] ** 2)[:, :, 0]
    to_load = (masks[:, :, None] & tests.load) != 0
    way = (member @ to_load.astype(np.float64)) / np.maximum(size, 1)[:, :, None]
    unseen = to_load & (group == -1)[:, :, None]
    used = size > 0
    pattern = np.zeros((trees, width, len(tests)), dtype=bool)
    t, e = np.nonzero(group >= 0)
    pattern[t, group[t, e]] = seen[t, e]
    safe = np.where(used, total, 1.0)
    log_variance = np.log1p(np.where(used, variance, 0.0) / safe**2)
    return Columns(
        seen=pattern,
        mean=np.log(safe) - log_variance / 2,
        sd=np.sqrt(np.where(used, log_variance, 1.0)),
        used=used,
        group=group,
        size=size,
        way=way,
        way_unseen=(unseen * run_mean[:, :, None]).sum(axis=1),
    )


def evidence_key(masks: Masks, home: Flags, tests: Tests) -> NDArray[np.int64]:
    """A number for each tree; trees with the same number have the same evidence.

    It hashes the multiset of (tests that see the run, tests whose load is beyond it, home run or
    not) over the runs on the way to any load.
    """
    rng = np.random.default_rng(2)
    weights = rng.integers(1, 1 << 62, size=(2, len(tests)), dtype=np.int64)
    unique, inverse = np.unique(masks, return_inverse=True)
    hashed = np.where(tests.carrying(unique), weights[0], 0).sum(axis=-1)
    on_way = ((unique[:, None] & tests.load) != 0) & (tests.sag_per_mohm > 0)
    hashed += np.where(on_way, weights[1], 0).sum(axis=-1)
    pattern = hashed[inverse.reshape(masks.shape)]
    with np.errstate(over="ignore"):
        mixed = (pattern ^ (pattern >> 31)) * np.int64(0x1D8E4E27C47D124F)
        mixed = (mixed ^ (mixed >> 29)) * np.int64(0x6B5FCA6AF2BF4AD1) + home * np.int64(0x51ED270B)
        mixed = (mixed ^ (mixed >> 32)) * np.int64(0x3C79AC492BA7B653)
        key: NDArray[np.int64] = np.where(pattern == 0, 0, mixed).sum(axis=1)
    return key
