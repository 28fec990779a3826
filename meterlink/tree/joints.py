"""Runs with more resistance than their plausible length explains.

Three explanations of what was measured on a run are weighed: sound; a poor joint in its neutral; a
poor joint on its hot side. The neutral's resistance is compared with cable of plausible length, or
of the length that somebody states. Where ``line-drop`` tests saw the run, its hot side counts too:
hot and neutral are the same cable, so whichever has much more than the other has the poor joint,
however long the cable is.
"""

from dataclasses import dataclass

import numpy as np

from meterlink.assumptions import Runs
from meterlink.tree.hypotheses import RunPrior
from meterlink.tree.trees import Floats

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
    def from_fit(cls, log: float, u_log: float, runs: Runs) -> "HotRatio | None":
        """Take the prior of the fit off again; ``None`` where the tests said nothing."""
        sd, poor_sd, poor_share = runs.ratio_sd, runs.poor_ratio_sd, runs.poor_ratio_share
        sound = (1 - poor_share) / sd * np.exp(-0.5 * (log / sd) ** 2)
        poor = poor_share / poor_sd * np.exp(-0.5 * (log / poor_sd) ** 2)
        share = sound / (sound + poor)
        prior = share / sd**2 + (1 - share) / poor_sd**2
        told = 1 / u_log**2 - prior
        if told < 0.1 * prior:
            return None
        return cls(float(log / u_log**2 / told), float(told**-0.5))

    def density(self, log_ratio: Floats, runs: Runs) -> Floats:
        """Of the estimate where hot over neutral should be so, up to a constant."""
        spread = np.hypot(self.u_log, runs.ratio_sd)
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
    runs, joints = prior.runs, prior.joints
    u = max(u_mohm, 0.01 * mohm, 0.1)
    top = max(mohm + 6 * u, 1.0)
    healthy = np.linspace(top / STEPS, top, STEPS)
    density = _healthy_density(healthy, home, prior, length_mohm) * (healthy[1] - healthy[0])
    excess = np.geomspace(1.0, 3000.0, EXCESS_STEPS)
    weight = _log_normal(excess, joints.excess_mohm, joints.excess_log_sd) * np.gradient(excess)
    cable, more = healthy[:, None], excess[None, :]

    as_sound = density * _normal(mohm - healthy, u)
    in_neutral = density[:, None] * weight * _normal(mohm - cable - more, u)
    in_hot = (as_sound[:, None] * weight) if hot else np.zeros_like(in_neutral)
    if hot:
        as_sound = as_sound * hot.density(np.zeros(1), runs)
        in_neutral = in_neutral * hot.density(np.log(cable / (cable + more)), runs)
        in_hot = in_hot * hot.density(np.log((cable + more) / cable), runs)
    parts = (
        (1 - joints.share * (2 if hot else 1)) * float(as_sound.sum()),
        joints.share * float(in_neutral.sum()),
        joints.share * float(in_hot.sum()),
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
    joints_mohm = prior.runs.joints_mohm  # two sound ones, with a factor of two either way
    spread = float(np.hypot(prior.joints.length_rel_sd * length_mohm, joints_mohm / 2))
    return _normal(mohm - length_mohm - joints_mohm, spread)


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
