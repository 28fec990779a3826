"""Tests of the dead circuit: a steady reading in ohms, or signed millivolts of a direct current.

A direct source stands still for seconds at each current, nothing, one way, the other way; the
readings of each standing give a level, and a straight line through levels against current, with an
offset and a drift in time beside it, gives the resistance: thermal voltages and what drifts drop
out. With two or three levels that is what is published: ``(V(+I) - V(-I)) / 2`` for an offset,
``(V1 - 2 V2 + V3) / 4`` for an offset that drifts, ``V(I) - V(0)`` for a source that cannot turn.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from drivers.readings import Function, Reading
from meterlink.assumptions import USUAL, Assumptions
from meterlink.circuit.setup import Setup, Verdict
from meterlink.levels.detector import Measurement
from meterlink.levels.progress import Progress, Stage
from meterlink.levels.statistics import LEAST_U_MV, Floats, Level, level

SETTLE_S = 1.0  # of meter and leads after the current was changed, or the leads placed
STEADY_S = 2.0
STEADY_READINGS = 5
STEADY_SHARE = 0.01  # readings of one level stay within this share of it, or a few digits
STEADY_DIGITS = 3.0
RESTLESS_MV = 0.5  # of single readings in a standing: alternating current gets through
SAME_AMPS = 0.02  # two currents nearer than this share are one standing
MOST_READINGS = 20_000


class DeadFlag(StrEnum):
    """A remark on a test of the dead circuit; the value is the name in the log."""

    OPEN_CIRCUIT = "open-circuit"
    UNSTEADY = "unsteady"
    ALTERNATING = "alternating"
    POLARITY = "polarity"
    NOT_REVERSED = "not-reversed"


MEANINGS: dict[DeadFlag, str] = {
    DeadFlag.OPEN_CIRCUIT: (
        "The ohmmeter saw no connection: a lead has no contact, the conductor is broken, or the "
        "link at the panel is missing."
    ),
    DeadFlag.UNSTEADY: "The reading did not come to rest. Push the leads home and repeat.",
    DeadFlag.ALTERNATING: (
        "Single readings jump about: alternating current of other circuits in the shared neutral "
        "bar. Average over more mains cycles (nplc=10 in the meter's address), or wait longer."
    ),
    DeadFlag.POLARITY: (
        "The reading is negative where it cannot be: the meter's leads or the source's clips are "
        "swapped."
    ),
    DeadFlag.NOT_REVERSED: (
        "The current ran one way only, so that a thermal voltage that changes with the current is "
        "still in the reading."
    ),
}


@dataclass(frozen=True, slots=True)
class DeadMeasurement(Measurement):
    """What a test of the dead circuit came to.

    ``cycles`` says how often the source was let on.

    Attributes:
        path_mohm, path_u_mohm: Resistance between the leads of an ohmmeter.
        amps: Current of the direct source as it was read back.
    """

    path_mohm: float | None = None
    path_u_mohm: float | None = None
    amps: float | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """A resistance from levels at several currents.

    Attributes:
        mohm, u_mohm: The resistance and its standard uncertainty.
        offset_mv: What the meter shows without current at the middle of the test.
        chi: Root mean square of what is left, in standard uncertainties; 0 where nothing is.
    """

    mohm: float
    u_mohm: float
    offset_mv: float
    chi: float


def resistance(t_s: Floats, amps: Floats, mv: Floats, u_mv: Floats) -> Line:
    """Least squares of ``mv = mohm * amps + offset + drift * t``.

    Args:
        t_s: Middle of each standing, shape ``(n,)``.
        amps: Signed current of each.
        mv: Level of each.
        u_mv: Its standard uncertainty, above 0.

    Raises:
        ValueError: All currents are the same: nothing can be told.
    """
    if np.ptp(amps) <= 1e-9 * max(1.0, float(np.abs(amps).max())):
        raise ValueError("one current alone gives no resistance")
    middle = t_s - t_s.mean()
    parts = [amps, np.ones_like(amps)]
    full = np.stack([*parts, middle], axis=1)
    # the drift is taken off where the levels tell it from the current
    scaled = full / np.maximum(np.abs(full).max(axis=0), 1e-300)
    design = full if np.linalg.matrix_rank(scaled, 1e-6) == 3 else full[:, :2]
    weighted = design / u_mv[:, None]
    solved, *_ = np.linalg.lstsq(weighted, mv / u_mv, rcond=None)
    covariance = np.linalg.inv(weighted.T @ weighted)
    free = len(mv) - design.shape[1]
    left = mv / u_mv - weighted @ solved
    chi = float(np.sqrt(left @ left / free)) if free > 0 else 0.0
    u = float(np.sqrt(covariance[0, 0])) * max(1.0, chi)
    return Line(float(solved[0]), u, float(solved[1]), chi)


@dataclass(frozen=True, slots=True)
class Standing:
    """Readings between two changes of the current."""

    start_s: float
    amps: float
    t_s: Floats
    values: Floats
    resolution: float

    @property
    def level(self) -> Level:
        """Level of its readings; they are at least one."""
        return level(self.values, self.resolution)


class DeadDetector:
    """Measures one test of the dead circuit, reading by reading.

    Takes the marks ``source``: the signed amperes that a supply says it gives from then on; any
    other text says that the current is being changed.

    Args:
        setup: Hookup, leads and place of the source.
        started_s: Monotonic time of the test's start.
        smallest_mv: What the source makes on the smallest run that may be there.
        lead_mohm: Resistance of the leads that is to be taken off.
        four_wire: The ohmmeter has four wires.
        assumptions: Priors.
    """

    def __init__(
        self,
        setup: Setup,
        started_s: float,
        *,
        smallest_mv: float = 40.0,
        lead_mohm: float = 0.0,
        four_wire: bool = False,
        assumptions: Assumptions = USUAL,
    ) -> None:
        self._setup = setup
        self._wanted = Function.OHM if setup.hookup.ohms else Function.DC
        self._smallest_mv = smallest_mv
        self._lead_mohm = lead_mohm
        usual = assumptions
        self._contact_u_mohm = (
            usual.levels.four_wire_u_mohm if four_wire else usual.meter.ohms_u_mohm
        )
        self._currents: list[tuple[float, float]] = [(started_s, 0.0)]
        self._t_s: list[float] = []
        self._values: list[float] = []
        self._resolution = 0.0
        self._refused: dict[str, int] = {}
        self.last: Reading | None = None

    def add(self, reading: Reading) -> None:
        """Take the next reading, in time order."""
        self.last = reading
        value = self._value(reading)
        if value is None:
            return
        step = reading.resolution_ohm if self._setup.hookup.ohms else reading.resolution_v
        self._resolution = max(self._resolution, 1e3 * (step or 0.0))
        self._t_s.append(reading.t_s)
        self._values.append(1e3 * value)
        if len(self._t_s) > MOST_READINGS:
            del self._t_s[::2], self._values[::2]

    def mark(self, kind: str, t_s: float, text: str = "") -> None:
        """Take a mark that says what current flows from now on; others say nothing here."""
        if kind != "source":
            return
        try:
            amps = float(text)
        except ValueError:
            amps = float("nan")
        before = self._currents[-1][1]
        if not abs(amps - before) <= SAME_AMPS * max(abs(amps), abs(before)):
            self._currents.append((t_s, amps))

    def finish(self, t_s: float) -> DeadMeasurement:
        """End the test and measure it."""
        return self._of_ohms() if self._setup.hookup.ohms else self._of_source(t_s)

    def progress(self) -> Progress:
        """How the test stands: ``enough`` once the reading is steady at the current that flows."""
        end_s = self.last.t_s + 1e-6 if self.last is not None else self._currents[-1][0]
        here = self._standings(end_s)[-1]
        steady = self._steady(here)
        flags = tuple(self._flags())
        if not steady:
            return Progress(Stage.SETTLING, self.last, restless=self._why(here), flags=flags)
        found = self.finish(end_s)
        stage = Stage.ON if here.amps else Stage.IDLE
        value = here.level
        return Progress(
            stage=stage,
            reading=self.last,
            idle_mv=value.value,
            idle_sd_mv=value.sd,
            drop_mv=found.drop_mv,
            drop_u_mv=found.drop_u_mv,
            verdict=found.verdict,
            enough=True,
            flags=flags,
        )

    # -- parts --------------------------------------------------------------------------------

    def _value(self, reading: Reading) -> float | None:
        """Ohms or volts of a reading that may be used; what may not is counted."""
        value = reading.ohms if self._setup.hookup.ohms else reading.volts
        wrong = ""
        if reading.function not in (self._wanted, Function.UNKNOWN):
            wrong = "wrong-function"
        elif reading.hold:
            wrong = "hold"
        elif reading.overload:
            wrong = DeadFlag.OPEN_CIRCUIT if self._setup.hookup.ohms else "overload"
        if wrong:
            self._refused[wrong] = self._refused.get(wrong, 0) + 1
        return None if wrong or value is None or not np.isfinite(value) else value

    def _standings(self, end_s: float) -> list[Standing]:
        """The readings by the current that flowed, settling left out."""
        t_s, values = np.array(self._t_s), np.array(self._values)
        stops = [start for start, _ in self._currents[1:]] + [end_s]
        found = []
        for (start, amps), stop in zip(self._currents, stops, strict=True):
            inside = (t_s >= start + SETTLE_S) & (t_s < stop)
            found.append(Standing(start, amps, t_s[inside], values[inside], self._resolution))
        return found

    def _steady(self, standing: Standing) -> bool:
        """Whether the last readings of a standing are at rest for long enough."""
        t_s, values = standing.t_s, standing.values
        if len(values) < STEADY_READINGS or t_s[-1] - t_s[0] < STEADY_S - 0.5:
            return False
        recent = values[t_s >= t_s[-1] - STEADY_S]
        recent = values[-STEADY_READINGS:] if len(recent) < STEADY_READINGS else recent
        half = len(recent) // 2
        apart = abs(float(np.median(recent[half:]) - np.median(recent[:half])))
        sd = float(np.std(recent))
        share = STEADY_SHARE * abs(float(np.median(recent)))
        noise = 2.0 * sd / float(np.sqrt(half))
        return apart <= max(share, STEADY_DIGITS * self._resolution, noise, 1e-3)

    def _why(self, standing: Standing) -> str:
        """Why the reading is not steady yet, as a sentence."""
        if self._refused.get("wrong-function") and not len(standing.values):
            unit = "ohms" if self._wanted is Function.OHM else "DC volts"
            return f"The meter is not on {unit}: turn it there."
        if self._refused.get("hold") and not len(standing.values):
            return "The meter's hold key is pressed: release it."
        if self._refused.get(DeadFlag.OPEN_CIRCUIT) and not len(standing.values):
            return "Open circuit: a lead has no contact, or the conductor is broken."
        return "Waiting for a steady reading."

    def _flags(self) -> list[str]:
        """What was refused more often than used."""
        return [str(name) for name, n in self._refused.items() if n > len(self._values)]

    def _of_ohms(self) -> DeadMeasurement:
        values = np.array(self._values)
        flags = self._flags()
        begun = self._currents[0][0]
        kept = values[np.array(self._t_s) >= begun + SETTLE_S] if len(values) else values
        if len(kept) < STEADY_READINGS:
            return _nothing([*flags, "few-readings"], len(kept))
        at_rest = kept[_at_rest(kept, self._resolution) :]
        if len(at_rest) < STEADY_READINGS:
            flags.append(DeadFlag.UNSTEADY)
            at_rest = kept[-2 * STEADY_READINGS :]
        here = level(at_rest, self._resolution)
        mohm = here.value - self._lead_mohm
        wide = here.sd if DeadFlag.UNSTEADY in flags else here.se
        u = float(np.sqrt(self._resolution**2 / 12 + self._contact_u_mohm**2 + wide**2))
        verdict = Verdict.IN_PATH if mohm > 2 * u else Verdict.UNCLEAR
        return _nothing(flags, here.n, verdict, path_mohm=mohm, path_u_mohm=u)

    def _of_source(self, end_s: float) -> DeadMeasurement:
        flags = self._flags()
        used = [
            s
            for s in self._standings(end_s)
            if len(s.values) >= STEADY_READINGS and np.isfinite(s.amps)
        ]
        on = [s for s in used if s.amps]
        off = [s for s in used if not s.amps]
        if not on or len({round(s.amps, 6) for s in used}) < 2:
            few = "no-load-mark" if len(self._currents) == 1 else "few-readings"
            return _nothing([*flags, few], sum(len(s.values) for s in used))
        levels = [s.level for s in used]
        line = resistance(
            np.array([float(np.mean(s.t_s)) for s in used]),
            np.array([s.amps for s in used]),
            np.array([one.value for one in levels]),
            np.array([max(one.se, LEAST_U_MV) for one in levels]),
        )
        amps = float(np.mean([abs(s.amps) for s in on]))
        drop, u = line.mohm * amps, max(line.u_mohm * amps, LEAST_U_MV)
        if len({s.amps > 0 for s in on}) == 1:
            flags.append(DeadFlag.NOT_REVERSED)
        if max(one.sd for one in levels) > max(RESTLESS_MV, 3 * self._resolution):
            flags.append(DeadFlag.ALTERNATING)
        if drop < -4 * u and self._setup.lead_b is None:
            flags.append(DeadFlag.POLARITY)
        forth = [s.level for s in on if s.amps * np.sign(on[0].amps) > 0]
        idle = [s.level for s in off]
        offset = float(np.mean([x.value for x in idle])) if idle else line.offset_mv
        limit = 1.645 * u
        in_path = abs(drop) > 3 * u
        verdict = Verdict.IN_PATH if in_path else Verdict.UNCLEAR
        if not in_path and limit <= self._smallest_mv:
            verdict = Verdict.NOT_IN_PATH
        return DeadMeasurement(
            idle_mv=offset,
            idle_sd_mv=idle[0].sd if idle else None,
            on_mv=offset + drop,
            on_sd_mv=forth[0].sd,
            after_mv=idle[-1].value if len(idle) > 1 else None,
            delta_mv=drop,
            drop_mv=drop,
            drop_u_mv=u,
            limit_mv=limit,
            verdict=verdict,
            n_idle=sum(x.n for x in idle),
            n_on=sum(len(s.values) for s in on),
            flags=tuple(dict.fromkeys(map(str, flags))),
            on_at_s=on[0].start_s,
            amps=amps,
            level_u_mv=u,
            cycles=len(on),
        )


def _at_rest(values: Floats, resolution: float) -> int:
    """Index from which the readings stay about the level they end at."""
    center = float(np.median(values[-2 * STEADY_READINGS :]))
    steps = np.diff(values)
    noise = float(np.median(np.abs(steps - np.median(steps))))  # a slow drift is no noise
    near = max(STEADY_SHARE * abs(center), STEADY_DIGITS * resolution, 5 * noise, 1e-3)
    away = np.flatnonzero(np.abs(values - center) > near)
    return int(away[-1]) + 1 if len(away) else 0


def _nothing(
    flags: Sequence[str],
    readings: int,
    verdict: Verdict = Verdict.UNCLEAR,
    *,
    path_mohm: float | None = None,
    path_u_mohm: float | None = None,
) -> DeadMeasurement:
    """A measurement without millivolts."""
    return DeadMeasurement(
        None, None, None, None, None, None, None, None, None, verdict,
        n_idle=readings, n_on=0, flags=tuple(dict.fromkeys(map(str, flags))),
        path_mohm=path_mohm, path_u_mohm=path_u_mohm,
    )  # fmt: skip
