"""A sag of a supply that wanders, as a meter on hot and neutral shows it, with the taps of a hand.

Written apart from the estimator: the supply is an Ornstein-Uhlenbeck process (0.24 % rms over 8 s,
as houses show), the meter a first-order converter of squares that gives 2 to 10 readings a second.
"""

from dataclasses import dataclass

import numpy as np

from drivers.readings import Function, Reading
from meterlink.circuit.setup import Hookup, Setup
from meterlink.levels.detector import Assessment, TestDetector

STEP_S = 0.02
WANDER, WANDER_S = 2.4e-3, 8.0
SETUP = Setup(Hookup.LINE_DROP, "Bed", None, "Bed")


@dataclass(frozen=True, slots=True)
class Hand:
    """How the load was switched.

    Attributes:
        cycles: How often.
        tapped: The person taps.
        first_on_s: The load is on for so long the first time; 5 s and a delay further on.
        already_on: It is on as the test begins, and goes off after 4 s.
    """

    cycles: int
    tapped: bool = True
    first_on_s: float = 13.0
    already_on: bool = False


def sagging(rng: np.random.Generator, volts: float, sag: float, hand: Hand) -> Assessment:
    """What is found in a test with a sag, part of the supply; hands are 0 to 1.5 s late."""
    rate, lag_s = rng.choice([2.0, 3.0, 4.0, 8.0, 10.0]), rng.uniform(0.15, 0.35)
    digit_v = float(rng.choice([1e-3, 1e-2, 0.1]))
    detector = TestDetector(SETUP, 0.0, hertz=60.0, smallest_drop_mv=160.0)
    switch = [(-20.0, 4.0)] if hand.already_on else []
    now_s = 14.0 if hand.already_on else 10.0
    for k in range(hand.cycles):
        on_s = now_s + rng.uniform(0.0, 1.5)
        off_tap_s = on_s + (hand.first_on_s if k == 0 else 5.0)
        off_s = off_tap_s + rng.uniform(0.0, 1.5)
        switch.append((on_s, off_s))
        if hand.tapped:
            detector.mark("load-on", now_s)
            detector.mark("load-off", off_tap_s)
        now_s = off_s + (8.0 if hand.cycles == 1 else 5.0)
    t = np.arange(0.0, now_s, STEP_S)
    level = np.zeros(t.size)
    share, tau_s, warm = rng.uniform(0.01, 0.06), rng.uniform(2.0, 4.0), rng.uniform(0.0, 0.6)
    for k, (on_s, off_s) in enumerate(switch):
        inrush = share * (warm if k else 1.0) * np.exp(-np.clip(t - on_s, 0, None) / tau_s)
        level += ((t >= on_s) & (t < off_s)) * (1 + inrush)
    shocks = np.sqrt(2 * STEP_S / WANDER_S) * WANDER * rng.normal(size=t.size)
    wander, keep = rng.normal() * WANDER, np.exp(-STEP_S / lag_s)
    shown, due = (volts * (1 - sag * level[0])) ** 2, rng.uniform(0.0, 1 / rate)
    for k in range(t.size):
        wander += -wander * STEP_S / WANDER_S + shocks[k]
        shown = keep * shown + (1 - keep) * (volts * (1 - sag * level[k]) * (1 + wander)) ** 2
        if t[k] >= due:
            due += 1 / rate
            value = round((shown**0.5 + rng.normal() * 2e-3) / digit_v) * digit_v
            detector.add(Reading(float(t[k]), value, Function.AC, digit_v))
    return detector.assess(float(t[-1]))
