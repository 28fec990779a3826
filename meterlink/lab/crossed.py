"""Two factors: the crossed gauge study, by analysis of variance with interaction.

The first factor is what is measured (parts, here hookups or receptacles), the second who or what
measures (appraisers, here operators, meters or lead sets). Model and rules: AIAG Measurement
Systems Analysis, 4th edition, appendix A. Combinations may be repeated unequally often or be
missing: sums of squares are then those of least squares, each factor after the other, and
components are what these sums are expected to be (Henderson's third method; Searle, Casella,
McCulloch, Variance Components, 5.5; from memory). For a balanced study that is the usual analysis.
"""

import math
from dataclasses import dataclass

import numpy as np

from meterlink.errors import LabError
from meterlink.lab.one_way import f_ratio
from meterlink.lab.uncertainty import DEFAULT_CONFIDENCE, Codes, f_upper_p
from meterlink.levels.statistics import Floats, mean

POOLING_P = 0.25  # an interaction less significant than this is pooled with repeatability (AIAG)
CATEGORIES_FACTOR = 1.41  # sqrt(2), as AIAG rounds it: number of distinct categories
MOST_SQUARES = 20_000_000  # of the table of combinations by levels: memory for the estimate
DRAWS, SEED = 20_000, 1  # for limits

SHARES = ("repeatability", "appraiser", "interaction", "reproducibility", "gauge", "part", "total")


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
        balanced: Whether all combinations have the same number of trials. Where not, sums of
            squares do not add up to the total, and F of the factors is approximate.
        missing: Combinations without a trial.
        pooled: Whether the interaction went into repeatability.
        s_repeatability: Standard deviation of repeated trials ("equipment variation").
        s_appraiser: Of appraisers.
        s_interaction: Of appraisers from part to part; zero where pooled.
        s_part: Of what is measured.
        limits: Of each standard deviation in ``SHARES``, with the confidence asked for.
        share_limits: Of each as a share of the total.
    """

    part: Source
    appraiser: Source
    interaction: Source
    repeatability: Source
    total: Source
    balanced: bool
    missing: int
    pooled: bool
    s_repeatability: float
    s_appraiser: float
    s_interaction: float
    s_part: float
    limits: dict[str, tuple[float, float]]
    share_limits: dict[str, tuple[float, float]]

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


@dataclass(frozen=True, slots=True)
class _Expected:
    """How often each component is in a sum of squares: repeatability, interaction, own factor."""

    dof: int
    interaction: float
    own: float


def crossed(
    values: Floats, parts: Codes, appraisers: Codes, confidence: float = DEFAULT_CONFIDENCE
) -> Crossed:
    """Analyse a crossed study.

    Args:
        values: Shape (n,), finite.
        parts: Shape (n,), level of the first factor, 0 up without gaps.
        appraisers: The same of the second.
        confidence: Of limits.

    Raises:
        LabError: A factor has one level only, combinations do not connect the levels, or there
            are too many.
    """
    a, b = int(parts.max()) + 1, int(appraisers.max()) + 1
    if a < 2 or b < 2:
        raise LabError("a study of two factors needs two or more levels of each")
    if a * b > MOST_SQUARES:
        raise _too_many(a, b)
    values = values - mean(values)  # small numbers: squares of them lose no digits
    counts = np.bincount(parts * b + appraisers, minlength=a * b).reshape(a, b)
    cell_sums = np.bincount(parts * b + appraisers, values, minlength=a * b).reshape(a, b)
    cell_means = cell_sums / np.maximum(counts, 1)
    rest = values - cell_means[parts, appraisers]
    correction = np.bincount(parts * b + appraisers, rest, minlength=a * b).reshape(a, b)
    cell_means = cell_means + correction / np.maximum(counts, 1)
    rest = values - cell_means[parts, appraisers]
    sums, expected = _split(cell_means, counts)
    n = values.size
    within = Source(float(rest @ rest), n - int(np.count_nonzero(counts)), None, None)
    return _analysed(within, sums, expected, values, counts, confidence)


def _too_many(a: int, b: int) -> LabError:
    return LabError(f"{a} by {b} levels are too many for one study. Leave levels out (--without)")


def _split(cell_means: Floats, counts: Codes) -> tuple[Floats, list[_Expected]]:
    """Sums of squares of part after appraiser, appraiser after part, interaction after both."""
    a, b = counts.shape
    at_part, at_appraiser = np.nonzero(counts)
    weight = counts[at_part, at_appraiser].astype(float)
    if at_part.size * (a + b) > MOST_SQUARES:
        raise _too_many(a, b)
    means, root = cell_means[at_part, at_appraiser], np.sqrt(weight)
    design = np.zeros((at_part.size, a + b - 1))
    design[np.arange(at_part.size), at_part] = root
    kept = at_appraiser > 0
    design[np.flatnonzero(kept), a + at_appraiser[kept] - 1] = root[kept]
    basis, triangle = np.linalg.qr(design)
    if at_part.size < a + b - 1 or np.abs(np.diag(triangle)).min() < 1e-9 * root.max():
        raise LabError(
            "combinations fall into groups that share no level, so nothing compares them. Take "
            "trials that connect them, or leave levels out (--without)"
        )
    fitted = basis @ (basis.T @ (root * means))
    ss_both, ss_cells = float(fitted @ fitted), float(weight @ means**2)
    alone = [_alone(at, weight, means) for at in (at_part, at_appraiser)]
    total = float(weight.sum())
    hat = float(weight @ np.einsum("ij,ij->i", basis, basis))
    square = weight * weight
    of_part = float((square / np.bincount(at_part, weight)[at_part]).sum())
    of_appraiser = float((square / np.bincount(at_appraiser, weight)[at_appraiser]).sum())
    sums = np.maximum([ss_both - alone[1], ss_both - alone[0], ss_cells - ss_both], 0.0)
    return sums, [
        _Expected(a - 1, hat - of_appraiser, total - of_appraiser),
        _Expected(b - 1, hat - of_part, total - of_part),
        _Expected(at_part.size - a - b + 1, total - hat, 0.0),
    ]


def _alone(at: Codes, weight: Floats, means: Floats) -> float:
    """Sum of squares of one factor alone, the mean with it."""
    of_level = np.bincount(at, weight * means)
    return float((of_level**2 / np.bincount(at, weight)).sum())


def _analysed(
    rest: Source,
    sums: Floats,
    expected: list[_Expected],
    values: Floats,
    counts: Codes,
    confidence: float,
) -> Crossed:
    interaction = Source(float(sums[2]), expected[2].dof, None, None)
    if rest.dof and interaction.dof:
        interaction = _tested(float(sums[2]), expected[2].dof, rest)
    # Not significant, or not to be told from repeatability: both estimate the same spread.
    pooled = not (interaction.p is not None and interaction.p <= POOLING_P)
    if not interaction.dof + rest.dof:
        raise LabError("there are no more trials than levels, so nothing tells spread")
    both = Source(interaction.ss + rest.ss, interaction.dof + rest.dof, None, None)
    against = both if pooled else interaction
    squares = np.array([sums[0], sums[1], against.ss if pooled else sums[2], rest.ss])
    variances = _components(squares, expected, both.dof if pooled else rest.dof, pooled=pooled)
    limits, share_limits = _limits(squares, expected, both, rest, confidence, pooled=pooled)
    s = np.sqrt(np.maximum(variances, 0.0))
    return Crossed(
        part=_tested(float(sums[0]), expected[0].dof, against),
        appraiser=_tested(float(sums[1]), expected[1].dof, against),
        interaction=interaction,
        repeatability=rest,
        total=Source(float(values @ values), values.size - 1, None, None),
        balanced=bool(counts.min() == counts.max()),
        missing=int((counts == 0).sum()),
        pooled=pooled,
        s_repeatability=float(s[0]),
        s_interaction=float(s[1]),
        s_appraiser=float(s[2]),
        s_part=float(s[3]),
        limits=limits,
        share_limits=share_limits,
    )


def _components(squares: Floats, expected: list[_Expected], dof: int, *, pooled: bool) -> Floats:
    """Variances of repeatability, interaction, appraiser, part from the sums of squares.

    Args:
        squares: Shape (4, ...): of part, appraiser, and with ``pooled`` all the rest, otherwise
            interaction; then of repeatability.
        expected: What the first three are made of.
        dof: Of what repeatability is estimated from.
        pooled: Whether there is no interaction.
    """
    repeat = (squares[2] if pooled else squares[3]) / dof
    both = np.zeros_like(repeat)
    if not pooled:
        both = (squares[2] - expected[2].dof * repeat) / expected[2].interaction
    part, appraiser = (
        (squares[k] - expected[k].dof * repeat - expected[k].interaction * both) / expected[k].own
        for k in (0, 1)
    )
    return np.array([repeat, both, appraiser, part])


def _limits(
    squares: Floats,
    expected: list[_Expected],
    both: Source,
    rest: Source,
    confidence: float,
    *,
    pooled: bool,
) -> tuple[dict[str, tuple[float, float]], dict[str, tuple[float, float]]]:
    """Limits of standard deviations and of shares of the total: generalized intervals.

    What made a sum of squares is the sum divided by a chi-square; drawing those gives all
    combinations of components at once (Hamada and Weerahandi 2000; from memory). Seeded, so that
    the same study has the same limits.
    """
    rng = np.random.default_rng(SEED)
    dofs = [expected[0].dof, expected[1].dof, both.dof if pooled else expected[2].dof, rest.dof]
    drawn = np.array(
        [
            ss * dof / rng.chisquare(dof, DRAWS) if dof else np.zeros(DRAWS)
            for ss, dof in zip(squares, dofs, strict=True)
        ]
    )
    variances = np.maximum(
        _components(drawn, expected, both.dof if pooled else rest.dof, pooled=pooled), 0.0
    )
    repeat, mixed, appraiser, part = variances
    named = dict(
        zip(
            SHARES,
            (
                repeat,
                appraiser,
                mixed,
                appraiser + mixed,
                repeat + appraiser + mixed,
                part,
                variances.sum(axis=0),
            ),
            strict=True,
        )
    )
    ends = [(1 - confidence) / 2, (1 + confidence) / 2]
    limits, shares = {}, {}
    for name, variance in named.items():
        low, high = np.sqrt(np.quantile(variance, ends)).tolist()
        limits[name] = (low, high)
        total = named["total"]
        share = np.divide(variance, total, out=np.zeros(DRAWS), where=total > 0)
        low, high = np.sqrt(np.quantile(share, ends)).tolist()
        shares[name] = (low, high)
    return limits, shares


def _tested(ss: float, dof: int, against: Source) -> Source:
    f = f_ratio(ss / dof, against.ms)
    p = math.nan if math.isnan(f) else f_upper_p(f, dof, against.dof)
    return Source(ss, dof, f, p)
