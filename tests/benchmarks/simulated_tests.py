"""Row-level tests on invented circuits, for the studies of the resolver and the planner.

The physics is ``meterlink.simulation``; what a detector would report is drawn here: pickup
of unknown phase against the drop, jitter, supply wander on ``line-drop``, a heater whose current
falls with the voltage it gets, and outliers (no change although there should be one).
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup, Setup, Verdict
from meterlink.simulation import Wiring, random_wiring
from meterlink.testlog.columns import TestRow

NAMES = [
    "Alcove",
    "Bath",
    "Cellar",
    "Den",
    "Eaves",
    "Foyer",
    "Garage",
    "Hatch",
    "Island",
    "Junk",
    "Kitchen",
    "Landing",
    "Mezzanine",
    "Nursery",
    "Office",
    "Pantry",
    "Quarters",
    "Refuge",
    "Stairs",
    "Terrace",
]
CONDUCTORS = (("14 AWG copper", 8.2855e-3, 120.0), ("2.5 mm2 copper", 7.1e-3, 230.0))


@dataclass
class Bench:
    """One invented circuit that answers tests."""

    wiring: Wiring
    circuit: Circuit
    rng: np.random.Generator
    outlier: float = 0.03
    outliers: int = 0

    @classmethod
    def draw(
        cls,
        n: int,
        seed: int,
        *,
        outlier: float = 0.03,
        grounded: bool = True,
        branches: float = 1.0,
    ) -> "Bench":
        """A random circuit of ``n`` receptacles; ``branches`` times as many as usual on it."""
        rng = np.random.default_rng(seed)
        conductor, ohm_per_m, volts = CONDUCTORS[int(rng.integers(len(CONDUCTORS)))]
        names = tuple(NAMES[:n])
        wiring = random_wiring(
            names,
            rng,
            ohm_per_m=ohm_per_m,
            fork=0.1 * branches,
            splice=0.05 * branches,
            fork_at_panel=0.015 * branches,
        )
        amps = float(rng.uniform(6, 12.5))
        circuit = Circuit(
            name=f"invented {seed}",
            receptacles=names,
            volts=volts,
            conductor=conductor,
            load_amps=round(amps, 1),
            grounded=grounded,
        )
        return cls(wiring, circuit, rng, outlier)

    def row(self, number: int, setup: Setup) -> TestRow:
        """Do one test."""
        rng = self.rng
        amps = self.wiring.amps_at(
            setup.load_at, self.circuit.load_amps or 10.0, self.circuit.volts
        )
        true_mv = 1000 * self.wiring.drop_v(setup, amps * (1 + 0.003 * rng.standard_normal()))
        is_outlier = rng.random() < self.outlier
        self.outliers += is_outlier and true_mv > 0
        if is_outlier:
            true_mv = 0.0
        if setup.hookup is Hookup.LINE_DROP:
            u = float(rng.uniform(40, 120))
            drop = true_mv + u * rng.standard_normal()
        else:
            pickup, noise = float(rng.uniform(3, 12)), float(rng.uniform(0.3, 1.2))
            phase = np.exp(1j * rng.uniform(0, 2 * np.pi))
            seen = abs(true_mv + pickup * phase) + noise * rng.standard_normal()
            if seen > 2.5 * pickup:
                drop, u = (
                    float(np.sqrt(seen**2 - pickup**2)),
                    float(np.hypot(pickup / 2**0.5, noise)),
                )
            else:  # no clear jump: a drop about as large as the pickup cannot be excluded
                drop = abs(seen - pickup) + 0.3 * noise
                u = float(np.hypot(0.35 * pickup, noise))
        seen_jump = drop > 4 * u
        return TestRow(
            test=number,
            time=time_of(number),
            setup=setup,
            amps=self.circuit.load_amps,
            drop_mv=drop,
            drop_u_mv=u,
            limit_mv=15.0,
            verdict=Verdict.IN_PATH if seen_jump else Verdict.NOT_IN_PATH,
        )

    def random_setup(self) -> Setup:
        """Any possible test, hookup first."""
        names = self.circuit.receptacles
        hookups = list(LIVE_HOOKUPS)
        if not self.circuit.grounded:
            hookups.remove(Hookup.NEUTRAL_GROUND)
        hookup = hookups[int(self.rng.integers(len(hookups)))]
        a, b = self.rng.choice(len(names), 2, replace=False)
        load = names[int(self.rng.integers(len(names)))]
        return Setup(hookup, names[a], names[b] if hookup.has_lead_b else None, load)


def time_of(number: int) -> datetime:
    """Each test two minutes after the one before."""
    return datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=2 * number)


def true_clades(bench: Bench) -> list[int]:
    """What each receptacle really feeds and itself, as bits."""
    names = bench.circuit.receptacles
    feeds = bench.wiring.upstream()
    return [sum(1 << j for j, x in enumerate(names) if r in feeds[x] or x == r) for r in names]
