"""Names of what can be said of a point in the map, and what each means."""

from enum import StrEnum


class PointFlag(StrEnum):
    """One remark on a receptacle or splice; the value is the name in ``map --json``."""

    HIGH_RESISTANCE = "high-resistance"
    HOT_HIGH_RESISTANCE = "hot-high-resistance"
    UNTESTED = "untested"
    UNSEPARATED = "unseparated"
    RUN_UNKNOWN = "run-unknown"
    NO_GROUND = "no-ground"
    GROUND_TO_NEUTRAL = "ground-to-neutral"


MEANINGS: dict[PointFlag, str] = {
    PointFlag.HIGH_RESISTANCE: (
        "The neutral of the run that feeds this point has more resistance than a plausible length "
        "of the conductor explains: a poor joint at one of its ends is likely."
    ),
    PointFlag.HOT_HIGH_RESISTANCE: (
        "The hot side of the run that feeds this point has much more resistance than its neutral: "
        "a poor joint on the hot side is likely."
    ),
    PointFlag.UNTESTED: "No test has touched this receptacle; its place is a guess.",
    PointFlag.UNSEPARATED: (
        "The tests do not tell the order between this receptacle and another; see 'unseparated'."
    ),
    PointFlag.RUN_UNKNOWN: (
        "No test saw this run by itself; its resistance is what such runs usually have, or a share "
        "of a sum."
    ),
    PointFlag.NO_GROUND: (
        "The meter floated between neutral and ground here: the ground contact may be missing."
    ),
    PointFlag.GROUND_TO_NEUTRAL: (
        "Neutral-ground stayed near zero here with the load drawing current: the ground may be "
        "bonded to the neutral at this receptacle, which is a hazard, or the lead made no contact."
    ),
}
