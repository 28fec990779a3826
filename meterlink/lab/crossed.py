"""Two factors: the crossed gauge study, by analysis of variance with interaction.

The first factor is what is measured (parts, here hookups or receptacles), the second who or what
measures (appraisers, here operators, meters or lead sets); every combination is repeated equally
often. Model and rules: AIAG Measurement Systems Analysis, 4th edition, appendix A.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from meterlink.lab.errors import LabError
from meterlink.lab.oneway import f_ratio
from meterlink.lab.quantiles import f_upper_p
from meterlink.levels.statistics import Floats, mean

POOLING_P = 0.25  # an interaction less significant than this is pooled with repeatability (AIAG)
CATEGORIES_FACTOR = 1.41  # sqrt(2), as AIAG rounds it: number of distinct categories


class UnbalancedError(LabError):
    """Combinations are not repeated equally often.

    Attributes:
        counts: Shape (parts, appraisers), trials of each combination.
    """

    def __init__(self, counts: npt.NDArray[np.int_]) -> None:
        super().__init__("combinations are not repeated equally often")
        self.counts = counts


@dataclass(frozen=True, slots=True)
class Source:
    """A line of the analysis of variance; ``f`` and ``p`` are ``None`` where nothing tests it."""

    ss: float
    dof: int
    f: float | None
    p: float | None

    @property
    def ms(self) -> float:
        """Mean square; zero where there is no degree of freedom."""
        return self.ss / self.dof if self.dof else 0.0


@dataclass(frozen=True, slots=True)
class Crossed:
    """A gauge study.

    Attributes:
        part, appraiser, interaction, repeatability, total: The analysis of variance. With one
            trial a cell there is nothing to tell interaction from repeatability:
            ``repeatability`` then has no degree of freedom.
        pooled: Whether the interaction went into repeatability.
        s_repeatability: Standard deviation of repeated trials ("equipment variation").
        s_appraiser: Of appraisers.
        s_interaction: Of appraisers from part to part; zero where pooled.
        s_part: Of what is measured.
    """

    part: Source
    appraiser: Source
    interaction: Source
    repeatability: Source
    total: Source
    pooled: bool
    s_repeatability: float
    s_appraiser: float
    s_interaction: float
    s_part: float

    @property
    def s_reproducibility(self) -> float:
        """Appraisers and their interaction together."""
        return math.hypot(self.s_appraiser, self.s_interaction)

    @property
    def s_gauge(self) -> float:
        """Repeatability and reproducibility together."""
        return math.hypot(self.s_repeatability, self.s_reproducibility)

    @property
    def s_total(self) -> float:
        """All variation together."""
        return math.hypot(self.s_gauge, self.s_part)

    @property
    def distinct_categories(self) -> float:
        """How many groups of parts the gauge tells apart; infinite for a gauge without spread."""
        if self.s_gauge == 0:
            return math.inf
        return CATEGORIES_FACTOR * self.s_part / self.s_gauge


def crossed(
    values: Floats, parts: npt.NDArray[np.int_], appraisers: npt.NDArray[np.int_]
) -> Crossed:
    """Analyse a crossed study.

    Args:
        values: Shape (n,), finite.
        parts: Shape (n,), level of the first factor, 0 up without gaps.
        appraisers: The same of the second.

    Raises:
        LabError: A factor has one level only.
        UnbalancedError: A combination is missing, or they are not repeated equally often.
    """
    cells = _cells(values, parts, appraisers)
    cells = cells - mean(values)  # small numbers: squares of them lose no digits
    a, b, n = cells.shape
    grand = float(cells.mean())
    cell_means = cells.mean(axis=2)
    part_means, appraiser_means = cell_means.mean(axis=1), cell_means.mean(axis=0)
    both = cell_means - part_means[:, None] - appraiser_means[None, :] + grand
    ss_part = b * n * _squares(part_means - grand)
    ss_appraiser = a * n * _squares(appraiser_means - grand)
    ss_both, ss_rest = n * _squares(both), _squares(cells - cell_means[:, :, None])
    interaction = Source(ss_both, (a - 1) * (b - 1), None, None)
    rest = Source(ss_rest, a * b * (n - 1), None, None)
    if rest.dof:
        interaction = _tested(ss_both, interaction.dof, rest)
    # Not significant, or not to be told from repeatability: both estimate the same spread.
    pooled = not (interaction.p is not None and interaction.p <= POOLING_P)
    within = Source(ss_both + ss_rest, interaction.dof + rest.dof, None, None) if pooled else rest
    against = within if pooled else interaction
    part, appraiser = (
        _tested(ss_part, a - 1, against),
        _tested(ss_appraiser, b - 1, against),
    )
    return Crossed(
        part=part,
        appraiser=appraiser,
        interaction=interaction,
        repeatability=rest,
        total=Source(_squares(cells - grand), a * b * n - 1, None, None),
        pooled=pooled,
        s_repeatability=math.sqrt(within.ms),
        s_appraiser=_component(appraiser.ms, against.ms, a * n),
        s_interaction=0.0 if pooled else _component(interaction.ms, rest.ms, n),
        s_part=_component(part.ms, against.ms, b * n),
    )


def uneven(counts: npt.NDArray[np.int_], names: Sequence[Sequence[str]]) -> str:
    """Say which combinations have how many trials, for a study that is not balanced.

    Args:
        counts: Shape (parts, appraisers), trials of each combination.
        names: Names of parts, names of appraisers.
    """
    least, most = int(counts.min()), int(counts.max())
    short = [
        f"{names[0][i][:40]} x {names[1][j][:40]} has {counts[i, j]}"
        for i, j in zip(*np.nonzero(counts < most), strict=True)
    ]
    shown = "; ".join(short[:5]) + ("" if len(short) <= 5 else f"; and {len(short) - 5} more")
    return (
        f"combinations have {least} to {most} trials, and this analysis needs the same number of "
        f"each ({shown}). Take the missing trials, or leave a level out"
    )


def _cells(values: Floats, parts: npt.NDArray[np.int_], appraisers: npt.NDArray[np.int_]) -> Floats:
    """Values as (part, appraiser, trial)."""
    a, b = int(parts.max()) + 1, int(appraisers.max()) + 1
    if a < 2 or b < 2:
        raise LabError("a study of two factors needs two or more levels of each")
    cell = parts * b + appraisers
    counts = np.bincount(cell, minlength=a * b)
    if counts.min() != counts.max():
        raise UnbalancedError(counts.reshape(a, b))
    return values[np.argsort(cell, kind="stable")].reshape(a, b, int(counts[0]))


def _tested(ss: float, dof: int, against: Source) -> Source:
    f = f_ratio(ss / dof, against.ms)
    p = math.nan if math.isnan(f) else f_upper_p(f, dof, against.dof)
    return Source(ss, dof, f, p)


def _component(ms: float, below: float, times: int) -> float:
    return math.sqrt(max(0.0, (ms - below) / times))


def _squares(values: Floats) -> float:
    return float(np.sum(values * values))
