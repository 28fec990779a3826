"""Resistance per metre of building wire, by size, metal and temperature.

AWG sizes follow the diameter formula of ASTM B258 and the resistivity of annealed copper
(IEC 60028) or of aluminium with 61 % of its conductivity (IEC 60889). Metric sizes follow the
largest resistance that IEC 60228 allows at 20 °C: real cable is a few per cent lower, so that a
length found from it is a little short.
"""

import math
import re
from dataclasses import dataclass

from meterlink.errors import MeterlinkError

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
