"""What is known of runs before any test, and the constants of the measurement model."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

JUMP_RANGE_MV = (5.0, 5000.0)  # a false jump may be of any size in here (log-uniform)
EYE_WIDTH = 0.35  # spread of what a person calls a jump, as a part of the limit
HOT_RATIO_SD = 0.12  # hot over neutral of the same run: same cable, other joints (common practice)
POOR_HOT_SD = 1.2  # the same where one of them has a poor joint
POOR_HOT_SHARE = 0.03
SOURCE_MOHM, SOURCE_SD = 150.0, 0.8  # median of source impedance and its log spread (from memory)
SHORT_MOHM = 10.0  # about 1 m of cable with its joints: hardly a run is shorter (common practice)
SPLIT_ALPHA = 1.2  # Dirichlet weight that gives a share of a sum the spread of one run's prior


@dataclass(frozen=True, slots=True)
class RunPrior:
    """Log-normal prior of a run's neutral resistance.

    The median is that of a run's usual length in the stated conductor and two sound joints; the
    home run from the panel is longer. The spread is a factor of 2.2 (common practice).
    """

    median_mohm: float = 30.0
    home_median_mohm: float = 75.0
    log_sd: float = 0.79

    @classmethod
    def for_conductor(cls, ohm_per_m: float | None) -> "RunPrior":
        """Prior for a conductor of ``ohm_per_m``.

        3 m between neighbours, 9 m of home run, 6 mohm of joints (common practice for dwellings).
        """
        if ohm_per_m is None:
            return cls()
        return cls(median_mohm=3.0e3 * ohm_per_m + 6.0, home_median_mohm=9.0e3 * ohm_per_m + 6.0)

    @property
    def relative_variance(self) -> float:
        """Variance over mean squared of one run."""
        return float(np.expm1(self.log_sd**2))

    def means(self, home: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Means in mohm of runs of which ``home`` says whether they start at the panel."""
        return np.where(home, self.mean(self.home_median_mohm), self.mean(self.median_mohm))

    def mean(self, median: float) -> float:
        """Mean of a run with the given median."""
        return float(median * np.exp(self.log_sd**2 / 2))
