"""The rhythm of repeat trials: how long the load is off, on, and off again. Pure."""

from dataclasses import dataclass
from enum import StrEnum

from meterlink.errors import UsageError

#: Of each stage: a load comes up to 5 s after the word, and a level needs readings after that.
LEAST_S, MOST_S = 1.0, 600.0
_ANNOUNCED_S = 3  # a hand needs a warning


class Stage(StrEnum):
    """Part of a cycle."""

    IDLE = "idle"
    ON = "on"
    AFTER = "after"


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Seconds of the stages of a cycle.

    Raises:
        UsageError: A stage is too short or too long.
    """

    idle_s: float = 8.0
    on_s: float = 10.0
    after_s: float = 6.0

    def __post_init__(self) -> None:
        for name in ("idle_s", "on_s", "after_s"):
            if not LEAST_S <= getattr(self, name) <= MOST_S:
                raise UsageError(
                    f"A stage of {getattr(self, name):g} s makes no sense here; expected "
                    f"{LEAST_S:g} to {MOST_S:g} s for each of idle, on and after."
                )

    def length_s(self, stage: Stage) -> float:
        """Seconds of a stage."""
        return {Stage.IDLE: self.idle_s, Stage.ON: self.on_s, Stage.AFTER: self.after_s}[stage]

    @property
    def cycle_s(self) -> float:
        """Seconds of a whole cycle."""
        return self.idle_s + self.on_s + self.after_s

    def left_s(self, stage: Stage, in_stage_s: float) -> float:
        """Seconds to the end of the cycle."""
        stages = list(Stage)
        rest = sum(self.length_s(later) for later in stages[stages.index(stage) + 1 :])
        return rest + max(0.0, self.length_s(stage) - in_stage_s)


def instruction(stage: Stage, in_stage_s: float, left_in_stage_s: float) -> str:
    """What a hand at the switch has to do now.

    Args:
        stage: The stage that runs.
        in_stage_s: Since it began.
        left_in_stage_s: Until it ends.
    """
    soon = left_in_stage_s <= _ANNOUNCED_S and stage is not Stage.AFTER
    if in_stage_s < _ANNOUNCED_S and stage is not Stage.IDLE:
        return f"switch the load {'ON' if stage is Stage.ON else 'OFF'} now"
    if soon:
        return f"load {'ON' if stage is Stage.IDLE else 'OFF'} in {left_in_stage_s:.0f} s"
    return "load stays on" if stage is Stage.ON else "load stays off"
