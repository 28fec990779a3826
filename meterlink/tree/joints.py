"""Runs with more resistance than their plausible length explains.

Three explanations of what was measured on a run are weighed: sound; a poor joint in its neutral; a
poor joint on its hot side. The neutral's resistance is compared with cable of plausible length, or
of the length that somebody states. Where ``line-drop`` tests saw the run, its hot side counts too:
hot and neutral are the same cable, so whichever has much more than the other has the poor joint,
however long the cable is.
"""

from dataclasses import dataclass

import numpy as np

from meterlink.assumptions import USUAL
from meterlink.tree.hypotheses import RunPrior
from meterlink.tree.trees import Floats

HOT_RATIO_SD, POOR_HOT_SD = USUAL.runs.ratio_sd, USUAL.runs.poor_ratio_sd
POOR_HOT_SHARE = USUAL.runs.poor_ratio_share
POOR_SHARE = USUAL.joints.share
EXCESS_MEDIAN_MOHM, EXCESS_LOG_SD = USUAL.joints.excess_mohm, USUAL.joints.excess_log_sd
LENGTH_REL_SD = USUAL.joints.length_rel_sd
JOINTS_MOHM = USUAL.runs.joints_mohm  # two sound joints, with a factor of two either way
STEPS, EXCESS_STEPS = 600, 120


@dataclass(frozen=True, slots=True)
class Suspect:
    """One side of a run as a suspect.

    Attributes:
        probability: Of a poor joint there.
        excess_mohm, excess_u_mohm: What it has beyond a sound run if it is one, and the standard
            uncertainty of that.
    """

    probability: float
    excess_mohm: float
    excess_u_mohm: float


@dataclass(frozen=True, slots=True)
class HotRatio:
    """What the tests alone say of log(hot / neutral) of a run: an estimate and its deviation."""

    log: float
    u_log: float

    @classmethod
    def from_fit(cls, log: float, u_log: float) -> "HotRatio | None":
        """Take the prior of the fit off again; ``None`` where the tests said nothing."""
        sound = (1 - POOR_HOT_SHARE) / HOT_RATIO_SD * np.exp(-0.5 * (log / HOT_RATIO_SD) ** 2)
        poor = POOR_HOT_SHARE / POOR_HOT_SD * np.exp(-0.5 * (log / POOR_HOT_SD) ** 2)
        share = sound / (sound + poor)
        prior = share / HOT_RATIO_SD**2 + (1 - share) / POOR_HOT_SD**2
        told = 1 / u_log**2 - prior
        if told < 0.1 * prior:
            return None
        return cls(float(log / u_log**2 / told), float(told**-0.5))

    def density(self, log_ratio: Floats) -> Floats:
        """Of the estimate where hot over neutral should be so, up to a constant."""
        spread = np.hypot(self.u_log, HOT_RATIO_SD)
        result: Floats = np.exp(-0.5 * ((self.log - log_ratio) / spread) ** 2) + 1e-12
        return result


def weigh_joints(
    mohm: float,
    u_mohm: float,
    *,
    home: bool,
    prior: RunPrior,
    length_mohm: float | None,
    hot: HotRatio | None,
) -> dict[str, Suspect]:
    """Both sides of a run as suspects; the hot side only where tests told something of it.

    Args:
        mohm: Measured resistance of the run's neutral.
        u_mohm: Its standard uncertainty.
        home: The run starts at the panel, where cables are longer.
        prior: Of healthy runs.
        length_mohm: Resistance of the stated length of cable, if a length is stated.
        hot: Hot side against neutral, if tests told it.
    """
    u = max(u_mohm, 0.01 * mohm, 0.1)
    top = max(mohm + 6 * u, 1.0)
    healthy = np.linspace(top / STEPS, top, STEPS)
    density = _healthy_density(healthy, home, prior, length_mohm) * (healthy[1] - healthy[0])
    excess = np.geomspace(1.0, 3000.0, EXCESS_STEPS)
    weight = _log_normal(excess, EXCESS_MEDIAN_MOHM, EXCESS_LOG_SD) * np.gradient(excess)
    cable, more = healthy[:, None], excess[None, :]

    as_sound = density * _normal(mohm - healthy, u)
    in_neutral = density[:, None] * weight * _normal(mohm - cable - more, u)
    in_hot = (as_sound[:, None] * weight) if hot else np.zeros_like(in_neutral)
    if hot:
        as_sound = as_sound * hot.density(np.zeros(1))
        in_neutral = in_neutral * hot.density(np.log(cable / (cable + more)))
        in_hot = in_hot * hot.density(np.log((cable + more) / cable))
    parts = (
        (1 - POOR_SHARE * (2 if hot else 1)) * float(as_sound.sum()),
        POOR_SHARE * float(in_neutral.sum()),
        POOR_SHARE * float(in_hot.sum()),
    )
    whole = max(sum(parts), 1e-300)  # measured far below anything plausible: no suspect
    found = {"neutral": _suspect(parts[1] / whole, in_neutral.sum(axis=0), excess)}
    if hot:
        found["hot"] = _suspect(parts[2] / whole, in_hot.sum(axis=0), excess)
    return found


def _healthy_density(
    mohm: Floats, home: bool, prior: RunPrior, length_mohm: float | None
) -> Floats:
    """Of the resistance of a sound run."""
    if length_mohm is None:
        return _log_normal(
            mohm, prior.home_median_mohm if home else prior.median_mohm, prior.log_sd
        )
    spread = float(np.hypot(LENGTH_REL_SD * length_mohm, JOINTS_MOHM / 2))
    return _normal(mohm - length_mohm - JOINTS_MOHM, spread)


def _suspect(probability: float, share: Floats, excess: Floats) -> Suspect:
    """Mean and deviation of the excess by its weights."""
    total = float(share.sum())
    if total <= 0:
        return Suspect(0.0, 0.0, 0.0)
    mean = float(share @ excess) / total
    return Suspect(probability, mean, float(np.sqrt(share @ (excess - mean) ** 2 / total)))


def _normal(x: Floats, sd: float) -> Floats:
    """Density of a normal with mean 0."""
    density: Floats = np.exp(-0.5 * (x / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    return density


def _log_normal(x: Floats, median: float, log_sd: float) -> Floats:
    """Density of a log-normal."""
    z = (np.log(x) - np.log(median)) / log_sd
    density: Floats = np.exp(-0.5 * z**2) / (x * log_sd * np.sqrt(2 * np.pi))
    return density
