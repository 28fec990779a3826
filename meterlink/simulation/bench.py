"""The voltage between the meter's leads on an invented circuit, moment by moment.

What makes the real job hard is in it: pickup of unknown phase that wanders, a supply that moves, a
heater whose current starts high and sags, leads that settle after they were moved. What the meter
adds (noise, lag, overload while it changes range) is the business of ``drivers.simulated``. Sizes
are common practice.
"""

from dataclasses import dataclass

import numpy as np

from meterlink.circuit.setup import Hookup, Setup
from meterlink.simulation.wiring import Wiring


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
        """Switch the load on at a time, which may lie ahead."""
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
