"""Hypotheses: a tree and a condition of the circuit each, many at a time.

What is on the circuit besides a tree is one more path for the current, from one point of the tree
to another or to the panel: a run that closes a ring, or the ground wires where a ground is bonded
to the neutral. With the neutral bar as zero a tree has ``S(X, Y) = sum of r over the runs that both
ways share``; one more path of resistance ``c`` adds a rank-one term to the inverse of the grounded
Laplacian (Sherman and Morrison), so the drop per ampere is ``sum(r w l) - a b / (c + R)`` with
``a = sum(r k w)``, ``b = sum(r k l)``, ``R = sum(r k^2)`` over the tree's runs, where ``w``, ``l``
and ``k`` say whether a run is on the way to the leads, to the load and between the path's ends.

A receptacle that is not on the circuit is in no mask: its neutral is at the panel's potential and
its load moves nothing. Where its own load moves what is read there, it looks like a receptacle on a
cable of its own from the panel, and no test with the power on tells the two apart.

Runs that the same tests see cannot be told apart; only their sum can. They are merged into one
column whose prior has the mean and variance of the sum (Fenton and Wilkinson's match of a sum of
log-normals), which makes the integral over the runs smaller and Laplace's approximation better.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from meterlink import assumptions
from meterlink.assumptions import USUAL
from meterlink.tree.observations import Tests, on_way
from meterlink.tree.trees import Flags, Floats, Masks, homes

NO_RUN = np.iinfo(np.int64).max


class Kind(IntEnum):
    """What is besides the tree."""

    SOUND = 0
    BONDED = 1  # ground bonded to neutral at ``near``
    CLOSED = 2  # one more run, from ``near`` to ``far`` or the panel
    ELSEWHERE = 3  # the receptacle ``near`` is not on the circuit
    MISNAMED = 4  # sound, but the test with the number ``near`` was done elsewhere than written
    APART = 5  # ``near`` is alone on a cable of its own, which comes from another breaker


@dataclass(frozen=True, slots=True)
class RunPrior:
    """Log-normal prior of a run's neutral resistance in one conductor.

    The median is that of a run's usual length and two sound joints; the home run is longer.
    """

    median_mohm: float = USUAL.runs.median_mohm
    home_median_mohm: float = USUAL.runs.home_median_mohm
    runs: assumptions.Runs = field(default_factory=assumptions.Runs)
    bond_mohm: float = USUAL.conditions.bond_mohm
    bond_log_sd: float = USUAL.conditions.bond_log_sd
    ground_ratio_sd: float = USUAL.conditions.ground_ratio_sd
    joints: assumptions.Joints = field(default_factory=assumptions.Joints)

    @classmethod
    def for_conductor(
        cls, ohm_per_m: float | None, assumed: assumptions.Assumptions = USUAL
    ) -> "RunPrior":
        """Prior for a conductor of ``ohm_per_m``; ``None`` where it is not known."""
        runs, conditions = assumed.runs, assumed.conditions
        bond = conditions.bond_mohm, conditions.bond_log_sd
        rest = runs, *bond, conditions.ground_ratio_sd, assumed.joints
        if ohm_per_m is None:
            return cls(runs.median_mohm, runs.home_median_mohm, *rest)
        near, home = (1e3 * ohm_per_m * m for m in (runs.length_m, runs.home_length_m))
        return cls(near + runs.joints_mohm, home + runs.joints_mohm, *rest)

    @property
    def log_sd(self) -> float:
        """Spread of the log of a run."""
        return self.runs.log_sd

    @property
    def relative_variance(self) -> float:
        """Variance over mean squared of one run."""
        return float(np.expm1(self.log_sd**2))

    def means(self, home: NDArray[np.bool_]) -> Floats:
        """Means in mohm of runs of which ``home`` says whether they start at the panel."""
        return np.where(home, self.mean(self.home_median_mohm), self.mean(self.median_mohm))

    def mean(self, median: float) -> float:
        """Mean of a run with the given median."""
        return float(median * np.exp(self.log_sd**2 / 2))


@dataclass(frozen=True, slots=True)
class Hypotheses:
    """``N`` trees with a condition each.

    Attributes:
        masks, home: The trees, shape ``(N, E)``.
        kind: What is besides the tree, ``(N,)``.
        near, far: Ends of the other path, or the receptacle that ``kind`` speaks of, as bits: the
            runs on the way to an end are those whose masks hold all its bits; 0 is the panel.
            For a misnamed test its number.
    """

    masks: Masks
    home: Flags
    kind: NDArray[np.intp]
    near: Masks
    far: Masks

    @classmethod
    def of(
        cls, masks: Masks, home: Flags | None = None, kind: Kind = Kind.SOUND, near: int = 0
    ) -> "Hypotheses":
        """Trees with the same condition."""
        count = len(masks)
        return cls(
            masks,
            homes(masks) if home is None else home,
            np.full(count, int(kind)),
            np.full(count, near, dtype=np.int64),
            np.zeros(count, dtype=np.int64),
        )

    @classmethod
    def joined(cls, parts: Sequence["Hypotheses"]) -> "Hypotheses":
        """One after another, padded to one width."""
        width = max(part.masks.shape[1] for part in parts)

        def padded(part: "Hypotheses") -> "Hypotheses":
            more = ((0, 0), (0, width - part.masks.shape[1]))
            return replace(part, masks=np.pad(part.masks, more), home=np.pad(part.home, more))

        wide = [padded(part) for part in parts]
        return cls(*(np.concatenate([getattr(p, one.name) for p in wide]) for one in fields(cls)))

    def __len__(self) -> int:
        return len(self.masks)

    def take(self, rows: NDArray[np.intp] | Flags) -> "Hypotheses":
        """Some of them."""
        return Hypotheses(*(getattr(self, one.name)[rows] for one in fields(self)))

    @property
    def bonded(self) -> Flags:
        """Which have a bonded ground."""
        result: Flags = self.kind == Kind.BONDED
        return result

    @property
    def paths(self) -> Flags:
        """Which have another path."""
        result: Flags = self.bonded | (self.kind == Kind.CLOSED)
        return result

    def between(self) -> Floats:
        """1 for runs between the other path's near end and the panel, -1 for those of the far end.

        0 for runs before both or none, ``(N, E)``.
        """
        near, far = self.near[:, None], self.far[:, None]
        path = self.paths[:, None] & (self.masks != 0)
        to_near = path & ((self.masks & near) == near)
        to_far = path & (far != 0) & ((self.masks & far) == far)
        sign: Floats = to_near.astype(np.float64) - to_far
        return sign

    def void(self, tests: Tests) -> Flags:
        """Which tests say nothing, ``(N, m)``: misnamed, or at a receptacle of another circuit.

        There another circuit's load or supply decides what they read.
        """
        away = np.where(self.kind == Kind.ELSEWHERE, self.near, 0)[:, None]
        own = ((tests.load & away) != 0) & (((tests.lead_a | tests.lead_b) & away) != 0)
        line = tests.source & ((tests.lead_a & away) != 0)
        result: Flags = own | line | self.misnamed(tests)
        return result

    def misnamed(self, tests: Tests) -> Flags:
        """Which tests were done elsewhere than written, ``(N, m)``."""
        here = (self.kind == Kind.MISNAMED)[:, None]
        result: Flags = here & (self.near[:, None] == tests.number) if here.any() else here
        return result

    @property
    def condition(self) -> tuple[NDArray[np.intp], Masks]:
        """What is the matter with the circuit itself, as ``kind`` and ``near``."""
        sound, apart = self.kind == Kind.MISNAMED, self.kind == Kind.APART
        kind = np.where(apart, int(Kind.ELSEWHERE), self.kind)
        return np.where(sound, int(Kind.SOUND), kind), np.where(sound, 0, self.near)

    @property
    def on_circuit(self) -> Masks:
        """The masks without the cable of a receptacle that another breaker feeds."""
        apart = (self.kind == Kind.APART)[:, None] & (self.masks == self.near[:, None])
        return np.where(apart, 0, self.masks)

    def alone(self, bit: int) -> Flags:
        """Which have a receptacle on a cable of its own from the panel."""
        own = self.masks & bit
        result: Flags = (own == self.masks).any(axis=1, where=own != 0) & ((own != 0).sum(1) == 1)
        return result


@dataclass(frozen=True, slots=True)
class Columns:
    """Runs that tests can tell apart, for ``N`` hypotheses padded to ``D`` columns.

    Attributes:
        seen: How a column counts in each test, ``(N, m, D)``: 1, 0 or -1.
        between: As in ``Hypotheses``, ``(N, D)``.
        lead, current: How a column between the ends of the other path counts on the leads and in
            the current, ``(N, m, D)``; empty where there is no such path.
        mean, sd: Normal prior of the log of the column's resistance in mohm, ``(N, D)``.
        used: Columns that exist.
        group: For each run of each tree the column it is in, -1 where no test sees it, ``(N, E)``.
        size: Number of runs in a column.
        way: Part of each column that is on the way to each test's load, ``(N, m, D)``.
        way_unseen: Prior mean in mohm of the runs on that way that no test sees, ``(N, m)``.
        bonded, paths: Kind of the other path, ``(N,)``.
        path_mean, path_sd: Normal prior of the log of its resistance in mohm; where a ground is
            bonded, of the log of ground over neutral.
        void: Tests that say nothing, ``(N, m)``.
        counted: Tests that are looked at; each part of a log has its own hypotheses.
    """

    seen: Floats
    between: Floats
    lead: Floats
    current: Floats
    mean: Floats
    sd: Floats
    used: Flags
    group: NDArray[np.intp]
    size: NDArray[np.intp]
    way: Floats
    way_unseen: Floats
    bonded: Flags
    paths: Flags
    path_mean: Floats
    path_sd: Floats
    void: Flags
    counted: Flags

    def part(self, rows: NDArray[np.intp]) -> "Columns":
        """The same for some of the hypotheses."""
        return Columns(*(getattr(self, one.name)[rows] for one in fields(self)))

    def mean_of(self, values: Floats) -> Floats:
        """Mean over the tests that count, ``(N,)``; 0 where none does."""
        total, count = (values * self.counted).sum(axis=1), self.counted.sum(axis=1)
        mean: Floats = total / np.maximum(count, 1)
        return mean


def hashed(patterns: Floats | Flags, seed: int) -> NDArray[np.int64]:
    """A number for each pattern over tests; wraps."""
    rng = np.random.default_rng(seed)
    weights = rng.integers(1, 1 << 62, size=patterns.shape[-1], dtype=np.int64)
    result: NDArray[np.int64] = patterns.astype(np.int64) @ weights
    return result


@dataclass(frozen=True, slots=True)
class Patterns:
    """How each different run of some hypotheses counts in each test.

    Attributes:
        index: For each run of each hypothesis which of the ``U`` different ones it is, ``(N, E)``.
        lead, current, to_load: How each counts on the leads, in the current, and whether it is on
            the way to the load, ``(U, m)``.
    """

    index: NDArray[np.intp]
    lead: Floats
    current: Floats
    to_load: Floats

    @classmethod
    def of(cls, h: Hypotheses, tests: Tests) -> "Patterns":
        """Those of all runs."""
        unique, index = np.unique(h.masks, return_inverse=True)
        seen = tests.lead(unique), tests.current(unique), on_way(unique, tests.load)
        return cls(index.reshape(h.masks.shape), *seen)

    def hashed(self, patterns: Floats, counted: Flags | None, seed: int) -> NDArray[np.int64]:
        """A number for each run of each hypothesis, by its pattern over the tests; wraps."""
        if counted is None:
            return hashed(patterns, seed)[self.index]
        return hashed(patterns[self.index] * counted[:, None, :], seed)

    def take(self, rows: NDArray[np.intp]) -> "Patterns":
        """Those of some of the hypotheses."""
        return replace(self, index=self.index[rows])

    def keys(self, h: Hypotheses, counted: Flags | None) -> NDArray[np.int64]:
        """A number for each run, the same for those that no test tells apart; 0 for unseen ones."""
        key = self.hashed(self.lead * self.current, counted, 1)
        if h.paths.any():
            lead, current = (self.hashed(p, counted, 2) for p in (self.lead, self.current))
            key = key + h.between().astype(np.int64) * (7919 + 3 * lead + 5 * current)
        result: NDArray[np.int64] = np.where(h.masks == 0, 0, key)
        return result


def columns_of(
    h: Hypotheses,
    tests: Tests,
    prior: RunPrior,
    patterns: Patterns | None = None,
    counted: Flags | None = None,
) -> Columns:
    """Merge the runs of each hypothesis that no test tells apart.

    ``counted`` says which tests count for which hypothesis, ``(N, m)``; all where not given.
    """
    count, m = len(h), len(tests)
    patterns = patterns or Patterns.of(h, tests)
    key = patterns.keys(h, counted)
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
    run_mean = prior.means(h.home)
    size = member.sum(axis=2).astype(np.intp)
    total = (member @ run_mean[:, :, None])[:, :, 0]
    variance = prior.relative_variance * (member @ run_mean[:, :, None] ** 2)[:, :, 0]
    to_load = patterns.to_load[patterns.index]
    way = (member / np.maximum(size, 1)[:, :, None]) @ to_load
    unseen = np.where(group < 0, run_mean, 0.0)
    used = size > 0
    t, e = np.nonzero(group >= 0)
    one = np.zeros((count, width), dtype=np.intp)  # a run of each column
    one[t, group[t, e]] = patterns.index[t, e]
    counts = used[:, None, :] if counted is None else used[:, None, :] & counted[:, :, None]
    seen = np.swapaxes((patterns.lead * patterns.current)[one], 1, 2) * counts
    between, paths = np.zeros((count, width)), h.paths
    if paths.any():
        between[t, group[t, e]] = h.between()[t, e]
        k = between[:, None, :] * counts
        lead, current = (np.swapaxes(p[one], 1, 2) * k for p in (patterns.lead, patterns.current))
    else:
        lead = current = np.zeros((count, m, 0))
    safe = np.where(used, total, 1.0)
    log_variance = np.log1p(np.where(used, variance, 0.0) / safe**2)
    home_end = (h.far == 0) & paths
    median = np.where(home_end, prior.home_median_mohm, prior.median_mohm)
    return Columns(
        seen=seen,
        between=between,
        lead=lead,
        current=current,
        mean=np.log(safe) - log_variance / 2,
        sd=np.sqrt(np.where(used, log_variance, 1.0)),
        used=used,
        group=group,
        size=size,
        way=np.swapaxes(way, 1, 2),
        way_unseen=(unseen[:, None, :] @ to_load)[:, 0],
        bonded=h.bonded,
        paths=paths,
        path_mean=np.where(h.bonded, 0.0, np.log(median)),
        path_sd=np.where(h.bonded, prior.ground_ratio_sd, prior.log_sd),
        void=h.void(tests),
        counted=np.ones((count, m), dtype=bool) if counted is None else counted,
    )


def evidence_key(
    h: Hypotheses, tests: Tests, patterns: "Patterns | None" = None, counted: Flags | None = None
) -> NDArray[np.int64]:
    """A number for each hypothesis; those with the same number have the same evidence.

    It hashes the multiset of (tests that see the run, tests whose load is beyond it, home run or
    not) over the runs on the way to any load, and what is besides the tree.
    """
    patterns = patterns or Patterns.of(h, tests)
    pattern = patterns.hashed(patterns.to_load * (tests.sag_per_mohm > 0), counted, 3)
    pattern = pattern + patterns.keys(h, counted)
    with np.errstate(over="ignore"):
        mixed = (pattern ^ (pattern >> 31)) * np.int64(0x1D8E4E27C47D124F)
        mixed = (mixed ^ (mixed >> 29)) * np.int64(0x6B5FCA6AF2BF4AD1) + h.home * np.int64(
            0x51ED270B
        )
        mixed = (mixed ^ (mixed >> 32)) * np.int64(0x3C79AC492BA7B653)
        key: NDArray[np.int64] = np.where(pattern == 0, 0, mixed).sum(axis=1)
        # which tests are void hangs on the receptacle; the other path's prior on its far end
        named = (h.kind == Kind.ELSEWHERE) | (h.kind == Kind.MISNAMED)
        apart: Masks = np.where(named, h.near, (h.far == 0).astype(np.int64))
        kinds: Masks = np.where(h.kind == Kind.APART, 0, h.kind).astype(np.int64)  # reads as sound
        found: Masks = key + kinds * 0x2545F4914F6CDD1D + apart * 0x5851F42D4C957F2D
        if counted is not None:
            found = found + hashed(counted, 4)
    return found
