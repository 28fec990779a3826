"""The answer: what the tests say about the wiring, each part with its probability."""

from dataclasses import dataclass
from enum import StrEnum

PANEL = "panel"
SPLICE = "a splice"


@dataclass(frozen=True, slots=True)
class First:
    """The receptacle that feeds all others.

    ``receptacle`` is ``None`` where the most probable answer is that no receptacle does (the
    circuit forks before the first one); ``probability`` is then that of the fork.
    """

    receptacle: str | None
    probability: float


@dataclass(frozen=True, slots=True)
class Fed:
    """A point of the resolved tree and the run that feeds it.

    ``fed_from`` is ``panel``, a receptacle or a splice. ``run_m`` is the length that the run's
    neutral resistance would have in the stated conductor, ``None`` where no conductor is stated.
    ``flags`` are those of ``PointFlag``.
    """

    name: str
    fed_from: str
    probability: float
    run_mohm: float
    run_u_mohm: float
    run_m: float | None
    flags: tuple[str, ...] = ()


class Point(Fed):
    """One receptacle and the run that feeds it."""

    __slots__ = ()


class Splice(Fed):
    """A joint without a receptacle where the cable forks, and the run that feeds it."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Doubt:
    """A test that looks wrong."""

    test: int
    probability: float
    why: str


@dataclass(frozen=True, slots=True)
class PoorJoint:
    """A run with more resistance than its plausible length explains.

    ``side`` is ``neutral`` or ``hot``; ``heat_w`` is ``amps**2`` times the excess.
    """

    run_to: str
    side: str
    probability: float
    excess_mohm: float
    excess_u_mohm: float
    heat_w: float | None


@dataclass(frozen=True, slots=True)
class Condition:
    """Something about the circuit besides its shape, with what to do about it.

    Attributes:
        name: One of ``CONDITIONS``.
        at: The receptacle it speaks of; ``None`` where it speaks of the circuit.
        probability: Of it, over all trees.
        why: What the tests show.
        what_to_do: What it means for the person and what to do.
        hazard: Somebody may be hurt by it.
        test, meant: Of ``misnamed``: the row, and the name that was meant.
    """

    name: str
    at: str | None
    probability: float
    why: str
    what_to_do: str
    hazard: bool = False
    test: int | None = None
    meant: str | None = None


CONDITIONS = (
    "ground-bonded",
    "no-ground",
    "not-on-circuit",
    "shared-neutral",
    "other-load",
    "sub-panel",
    "second-path",
    "misnamed",
    "restless-joint",
)


@dataclass(frozen=True, slots=True)
class Spur:
    """A receptacle that is not on the ring, and the run that feeds it."""

    name: str
    fed_from: str
    run_mohm: float


@dataclass(frozen=True, slots=True)
class Loop:
    """A second path: a run that closes a ring, more probable than any tree.

    Attributes:
        probability: That there is a second path.
        order: Points once round, from where the ring begins: receptacles, or ``SPLICE``.
        run_mohm: Runs once round; one value more than points.
        starts_at: Where the ring begins and ends: the panel, or the point nearest to it.
        spurs: Receptacles that are not on the ring.
        usual: Rings are the usual way to wire there, as stated.
    """

    probability: float
    order: tuple[str, ...]
    run_mohm: tuple[float, ...]
    starts_at: str = PANEL
    spurs: tuple[Spur, ...] = ()
    usual: bool = False

    def each_way_mohm(self) -> tuple[tuple[float, float], ...]:
        """For each point of ``order`` the resistance to the start one way and the other way."""
        whole, so_far, found = sum(self.run_mohm), 0.0, []
        for run in self.run_mohm[:-1]:
            so_far += run
            found.append((so_far, whole - so_far))
        return tuple(found)


@dataclass(frozen=True, slots=True)
class WiringMap:
    """Everything that the tests say, over all trees kept.

    Attributes:
        first: The receptacle right after the panel.
        settled: The whole order among receptacles has a probability of at least 0.95.
        order_probability: The probability of the most probable order (who feeds whom).
        points, splices: The most probable tree, parents before children.
        doubts: Tests that probably do not say what they seem to.
        poor_joints: Runs to look at, most probable first.
        unseparated: Groups of receptacles whose order the tests do not tell.
        untested: Receptacles that no test has touched.
        notes: Sentences about what breaks the model (a second path, another appliance, a ground
            bonded to neutral, a missing ground).
        loop: The ring or second path, where one is more probable than any tree.
        conditions: What is the matter with the circuit besides, most probable first.
        tests: Number of tests in the log.
        explained: Neither tests nor findings contradict every wiring weighed.
    """

    first: First
    settled: bool
    order_probability: float
    points: tuple[Point, ...]
    splices: tuple[Splice, ...]
    doubts: tuple[Doubt, ...]
    tests: int
    poor_joints: tuple[PoorJoint, ...] = ()
    unseparated: tuple[tuple[str, ...], ...] = ()
    untested: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    loop: Loop | None = None
    explained: bool = True
    conditions: tuple[Condition, ...] = ()


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
