"""How the meter and the load are connected for one test."""

from dataclasses import dataclass
from enum import StrEnum

from meterlink.errors import UsageError


class Hookup(StrEnum):
    """Where the two leads of the meter go."""

    NEUTRAL_NEUTRAL = "neutral-neutral"  # neutral of A, neutral of B over an extension lead
    NEUTRAL_GROUND = "neutral-ground"  # neutral and ground contact of A
    LINE_DROP = "line-drop"  # hot and neutral of A: the supply sags there

    @property
    def has_lead_b(self) -> bool:
        """Whether the hookup has a second receptacle."""
        return self is Hookup.NEUTRAL_NEUTRAL


class Verdict(StrEnum):
    """What a test says about the load current between the leads."""

    IN_PATH = "in-path"
    NOT_IN_PATH = "not-in-path"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True)
class Setup:
    """One arrangement of leads and load.

    Raises:
        UsageError: A second lead is missing or too many, or both leads are at the same place.
    """

    hookup: Hookup
    lead_a: str
    lead_b: str | None
    load_at: str

    def __post_init__(self) -> None:
        if self.hookup.has_lead_b and self.lead_b is None:
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

    @property
    def leads(self) -> tuple[str, ...]:
        """The receptacles that the leads are at, one or two."""
        return (self.lead_a,) if self.lead_b is None else (self.lead_a, self.lead_b)
