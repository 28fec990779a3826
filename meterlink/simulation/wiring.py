"""Invented wiring: a random tree of runs and the drops that a load makes on it.

The physics is that of a neutral tree: a load at L draws its current through the runs between the
panel and L, and nowhere else.
"""

from dataclasses import dataclass

import numpy as np

from meterlink.circuit.setup import Hookup, Setup

OHM_PER_M_20C = {"14 AWG copper": 8.2855e-3, "12 AWG copper": 5.2108e-3, "2.5 mm2 copper": 7.1e-3}
JOINT_MOHM = (2.0, 8.0)  # sound joints at the two ends of a run; common practice


@dataclass(frozen=True)
class Wiring:
    """A tree of runs. Point 0 is the panel.

    Attributes:
        names: Name of each point; ``None`` for a splice, "panel" for point 0.
        parent: Index of the point that feeds each point; ``parent[0]`` is 0.
        neutral_ohm, hot_ohm: Resistance of the run that feeds each point; 0 for the panel.
        source_ohm: Impedance of the supply up to the panel, hot and neutral together.
    """

    names: tuple[str | None, ...]
    parent: tuple[int, ...]
    neutral_ohm: tuple[float, ...]
    hot_ohm: tuple[float, ...]
    source_ohm: float = 0.08

    def way(self, point: int) -> tuple[int, ...]:
        """Points on the way from the panel to ``point``, the panel left out, nearest first."""
        steps: list[int] = []
        while point != 0:
            steps.append(point)
            point = self.parent[point]
        return tuple(reversed(steps))

    def index(self, name: str) -> int:
        """Index of a named point."""
        return self.names.index(name)

    @property
    def receptacles(self) -> tuple[str, ...]:
        """Names of the receptacles."""
        return tuple(name for name in self.names[1:] if name is not None)

    def upstream(self) -> dict[str, frozenset[str]]:
        """For each receptacle the receptacles that feed it."""
        return {
            name: frozenset(
                other
                for step in self.way(self.index(name))
                if (other := self.names[step]) is not None and other != name
            )
            for name in self.receptacles
        }

    def first(self) -> str | None:
        """The receptacle that feeds all others, if there is one."""
        feeds = self.upstream()
        for name in self.receptacles:
            if all(name in feeds[other] for other in self.receptacles if other != name):
                return name
        return None

    def shared_ohm(self, a: str, b: str, *, hot: bool = False) -> float:
        """Resistance of the part that the ways from the panel to ``a`` and ``b`` share."""
        runs = self.hot_ohm if hot else self.neutral_ohm
        common = set(self.way(self.index(a))) & set(self.way(self.index(b)))
        return sum(runs[point] for point in common)

    def amps_at(self, name: str, nominal_amps: float, volts: float) -> float:
        """Current of a resistive load of ``nominal_amps`` at ``volts`` when it is at ``name``."""
        loop = self.source_ohm + self.shared_ohm(name, name) + self.shared_ohm(name, name, hot=True)
        return volts / (volts / nominal_amps + loop)

    def drop_v(self, setup: Setup, amps: float) -> float:
        """Volts that the load current causes between the leads."""
        near = self.shared_ohm(setup.lead_a, setup.load_at)
        if setup.hookup is Hookup.NEUTRAL_GROUND:
            return amps * near
        if setup.hookup is Hookup.LINE_DROP:
            hot = self.shared_ohm(setup.lead_a, setup.load_at, hot=True)
            return amps * (self.source_ohm + near + hot)
        far = self.shared_ohm(setup.lead_b or setup.lead_a, setup.load_at)
        return amps * abs(near - far)


def random_wiring(
    names: tuple[str, ...],
    rng: np.random.Generator,
    *,
    ohm_per_m: float = 8.2855e-3,
    fork: float = 0.1,
    splice: float = 0.05,
    fork_at_panel: float = 0.015,
) -> Wiring:
    """Draw a wiring: each receptacle is put on after the last one, at a fork, or on a new splice.

    Args:
        names: Receptacles; their order in the tree is drawn.
        rng: Source of all randomness.
        ohm_per_m: Of the conductor.
        fork: Probability that a receptacle hangs on an earlier one than the last.
        splice: Probability that it hangs on a new splice in an existing run.
        fork_at_panel: Probability that it starts at the panel.
    """
    order = [str(name) for name in rng.permutation(np.array(names, dtype=object))]
    points: list[str | None] = ["panel"]
    parent = [0]
    metres = [0.0]

    def cable(first: bool) -> float:
        """Length of a run: the home run is longer (common practice)."""
        return float(rng.lognormal(np.log(10.0 if first else 3.5), 0.5))

    for name in order:
        draw = rng.random()
        if len(points) == 1 or draw < fork_at_panel:
            feed = 0
        elif draw < fork_at_panel + splice:
            run = int(rng.integers(1, len(points)))
            share = float(rng.uniform(0.3, 0.7))
            points.append(None)
            parent.append(parent[run])
            metres.append(metres[run] * share)
            parent[run] = len(points) - 1
            metres[run] *= 1 - share
            feed = len(points) - 1
        elif draw < fork_at_panel + splice + fork and len(points) > 2:
            feed = int(rng.choice([p for p in range(1, len(points)) if points[p] is not None]))
        else:
            feed = max(p for p in range(1, len(points)) if points[p] is not None)
        points.append(name)
        parent.append(feed)
        metres.append(cable(feed == 0))
    joints = rng.uniform(JOINT_MOHM[0], JOINT_MOHM[1], (2, len(points))) * 1e-3
    neutral = tuple(
        0.0 if p == 0 else metres[p] * ohm_per_m + joints[0, p] for p in range(len(points))
    )
    hot = tuple(0.0 if p == 0 else metres[p] * ohm_per_m + joints[1, p] for p in range(len(points)))
    return Wiring(tuple(points), tuple(parent), neutral, hot)
