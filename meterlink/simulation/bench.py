"""The voltage between the meter's leads on an invented circuit, moment by moment.

What makes the real job hard is in it: pickup of unknown phase, jitter, wander, a supply that moves,
a heater whose current starts high and sags, leads that settle after they were moved, and a meter
that follows a jump with a lag and shows overload while it changes range. Sizes are common practice.
"""

from dataclasses import dataclass

import numpy as np

from meterlink.circuit.setup import Hookup, Setup
from meterlink.simulation.wiring import Wiring

RANGE_FULL_V = (0.06, 0.6, 6.0, 60.0, 600.0)  # of a 6000-count meter that ranges by itself


@dataclass(frozen=True, slots=True)
class Disturbances:
    """Sizes of what disturbs a reading.

    Attributes:
        pickup_mv: Least and most idle reading between neutrals.
        jitter_mv: Standard deviation from reading to reading.
        wander: Standard deviation of the pickup's slow change, as a share of it.
        wander_s: Time constant of slow changes.
        supply_wander_v: Standard deviation of the supply's slow change.
        inrush: Share by which a cold heater draws more, and ...
        inrush_s: ... the time constant with which that goes away.
        lag_s: Time constant of the meter.
        range_change_s: How long the meter shows overload when it changes range.
        lead_settle_s: Time constant with which a reading settles after the leads were moved.
    """

    pickup_mv: tuple[float, float] = (2.0, 12.0)
    jitter_mv: float = 0.3
    wander: float = 0.04
    wander_s: float = 8.0
    supply_wander_v: float = 0.15
    inrush: float = 0.035
    inrush_s: float = 3.0
    lag_s: float = 0.3
    range_change_s: float = 0.6
    lead_settle_s: float = 0.4


class SimulatedBench:
    """An invented circuit with a meter and a load on it. Call its methods in order of time.

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
        self._pickup_mv = 0.0
        self._phase = 0.0
        self._on_s: float | None = None
        self._now_s = 0.0
        self._wander = 0.0  # in standard deviations
        self._shown_v = 0.0
        self._range = 0
        self._overload_until_s = -1.0

    def connect(self, setup: Setup, t_s: float) -> None:
        """Move leads and load; the load is off."""
        self._advance(t_s)
        self._setup, self._on_s = setup, None
        self._pickup_mv = float(self._rng.uniform(*self._sizes.pickup_mv))
        self._phase = float(self._rng.uniform(0.0, 2.0 * np.pi))
        self._shown_v = self._true_v(t_s) + 0.02  # hands at the leads pick up more

    def load_on(self, t_s: float) -> None:
        """Switch the load on."""
        self._advance(t_s)
        self._on_s = t_s

    def load_off(self, t_s: float) -> None:
        """Switch the load off."""
        self._advance(t_s)
        self._on_s = None

    def true_drop_v(self) -> float:
        """The drop that a warm load makes between the leads, for comparison."""
        if self._setup is None:
            return 0.0
        amps = self._wiring.amps_at(self._setup.load_at, self._load_amps, self._volts)
        return self._wiring.drop_v(self._setup, amps)

    def volts_at(self, t_s: float) -> float | None:
        """What the meter reads now, in volts; ``None`` while it shows overload."""
        self._advance(t_s)
        noise_v = 1e-3 * self._sizes.jitter_mv * float(self._rng.standard_normal())
        shown_v = abs(self._shown_v + noise_v)
        wanted = next((n for n, full in enumerate(RANGE_FULL_V) if shown_v < full), None)
        if wanted is None:
            return None
        if wanted != self._range:
            self._range = wanted
            self._overload_until_s = t_s + self._sizes.range_change_s
        return None if t_s < self._overload_until_s else shown_v

    def _advance(self, t_s: float) -> None:
        """Let wander and lag go on to a later moment."""
        step_s = max(0.0, t_s - self._now_s)
        self._now_s = max(self._now_s, t_s)
        if step_s == 0.0:
            return
        keep = float(np.exp(-step_s / self._sizes.wander_s))
        fresh = float(np.sqrt(1.0 - keep * keep) * self._rng.standard_normal())
        self._wander = keep * self._wander + fresh
        follow = 1.0 - float(np.exp(-step_s / self._sizes.lag_s))
        self._shown_v += follow * (self._true_v(t_s) - self._shown_v)

    def _true_v(self, t_s: float) -> float:
        """The voltage between the leads, without the meter's lag."""
        if self._setup is None:
            return 0.0
        drop_v = 0.0
        if self._on_s is not None:
            cold = self._sizes.inrush * float(np.exp(-(t_s - self._on_s) / self._sizes.inrush_s))
            drop_v = self.true_drop_v() * (1.0 + cold)
        if self._setup.hookup is Hookup.LINE_DROP:
            return self._volts + self._sizes.supply_wander_v * self._wander - drop_v
        pickup_v = 1e-3 * self._pickup_mv * (1.0 + self._sizes.wander * self._wander)
        return float(abs(drop_v + pickup_v * np.exp(1j * self._phase)))
