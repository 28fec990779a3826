"""What the words around a number on a meter's line mean: unit, function, hold.

The words are those of the capture format and of common practice among meters that print lines.
Any other word makes the line no reading: a damaged line must never pass for a good one.
"""

import re
from typing import NamedTuple

from drivers.readings import Function


class Manner(NamedTuple):
    """What the words of a line say about its number.

    Attributes:
        exponent: Power of ten from the unit to volts or ohms (-3 for mV); 0 where there are none.
        function: What the meter measures.
        hold: The value is an old or a remembered one (hold, min, max, average).
        quantity: "V", "ohm", or the unit as shown where it is neither.
    """

    exponent: int
    function: Function
    hold: bool
    quantity: str


#: Power of ten of each spelling of a volt unit. Case matters for the prefix: M would be mega.
VOLT_EXPONENTS = {
    f"{prefix}{volt}": exponent
    for prefix, exponent in (("n", -9), ("u", -6), ("µ", -6), ("μ", -6), ("m", -3), ("", 0))
    for volt in ("V", "v")
} | {"kV": 3, "UV": -6}

#: The same for ohms; the ohm sign and the Greek letter look alike and are two characters.
OHM_EXPONENTS = {
    f"{prefix}{ohm}": exponent
    for prefix, exponent in (
        *(("u", -6), ("µ", -6), ("μ", -6), ("m", -3)),
        *(("", 0), ("k", 3), ("K", 3), ("M", 6), ("G", 9)),
    )
    for ohm in ("ohm", "ohms", "Ohm", "Ohms", "OHM", "OHMS", "\u03a9", "\u2126")
}

_FUNCTIONS = {
    "ac": Function.AC,
    "~": Function.AC,
    "vac": Function.AC,
    "dc": Function.DC,
    "=": Function.DC,
    "vdc": Function.DC,
}
# AC+DC and relative readings are volts, but not the magnitude of the mains component alone: their
# arithmetic would be wrong, so they are passed on as another function and never used.
# Relative ohms are ohms with the leads nulled, which is what is asked for.
_NOT_PLAIN_VOLTS = {"ac+dc": "V AC+DC", "acdc": "V AC+DC", "rel": "V relative", "δ": "V relative"}
_HELD = {"hold", "h", "max", "min", "avg", "peak", "maxmin", "mem"}
_NEUTRAL = {
    *(
        "auto",
        "man",
        "manu",
        "manual",
        "range",
        "rng",
        "rms",
        "true",
        "trms",
        "rmt",
        "usb",
        "rs232",
    ),
    *("fast", "slow", "med", "bat", "batt", "lobat", "lowbat", "low", "apo"),
}
_OTHER_UNIT = re.compile(
    r"[pnuµμmkM]?(?:A|Aac|AAC|ADC|Adc|Hz|HZ|F|S|W|VA)|°[CF]|deg[CF]|%|dBm?|dB[Vv]"
)
_BLANKS = re.compile(r"[ \t]+")  # not \s: that would pass control characters off as blanks
_GLUED = re.compile(r"([nuµμmk]?[Vv])(~|=|[aA][cC]|[dD][cC])")


def read_words(text: str, unit: str, function: Function) -> Manner | None:
    """Work out what the words around a number say.

    Args:
        text: All words of the line, blanks between them.
        unit: Unit where the line has none; a key of ``VOLT_EXPONENTS`` or ``OHM_EXPONENTS``.
        function: Function where the line has none.

    Returns:
        The manner, or ``None`` where a word is not known or the words contradict each other.
    """
    units: list[str] = []
    functions: set[Function] = set()
    hold, odd = False, ""
    for word in _BLANKS.split(text):
        if not word:
            continue
        glued = _GLUED.fullmatch(word)
        if glued is not None:
            units.append(glued[1])
            functions.add(_FUNCTIONS[glued[2].lower()])
            continue
        small = word.lower()
        if word in VOLT_EXPONENTS or word in OHM_EXPONENTS:
            units.append(word)
        elif _OTHER_UNIT.fullmatch(word):
            units.append(word)
            odd = word
        elif small in _FUNCTIONS:
            functions.add(_FUNCTIONS[small])
        elif small in _NOT_PLAIN_VOLTS:
            odd = odd or _NOT_PLAIN_VOLTS[small]
        elif small in _HELD:
            hold = True
        elif small not in _NEUTRAL:
            return None
    if len(units) > 1:
        return None
    if len(functions) > 1:
        odd = odd or "V AC+DC"
    if odd and not (odd == "V relative" and units and units[0] in OHM_EXPONENTS):
        return Manner(0, Function.OTHER, hold, odd)
    shown = units[0] if units else unit
    if shown in OHM_EXPONENTS:
        if functions:  # "ohm AC" is no reading that a meter gives
            return None
        return Manner(OHM_EXPONENTS[shown], Function.OHM, hold, "ohm")
    known = functions.pop() if functions else function
    if known is Function.OHM:  # the settings say ohms, the line says volts: the line knows
        known = Function.UNKNOWN
    return Manner(VOLT_EXPONENTS[shown], known, hold, "V")
