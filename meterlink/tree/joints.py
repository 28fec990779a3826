"""Runs with more resistance than their plausible length explains."""

import numpy as np

from meterlink.tree.evidence import HOT_RATIO_SD, POOR_HOT_SHARE, RunPrior
from meterlink.tree.trees import Floats

POOR_SHARE = 0.02  # of runs with a poor joint before any evidence (from memory: one circuit in ten)
EXCESS_MEDIAN_MOHM, EXCESS_LOG_SD = 120.0, 0.9  # poor joints that load tests show (common practice)
LENGTH_REL_SD = 0.1  # how well a person knows the length of a cable in a wall (common practice)
JOINTS_MOHM = 6.0  # two sound joints, with a factor of two either way (common practice)


def poor_neutral(
    mohm: float, u_mohm: float, *, home: bool, prior: RunPrior, length_mohm: float | None
) -> tuple[float, float, float]:
    """Probability of a poor joint in a run's neutral, excess and its standard uncertainty in mohm.

    Two explanations of the measured resistance are weighed: cable of plausible length (or of the
    stated length) with sound joints, and the same plus a log-normal excess.

    Args:
        mohm: Measured resistance of the run.
        u_mohm: Its standard uncertainty.
        home: The run starts at the panel, where cables are longer.
        prior: Of healthy runs.
        length_mohm: Resistance of the stated length of cable, if a length is stated.
    """
    u = max(u_mohm, 0.01 * mohm, 0.1)
    top = max(mohm + 6 * u, 1.0)
    healthy = np.linspace(top / 900, top, 900)
    if length_mohm is None:
        median = prior.home_median_mohm if home else prior.median_mohm
        density = _log_normal(healthy, median, prior.log_sd)
    else:
        spread = np.hypot(LENGTH_REL_SD * length_mohm, JOINTS_MOHM / 2)
        density = np.exp(-0.5 * ((healthy - length_mohm - JOINTS_MOHM) / spread) ** 2) / spread
        density /= np.sqrt(2 * np.pi)
    step = float(healthy[1] - healthy[0])
    error = np.exp(-0.5 * ((mohm - healthy) / u) ** 2) / (u * np.sqrt(2 * np.pi))
    sound = float((density * error).sum() * step)
    excess = np.geomspace(1.0, max(top, 2.0), 150)
    weight = _log_normal(excess, EXCESS_MEDIAN_MOHM, EXCESS_LOG_SD) * np.gradient(excess)
    both = mohm - healthy[:, None] - excess[None, :]
    joint = np.exp(-0.5 * (both / u) ** 2) / (u * np.sqrt(2 * np.pi))
    joint *= (density * step)[:, None] * weight[None, :]
    poor = float(joint.sum())
    if poor + sound <= 0:  # measured far below anything plausible
        return 0.0, 0.0, 0.0
    probability = POOR_SHARE * poor / (POOR_SHARE * poor + (1 - POOR_SHARE) * sound)
    share = joint.sum(axis=0) / max(poor, 1e-300)
    mean = float(share @ excess)
    return probability, mean, float(np.sqrt(max(share @ (excess - mean) ** 2, 0.0)))


def poor_hot(mohm: float, hot_log: float, hot_u_log: float) -> tuple[float, float, float]:
    """Probability of a poor joint on the hot side, excess and its standard uncertainty in mohm.

    Args:
        mohm: Neutral resistance of the run.
        hot_log: Log of hot over neutral resistance as fitted.
        hot_u_log: Its standard deviation.
    """
    sound_sd = np.hypot(HOT_RATIO_SD, hot_u_log)
    poor_sd = np.hypot(1.2, hot_u_log)
    sound = (1 - POOR_HOT_SHARE) * np.exp(-0.5 * (hot_log / sound_sd) ** 2) / sound_sd
    poor = POOR_HOT_SHARE * np.exp(-0.5 * (hot_log / poor_sd) ** 2) / poor_sd
    probability = float(poor / (poor + sound)) if hot_log > 0 else 0.0
    excess = float(mohm * np.expm1(hot_log))
    return probability, max(excess, 0.0), float(mohm * np.exp(hot_log) * hot_u_log)


def _log_normal(x: Floats, median: float, log_sd: float) -> Floats:
    """Density of a log-normal."""
    z = (np.log(x) - np.log(median)) / log_sd
    density: Floats = np.exp(-0.5 * z**2) / (x * log_sd * np.sqrt(2 * np.pi))
    return density
