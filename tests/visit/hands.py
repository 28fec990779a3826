"""A person's hands on an invented circuit: leads, plug and switch, and the meter that sees it."""

import threading
import time

import numpy as np

from drivers.simulated import Display, SimulatedMeter
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup
from meterlink.simulation import SimulatedBench, Wiring, invent
from meterlink.visit.view import same_leads

SPEED = 10.0
LAG_S, NOISE_V, RATE_HZ = 0.3, 0.3e-3, 4.0


class SimulatedOperator:
    """An invented circuit with a simulated meter on it, in a time that runs ``SPEED`` times faster.

    Attributes:
        circuit: What a person knows of it.
        wiring: How it is.
        meter: The meter, on a real serial device.
        is_on: Whether the load is switched on.
    """

    def __init__(self, receptacles: int, seed: int, *, speed: float = SPEED) -> None:
        rng = np.random.default_rng(seed)
        self.circuit: Circuit
        self.wiring: Wiring
        self.circuit, self.wiring = invent(receptacles, rng)
        self._bench = SimulatedBench(
            self.wiring,
            volts=self.circuit.volts or 120.0,
            load_amps=self.circuit.load_amps or 10.0,
            rng=rng,
        )
        self.is_on = False
        self._setup: Setup | None = None
        self._lock = threading.Lock()
        self._speed = speed
        self._zero_s = time.monotonic()
        self.meter = SimulatedMeter(
            lambda _: self._volts(),
            rate_hz=RATE_HZ * speed,
            display=Display(lag_s=LAG_S / speed, noise_v=NOISE_V, overloads=2),
            seed=seed,
        )

    def connect(self, setup: Setup) -> None:
        """Move leads and plug; the load is off. Leads that stay keep their pickup."""
        with self._lock:
            self._bench.load_off()
            if self._setup is not None and same_leads(setup, self._setup):
                self._bench.move_load(setup)
            else:
                self._bench.connect(setup, self._now_s())
            self._setup = setup
            self.is_on = False

    def switch(self, *, on: bool) -> None:
        """Switch the load."""
        with self._lock:
            if on:
                self._bench.load_on(self._now_s())
            else:
                self._bench.load_off()
            self.is_on = on

    def look(self) -> float:
        """What the meter measures now, in volts."""
        return self._volts()

    def _now_s(self) -> float:
        return self._speed * (time.monotonic() - self._zero_s)

    def _volts(self) -> float:
        with self._lock:
            return self._bench.volts_at(self._now_s())
