"""How the meter and the load are connected for one test."""

from dataclasses import dataclass
from enum import StrEnum

from meterlink.errors import UsageError


class Hookup(StrEnum):
    """Where the two leads of the meter go."""

    NEUTRAL_NEUTRAL = "neutral-neutral"  # neutral of A, neutral of B over an extension lead
    NEUTRAL_GROUND = "neutral-ground"  # neutral and ground contact of A
    LINE_DROP = "line-drop"  # hot and neutral of A: the supply sags there
    PATH_RESISTANCE = "path-resistance"  # the same conductor of A and of B (or of the panel)
    LOOP_RESISTANCE = "loop-resistance"  # two conductors of A that are linked at the panel

    @property
    def has_lead_b(self) -> bool:
        """Whether the hookup has a second receptacle."""
        return self in (Hookup.NEUTRAL_NEUTRAL, Hookup.PATH_RESISTANCE)

    @property
    def ohms(self) -> bool:
        """Whether an ohmmeter reads it: no load, no source, the circuit dead."""
        return self in (Hookup.PATH_RESISTANCE, Hookup.LOOP_RESISTANCE)


LIVE_HOOKUPS = (Hookup.NEUTRAL_NEUTRAL, Hookup.NEUTRAL_GROUND, Hookup.LINE_DROP)


class Verdict(StrEnum):
    """What a test says about the load current between the leads."""

    IN_PATH = "in-path"
    NOT_IN_PATH = "not-in-path"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True)
class Setup:
    """One arrangement of leads and load.

    Attributes:
        hookup: Where the leads go.
        lead_a, lead_b: Receptacles of the leads; ``lead_b`` is ``None`` where the hookup has none,
            and on the dead circuit where the second lead is at the panel.
        load_at: Receptacle of the load, or of the direct source; empty where there is neither.
        side: Conductors measured on the dead circuit (``neutral``, ``hot``, ``ground``, or two of
            them joined by ``+``); empty on the live one.

    Raises:
        UsageError: A lead is missing or too many, or both are at the same place.
    """

    hookup: Hookup
    lead_a: str
    lead_b: str | None
    load_at: str
    side: str = ""

    def __post_init__(self) -> None:
        if self.hookup.has_lead_b and self.lead_b is None and not self.dead:
            raise UsageError(
                f"{self.hookup} needs two receptacles for its leads; only {self.lead_a!r} is "
                "given. Name the second with --lead-b."
            )
        if not self.hookup.has_lead_b and self.lead_b is not None:
            raise UsageError(
                f"{self.hookup} has one receptacle for its leads; {self.lead_b!r} is one too many. "
                "Leave --lead-b out, or use neutral-neutral."
            )
        if self.lead_a == self.lead_b:
            raise UsageError(
                f"Both leads are at {self.lead_a!r}: that shows nothing. "
                "Put one at another receptacle."
            )
        if not self.load_at and not self.hookup.ohms:
            raise UsageError(f"{self.hookup} needs a load; name its receptacle with --load-at.")
        if self.hookup.ohms and self.load_at:
            raise UsageError(
                f"{self.hookup} is read with an ohmmeter on the dead circuit: there is no load. "
                "Leave --load-at out."
            )

    @property
    def dead(self) -> bool:
        """Whether the test belongs to the dead circuit: an ohmmeter, or a direct source."""
        return self.hookup.ohms or bool(self.side)

    @property
    def leads(self) -> tuple[str, ...]:
        """The receptacles that the leads are at, one or two."""
        return (self.lead_a,) if self.lead_b is None else (self.lead_a, self.lead_b)

    @property
    def places(self) -> tuple[str, ...]:
        """All receptacles that the test names, each once."""
        named = (*self.leads, self.load_at) if self.load_at else self.leads
        return tuple(dict.fromkeys(named))
