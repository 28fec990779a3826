"""The circuit as it is known before any test: names, supply, load, and the resistance of its wire.

AWG sizes follow the diameter formula of ASTM B258 and the resistivity of annealed copper
(IEC 60028) or of aluminium with 61 % of its conductivity (IEC 60889). Metric sizes follow the
largest resistance that IEC 60228 allows at 20 °C: real cable is a few per cent lower, so that a
length found from it is a little short.
"""

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from numbers import Real

from meterlink.errors import MeterlinkError, UsageError

#: Temperature of a cable in a wall that carries a load for some seconds only. Room temperature,
#: with a little for what the circuit carried before. Common practice; job.toml may say otherwise.
DEFAULT_TEMPERATURE_C = 25.0

COPPER = "copper"
ALUMINIUM = "aluminium"

_RESISTIVITY_20C = {COPPER: 1 / 58 * 1e-6, ALUMINIUM: 2.8264e-8}  # ohm m; IEC 60028, IEC 60889
_ZERO_OHM_C = {COPPER: -234.5, ALUMINIUM: -228.0}  # IEC 60228 annex, exact temperature factors
_STRANDED = 1.02  # allowance for lay, ASTM B8; NFPA 70 chapter 9 table 8 has 1.018 to 1.029

_AWG_SIZES = (18, 16, 14, 12, 10, 8, 6, 4)
_MAX_MOHM_PER_M_20C = {  # IEC 60228:2004 tables 1 and 2, class 1 and 2, plain conductors
    COPPER: {
        0.5: 36.0,
        0.75: 24.5,
        1.0: 18.1,
        1.5: 12.1,
        2.5: 7.41,
        4.0: 4.61,
        6.0: 3.08,
        10.0: 1.83,
        16.0: 1.15,
    },
    ALUMINIUM: {10.0: 3.08, 16.0: 1.91},
}

_METALS = {
    "copper": COPPER,
    "cu": COPPER,
    "aluminium": ALUMINIUM,
    "aluminum": ALUMINIUM,
    "al": ALUMINIUM,
}
_FILLERS = {"wire", "cable", "conductor", "solid"}
_AWG = re.compile(r"(?:#|no\.?\s*)?(\d{1,2})\s*awg\b|\bawg\s*#?(\d{1,2})\b|#(\d{1,2})\b")
_METRIC = re.compile(r"(\d{1,2}(?:[.,]\d{1,2})?)\s*(?:mm²|mm\^?2|sq\.?\s*mm)(?![a-z0-9])")


class ConductorError(MeterlinkError):
    """A conductor is described in words that are not known."""


@dataclass(frozen=True, slots=True)
class Conductor:
    """One kind of wire.

    Attributes:
        name: How it is written: "14 AWG copper", "2.5 mm2 copper".
        metal: ``copper`` or ``aluminium``.
        ohm_per_m_20c: Resistance of one conductor (not of the loop) at 20 °C.
    """

    name: str
    metal: str
    ohm_per_m_20c: float

    def ohm_per_m(self, temperature_c: float = DEFAULT_TEMPERATURE_C) -> float:
        """Resistance of one metre of one conductor at a temperature.

        ``R(t) / R(20)`` is ``(t - t0) / (20 - t0)`` with ``t0`` of -234.5 °C for copper and
        -228 °C for aluminium (IEC 60228).

        >>> round(conductor("14 AWG copper").ohm_per_m(20.0) * 1e3, 3)
        8.286
        """
        zero = _ZERO_OHM_C[self.metal]
        return self.ohm_per_m_20c * (temperature_c - zero) / (20.0 - zero)


def conductor(text: str) -> Conductor:
    """Read a description such as "14 AWG copper", "12 awg aluminum" or "2.5 mm² Cu".

    Raises:
        ConductorError: Size or metal are missing or not known; the message lists what is.
    """
    words = text.strip().casefold()
    awg, metric = _AWG.search(words), _METRIC.search(words)
    size = metric or awg
    if size is None or len(words) > 100:
        raise ConductorError(_refusal(text, "it has no size"))
    rest = re.sub(r"[,;()]", " ", words[: size.start()] + " " + words[size.end() :]).split()
    metals = {_METALS[word] for word in rest if word in _METALS}
    unknown = [w for w in rest if w not in _METALS and w not in _FILLERS and w != "stranded"]
    if unknown:
        raise ConductorError(_refusal(text, f"{unknown[0]!r} is not understood"))
    if len(metals) != 1:
        raise ConductorError(_refusal(text, "the metal is not said, or said twice"))
    metal = metals.pop()
    if metric is not None:
        return _metric(text, float(metric[1].replace(",", ".")), metal)
    number = next(group for group in size.groups() if group is not None)
    return _awg(text, int(number), metal, stranded="stranded" in rest)


def awg_area_mm2(size: int) -> float:
    """Cross-section of an AWG size: diameter ``0.127 mm * 92**((36 - n) / 39)`` (ASTM B258)."""
    diameter_mm = 0.127 * math.pow(92.0, (36 - size) / 39)
    return math.pi / 4 * diameter_mm * diameter_mm


def _awg(text: str, size: int, metal: str, *, stranded: bool) -> Conductor:
    if size not in _AWG_SIZES:
        raise ConductorError(_refusal(text, f"size {size} AWG is not in the table"))
    ohm_per_m = _RESISTIVITY_20C[metal] / (awg_area_mm2(size) * 1e-6)
    if stranded:
        return Conductor(f"{size} AWG stranded {metal}", metal, ohm_per_m * _STRANDED)
    return Conductor(f"{size} AWG {metal}", metal, ohm_per_m)


def _metric(text: str, area_mm2: float, metal: str) -> Conductor:
    if area_mm2 not in _MAX_MOHM_PER_M_20C[COPPER]:
        raise ConductorError(_refusal(text, f"size {area_mm2:g} mm2 is not in the table"))
    mohm_per_m = _MAX_MOHM_PER_M_20C[metal].get(area_mm2)
    if mohm_per_m is None:  # the standard gives no limit for aluminium below 10 mm2
        mohm_per_m = _RESISTIVITY_20C[metal] / (area_mm2 * 1e-6) * 1e3
    return Conductor(f"{area_mm2:g} mm2 {metal}", metal, mohm_per_m * 1e-3)


def _refusal(text: str, why: str) -> str:
    awg = ", ".join(str(size) for size in _AWG_SIZES)
    metric = ", ".join(f"{size:g}" for size in _MAX_MOHM_PER_M_20C[COPPER])
    return (
        f"Conductor {text[:100]!r} is not known: {why}. Write a size and a metal, such as "
        f"'14 AWG copper' or '2.5 mm2 copper'. Known sizes: {awg} AWG; {metric} mm2. "
        "Known metals: copper, aluminium."
    )


class LoadKind(StrEnum):
    """What makes the current of a test."""

    HEATER = "heater"
    HALF_WAVE = "half-wave"  # a heater behind a diode: direct current, the meter is asked for DC
    DIRECT_SOURCE = "direct-source"  # a direct current sent into the dead circuit


def _is_number(figure: object) -> bool:
    return isinstance(figure, Real) and not isinstance(figure, bool)


def _names(what: str, given: object) -> tuple[str, ...]:
    """Names of receptacles as a caller lists them.

    Raises:
        UsageError: One text, or a name that is none or means another part of the map.
    """
    if isinstance(given, str) or not isinstance(given, Iterable):
        raise UsageError(f"{what} is {given!r:.60}; give a list of names.")
    names = tuple(given)
    for name in names:
        if not isinstance(name, str) or not name.strip():
            raise UsageError(f"{what} has {name!r:.60}, which is no name.")
        if name.casefold() == "panel" or name.casefold().startswith("splice "):
            raise UsageError(f"{what} has {name!r:.60}, which means another part of the map.")
    return names


@dataclass(frozen=True, slots=True)
class Circuit:
    """One breaker's circuit. ``None`` where a figure is not known.

    Attributes:
        name: What people call the circuit.
        receptacles: Names of the receptacles, each once, in the order given.
        volts, hertz: Nominal supply.
        breaker_amps: Rating of the breaker.
        conductor: Such as "14 AWG copper" or "2.5 mm2 copper" (``meterlink.circuit.circuit``).
        load_amps: Current of the heavy load at nominal volts.
        amps_low: Its current at its second, lower setting, where it has one.
        load_kind: What kind of load it is.
        rooms: Receptacle to room, where rooms are given.
        run_lengths_m: Known cable length of the run that feeds a receptacle.
        grounded: Whether the boxes have a ground contact to put a lead in.
        no_ground: Receptacles that are known to have none.
        ring_usual: Sockets are usually wired as rings there, both ends at the panel.
        sub_panel: The breaker is in a sub-panel, with a feeder in front of it.
        wire_temperature_c: Of the cable as it was when tested; lengths are found with it.
        place, panel, breaker, measured_by, meter: For the record, as the person states them: the
            address, the panel, the number of the breaker, who measured, and with which meter
            (make, serial number, calibration).
    """

    name: str
    receptacles: tuple[str, ...]
    volts: float | None = None
    hertz: float | None = None
    breaker_amps: float | None = None
    conductor: str | None = None
    load_amps: float | None = None
    rooms: Mapping[str, str] = field(default_factory=dict)
    run_lengths_m: Mapping[str, float] = field(default_factory=dict)
    grounded: bool = True
    wire_temperature_c: float = DEFAULT_TEMPERATURE_C
    amps_low: float | None = None
    load_kind: LoadKind = LoadKind.HEATER
    no_ground: tuple[str, ...] = ()
    ring_usual: bool = False
    sub_panel: bool = False
    place: str | None = None
    panel: str | None = None
    breaker: str | None = None
    measured_by: str | None = None
    meter: str | None = None

    def __post_init__(self) -> None:
        """Refuse what would give a wrong answer without an error.

        Raises:
            UsageError: One text in the place of a list of names, a name twice or one that means
                another part of the map, an unknown kind of load, or a figure that is not finite
                and above 0 (or 0, of ``hertz``).
        """
        for what in ("receptacles", "no_ground"):
            object.__setattr__(self, what, _names(what, getattr(self, what)))
        if len(set(self.receptacles)) != len(self.receptacles):
            raise UsageError("A receptacle is named twice; give each its own name.")
        for what in ("no_ground", "run_lengths_m"):
            for name in getattr(self, what):
                if name not in self.receptacles:
                    raise UsageError(f"{what} names {name!r:.60}, which is no receptacle here.")
        if self.load_kind not in tuple(LoadKind):
            known = ", ".join(LoadKind)
            raise UsageError(f"load_kind is {self.load_kind!r:.40}; expected one of {known}.")
        object.__setattr__(self, "load_kind", LoadKind(self.load_kind))
        figures = {n: getattr(self, n) for n in ("volts", "breaker_amps", "load_amps", "amps_low")}
        figures |= {f"length of the run to {n}": m for n, m in self.run_lengths_m.items()}
        for name, figure in figures.items():
            if figure is not None and not (_is_number(figure) and 0 < figure < math.inf):
                raise UsageError(f"{name} is {figure!r:.40}; it is above 0, or left out.")
        if self.hertz is not None and not (_is_number(self.hertz) and 0 <= self.hertz < math.inf):
            raise UsageError(f"hertz is {self.hertz!r:.40}; it is 0 or more, or left out.")
        celsius: object = self.wire_temperature_c
        if not (_is_number(celsius) and -100 < self.wire_temperature_c < 200):
            raise UsageError(f"wire_temperature_c is {celsius!r:.40}; give degrees Celsius.")

    @property
    def signed(self) -> bool:
        """Whether readings are of direct voltage and have a sign."""
        return self.hertz == 0 or self.load_kind is not LoadKind.HEATER

    def ohm_per_m(self) -> float | None:
        """Resistance of a metre of the stated conductor; ``None`` where none is known."""
        if self.conductor is None:
            return None
        try:
            return conductor(self.conductor).ohm_per_m(self.wire_temperature_c)
        except ConductorError:
            return None
