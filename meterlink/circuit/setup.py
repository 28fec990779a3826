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
        return_at: Receptacle where a direct source's current comes back out of the same conductor;
            empty where it comes back over the ground of ``load_at``.

    Raises:
        UsageError: A lead is missing or too many, or both are at the same place.
    """

    hookup: Hookup
    lead_a: str
    lead_b: str | None
    load_at: str
    side: str = ""
    return_at: str = ""

    def __post_init__(self) -> None:
        if self.hookup.has_lead_b and self.lead_b is None and not self.dead:
            raise UsageError(
                f"{self.hookup} needs two receptacles for its leads; only {self.lead_a!r} is "
                "given. Name the second."
            )
        if not self.hookup.has_lead_b and self.lead_b is not None:
            raise UsageError(
                f"{self.hookup} has one receptacle for its leads; {self.lead_b!r} is one too many. "
                "Leave it out, or use neutral-neutral."
            )
        if self.lead_a == self.lead_b:
            raise UsageError(
                f"Both leads are at {self.lead_a!r}: that shows nothing. "
                "Put one at another receptacle."
            )
        self._check_return()
        if not self.load_at and not self.hookup.ohms:
            raise UsageError(f"{self.hookup} needs a load; name its receptacle.")
        if self.hookup.ohms and self.load_at:
            raise UsageError(
                f"{self.hookup} is read with an ohmmeter on the dead circuit: there is no load. "
                f"Leave {self.load_at!r} out."
            )

    def _check_return(self) -> None:
        """Refuse a way back that makes no sense."""
        if not self.return_at:
            return
        if not self.side or self.hookup is not Hookup.NEUTRAL_NEUTRAL:
            raise UsageError(
                "A current comes back at another receptacle only on the dead circuit, read between "
                "two points of one conductor (neutral-neutral with a direct-source)."
            )
        if self.return_at == self.load_at:
            raise UsageError(
                f"The current goes in and comes out at {self.load_at!r}: that shows nothing."
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
        named = (*self.leads, self.load_at, self.return_at)
        return tuple(dict.fromkeys(name for name in named if name))


SIDES = ("hot", "neutral", "ground")
_USUAL_SIDE = {  # what is measured where nobody says; a loop has to be named
    Hookup.PATH_RESISTANCE: "neutral",
    Hookup.NEUTRAL_NEUTRAL: "neutral",
    Hookup.NEUTRAL_GROUND: "neutral+ground",
}


def made_setup(
    hookup: Hookup,
    lead_a: str,
    lead_b: str | None = None,
    load_at: str | None = None,
    *,
    side: str | None = None,
    return_at: str | None = None,
    direct: bool = False,
) -> Setup:
    """A setup whose conductors are filled in and checked.

    Args:
        hookup: Where the leads go.
        lead_a: Receptacle of the first lead.
        lead_b: Of the second, where there is one.
        load_at: Of the load or source, where there is one.
        side: Conductors as stated; ``None`` or empty for the usual ones.
        return_at: Where a direct source's current comes back out.
        direct: The load is a direct source on the dead circuit.

    Raises:
        UsageError: The conductors make no sense, or ``Setup`` refuses the places.
    """
    if not hookup.ohms and not direct:
        if side:
            raise UsageError(
                f"{side[:40]!r}: a conductor is named on the dead circuit only (path-resistance, "
                "loop-resistance, or a direct-source)."
            )
        return Setup(hookup, lead_a, lead_b, load_at or "", return_at=return_at or "")
    if hookup is Hookup.LINE_DROP:
        raise UsageError("line-drop needs the supply; on the dead circuit use loop-resistance.")
    stated = (side or _USUAL_SIDE.get(hookup, "")).lower().replace(" ", "")
    parts = stated.split("+") if stated else []
    wanted = 2 if hookup in (Hookup.LOOP_RESISTANCE, Hookup.NEUTRAL_GROUND) else 1
    if len(set(parts)) != wanted or len(parts) != wanted or not set(parts) <= set(SIDES):
        example = "hot+ground" if wanted == 2 else "neutral"
        raise UsageError(
            f"{hookup} measures {'two conductors' if wanted == 2 else 'one conductor'}, of "
            f"{', '.join(SIDES)}; name {'them' if wanted == 2 else 'it'}, such as {example}."
        )
    ordered = "+".join(part for part in SIDES if part in parts)
    return Setup(hookup, lead_a, lead_b, load_at or "", ordered, return_at or "")
