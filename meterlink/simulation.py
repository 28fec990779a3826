"""Invented circuits and the voltages on them, for the demonstration, tests and benchmarks.

A wiring is a random tree of runs. The physics is that of a neutral tree: a load at L draws its
current through the runs between the panel and L, and nowhere else.

The voltage between the meter's leads has in it what makes the real job hard: pickup of unknown
phase that wanders, a supply that moves, a heater whose current starts high and sags, leads that
settle after they were moved. What the meter adds (noise, lag, overload while it changes range) is
the business of ``drivers.simulated``. Sizes are common practice.
"""

from dataclasses import dataclass

import numpy as np

from meterlink.circuit.circuit import Circuit
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


#: Of the demonstration: names as people give them, and an ordinary circuit.
NAMES = (
    "Door", "Desk", "Bed", "Window", "Closet", "Bench", "Shelf", "Porch", "Attic", "Stairs",
    "Hall", "Lamp",
)  # fmt: skip
CONDUCTOR = "14 AWG copper"
VOLTS, HERTZ, LOAD_AMPS, BREAKER_AMPS = 120.0, 60.0, 11.6, 15.0


def invent(receptacles: int, rng: np.random.Generator) -> tuple[Circuit, Wiring]:
    """Invent a circuit: what a person knows of it, and how it is wired.

    Args:
        receptacles: 2 to 12.
        rng: Source of all randomness.

    Raises:
        ValueError: More or fewer receptacles.
    """
    if not 2 <= receptacles <= len(NAMES):
        raise ValueError(f"{receptacles} receptacles; expected 2 to {len(NAMES)}")
    names = NAMES[:receptacles]
    circuit = Circuit(
        name="Demonstration (simulated)",
        receptacles=names,
        volts=VOLTS,
        hertz=HERTZ,
        breaker_amps=BREAKER_AMPS,
        conductor=CONDUCTOR,
        load_amps=LOAD_AMPS,
    )
    return circuit, random_wiring(names, rng, ohm_per_m=OHM_PER_M_20C[CONDUCTOR])


@dataclass(frozen=True, slots=True)
class Disturbances:
    """Sizes of what disturbs a reading.

    Attributes:
        pickup_mv: Least and most idle reading between neutrals.
        wander: Standard deviation of the pickup's slow change, as a share of it.
        wander_s: Time constant of slow changes.
        supply_wander_v: Standard deviation of the supply's slow change.
        inrush: Share by which a cold heater draws more, and ...
        inrush_s: ... the time constant with which that goes away.
        hands: How many times more pickup there is while hands are at the leads, and ...
        hands_s: ... the time constant with which that goes away.
    """

    pickup_mv: tuple[float, float] = (2.0, 12.0)
    wander: float = 0.04
    wander_s: float = 8.0
    supply_wander_v: float = 0.15
    inrush: float = 0.035
    inrush_s: float = 3.0
    hands: float = 4.0
    hands_s: float = 0.4


class SimulatedBench:
    """An invented circuit with leads and a load on it. Call its methods in order of time.

    Args:
        wiring: The circuit.
        volts: Nominal supply.
        load_amps: Current of the load at nominal volts.
        rng: Source of all randomness.
        disturbances: Sizes of what disturbs.
    """

    def __init__(
        self,
        wiring: Wiring,
        *,
        volts: float,
        load_amps: float,
        rng: np.random.Generator,
        disturbances: Disturbances | None = None,
    ) -> None:
        self._wiring = wiring
        self._volts = volts
        self._load_amps = load_amps
        self._rng = rng
        self._sizes = disturbances or Disturbances()
        self._setup: Setup | None = None
        self._pickup_v = 0.0
        self._phase = 0.0
        self._connected_s = 0.0
        self._on_s: float | None = None
        self._now_s = 0.0
        self._wander = 0.0  # in standard deviations

    def connect(self, setup: Setup, t_s: float) -> None:
        """Move leads and load; the load is off."""
        self._setup, self._on_s, self._connected_s = setup, None, t_s
        self._pickup_v = 1e-3 * float(self._rng.uniform(*self._sizes.pickup_mv))
        self._phase = float(self._rng.uniform(0.0, 2.0 * np.pi))

    def move_load(self, setup: Setup) -> None:
        """Move the load alone; it is off. The leads stay, and so does their pickup."""
        self._setup, self._on_s = setup, None

    def load_on(self, t_s: float) -> None:
        """Switch the load on at a time, now or later."""
        self._on_s = t_s

    def load_off(self) -> None:
        """Switch the load off now."""
        self._on_s = None

    def true_drop_v(self) -> float:
        """The drop that a warm load makes between the leads, for comparison."""
        if self._setup is None:
            return 0.0
        amps = self._wiring.amps_at(self._setup.load_at, self._load_amps, self._volts)
        return self._wiring.drop_v(self._setup, amps)

    def volts_at(self, t_s: float) -> float:
        """The voltage between the leads, in volts."""
        self._advance(t_s)
        if self._setup is None:
            return 0.0
        drop_v = self._drop_v(t_s)
        if self._setup.hookup is Hookup.LINE_DROP:
            return self._volts + self._sizes.supply_wander_v * self._wander - drop_v
        hands = self._sizes.hands * _decay(t_s - self._connected_s, self._sizes.hands_s)
        pickup_v = self._pickup_v * (1.0 + hands + self._sizes.wander * self._wander)
        return float(abs(drop_v + pickup_v * np.exp(1j * self._phase)))

    def _drop_v(self, t_s: float) -> float:
        if self._on_s is None or t_s < self._on_s:
            return 0.0
        cold = self._sizes.inrush * _decay(t_s - self._on_s, self._sizes.inrush_s)
        return self.true_drop_v() * (1.0 + cold)

    def _advance(self, t_s: float) -> None:
        """Let the wander go on to a later moment: a first-order random process."""
        step_s = t_s - self._now_s
        if step_s <= 0.0:
            return
        self._now_s = t_s
        keep = _decay(step_s, self._sizes.wander_s)
        fresh = float(np.sqrt(1.0 - keep * keep) * self._rng.standard_normal())
        self._wander = keep * self._wander + fresh


def _decay(age_s: float, constant_s: float) -> float:
    return float(np.exp(-max(age_s, 0.0) / constant_s))
