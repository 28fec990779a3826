"""Loops and rings of the dead circuit: lengths from R1+R2, and the ring-final sequence. Pure.

The sequence (IET Guidance Note 3, BS 7671 643.2.1): each conductor's ring end to end, then line and
neutral of opposite legs joined and read at every socket, then line and protective conductor
likewise. With the ring open at the board a path from one leg's end to each socket is a chain, which
``path-resistance`` settles like any other circuit.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from meterlink.circuit.circuit import conductor
from meterlink.errors import UsageError

ALIKE_OHM = 0.05  # r1 and rn of one ring agree within it (Guidance Note 3)
INSTRUMENT_OHM = 0.02  # two digits of an instrument that shows 0.01 ohm, and 2 % of the reading
INSTRUMENT_SHARE = 0.02


def loop_length_m(ohms: float, line: str, other: str, temperature_c: float = 20.0) -> float:
    """Length of cable whose two conductors in series have a resistance.

    Args:
        ohms: R1+R2 or R1+Rn, linked at the panel.
        line: Conductor such as "2.5 mm2 copper".
        other: The other conductor.
        temperature_c: Of the cable.

    Raises:
        ConductorError: A conductor is not understood.

    >>> round(loop_length_m(0.35, "2.5 mm2 copper", "1.5 mm2 copper"), 2)
    17.94
    """
    pair = sum(conductor(text).ohm_per_m(temperature_c) for text in (line, other))
    return ohms / pair


@dataclass(frozen=True, slots=True)
class Ring:
    """End-to-end resistances of the conductors of a ring that is open at the board, in ohm.

    Attributes:
        line, neutral: r1 and rn.
        protective: r2; ``None`` where it was not read.

    Raises:
        UsageError: A figure makes no sense.
    """

    line: float
    neutral: float
    protective: float | None = None

    def __post_init__(self) -> None:
        for name, ohms in (("r1", self.line), ("rn", self.neutral), ("r2", self.protective)):
            if ohms is not None and not 0 < ohms < 100:  # refuses nan as well
                raise UsageError(f"{name} of {ohms:g} ohm makes no sense: it is above 0, in ohm.")

    @property
    def crossed_ohm(self) -> float:
        """What every socket on the ring reads with line and neutral crossed."""
        return (self.line + self.neutral) / 4

    def protective_at(self, share: float) -> float:
        """Reading with line and protective conductor crossed, a share of the way round.

        ``a b / (a + b)`` with ``a = x r1 + (1-x) r2`` and ``b = x r2 + (1-x) r1``.
        """
        if self.protective is None:
            raise UsageError("The protective conductor's end-to-end resistance is not known.")
        a = share * self.line + (1 - share) * self.protective
        b = share * self.protective + (1 - share) * self.line
        return a * b / (a + b)

    def share_of(self, ohms: float) -> float | None:
        """How far round a socket is, from 0 to 0.5: the two ways round read the same.

        Returns:
            ``None`` where no place on the ring reads just so, or all of them do.
        """
        low, high = self.protective_at(0.0), self.protective_at(0.5)
        if not low <= ohms <= high or high - low < 1e-9:
            return None
        # a b is a parabola in x, a + b is constant: solve for its smaller root
        total, product = self.line + (self.protective or 0.0), self.line * (self.protective or 0.0)
        square = (self.line - (self.protective or 0.0)) ** 2
        inside = (ohms * total - product) / square
        return 0.5 - math.sqrt(max(0.0, 0.25 - inside))


def ring_remarks(ring: Ring, crossed: Mapping[str, float]) -> Iterator[str]:
    """What the readings of a ring say, in sentences.

    Args:
        ring: Its end-to-end resistances.
        crossed: Receptacle to its reading with line and neutral crossed, in ohm.
    """
    if abs(ring.line - ring.neutral) > ALIKE_OHM:
        yield (
            f"r1 {ring.line:g} and rn {ring.neutral:g} ohm differ by more than {ALIKE_OHM:g} ohm: "
            "a poor joint or a wrong conductor in the higher one. Find it before going on."
        )
    expected = ring.crossed_ohm
    yield f"On the ring every socket reads {expected:.3f} ohm with line and neutral crossed."
    for name, ohms in crossed.items():
        over = ohms - expected
        if abs(over) <= INSTRUMENT_OHM + INSTRUMENT_SHARE * expected:
            yield f"{name}: {ohms:g} ohm, on the ring."
        elif over > 0:
            yield (
                f"{name}: {ohms:g} ohm, {1e3 * over:.0f} mohm too much: a spur whose two "
                "conductors have that, or a poor joint at the socket."
            )
        else:
            yield (
                f"{name}: {ohms:g} ohm, {-1e3 * over:.0f} mohm too little: the ring is bridged, or "
                "the legs were joined to themselves, not crossed."
            )


def protective_remarks(ring: Ring, readings: Mapping[str, float]) -> Iterator[str]:
    """What readings with line and protective conductor crossed mean, a sentence each.

    Args:
        ring: Its end-to-end resistances.
        readings: Receptacle to its reading, in ohm.

    Raises:
        UsageError: The protective conductor's end-to-end resistance is not known.
    """
    for name, ohms in readings.items():
        low, high = ring.protective_at(0.0), ring.protective_at(0.5)
        slack = INSTRUMENT_OHM + INSTRUMENT_SHARE * high
        share = ring.share_of(ohms)
        if share is not None:
            yield f"{name}: R1+R2 {ohms:g} ohm, about {share:.0%} of the way round."
        elif ohms > high + slack:
            yield f"{name}: {ohms:g} ohm is nowhere on the ring: a spur or a poor joint."
        elif ohms < low - slack:
            yield (
                f"{name}: {ohms:g} ohm, {1e3 * (low - ohms):.0f} mohm too little: the ring is "
                "bridged, or the legs were joined to themselves, not crossed."
            )
        else:
            yield f"{name}: R1+R2 {ohms:g} ohm, on the ring; its place there is not told."
