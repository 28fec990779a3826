"""Receptacles are dead or flicker: which box to open first, and what would tell more.

One break explains most such calls: a connection that has come loose at one end of a run, inside a
device that passes the feed on, or behind one receptacle alone; or a protective device that has
tripped. Each possible break on each wiring makes certain receptacles dead. Those that agree with
what was found share the probability; each counts for the box in which it is.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from meterlink.answers.wirings import Wirings, has_bits
from meterlink.assumptions import USUAL, Assumptions, Faults
from meterlink.tree.trees import Floats, Masks
from meterlink.tree.wiring import PANEL, PoorJoint

USUAL_WIRINGS, USUAL_SEED = 1500, 1  # drawn where nothing was tested
WORTH_TELLING_BITS = 0.05


@dataclass(frozen=True, slots=True)
class Box:
    """A box to open, with the probability that the break is in it."""

    name: str
    probability: float


@dataclass(frozen=True, slots=True)
class Question:
    """What tells most about the box, in expected bits.

    Attributes:
        bits: Expected information about the box.
        look_at: Whether this receptacle is dead or live; ``None`` where the order tells more.
        order_of: Which of these two comes first.
    """

    bits: float
    look_at: str | None = None
    order_of: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Fault:
    """Where the break may be.

    Attributes:
        dead, live: As stated.
        boxes: Best first; ``panel`` may be among them.
        last_live, first_dead: The two ends of the most probable place; ``None`` where the break is
            within one device.
        settled: That place has 95 % or more.
        place_probability: Of that place.
        explained: Probability that one break makes exactly these dead, over the wirings.
        tested: Some test or finding says something of the order; otherwise it is the usual one.
        question: What would tell most; ``None`` where nothing tells much.
        flickers: They flicker rather than stay dead.
        on_ring: Dead ones that are fed from both sides: one break does not make them dead.
    """

    dead: tuple[str, ...]
    live: tuple[str, ...]
    boxes: tuple[Box, ...]
    last_live: str | None
    first_dead: str | None
    settled: bool
    place_probability: float
    explained: float
    tested: bool
    question: Question | None
    flickers: bool = False
    on_ring: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Breaks:
    """Every possible break on every wiring: flat arrays of the same length.

    Attributes:
        wiring: Row of the wiring.
        dead: What the break makes dead, as bits.
        rate: How often there is such a break.
        place: The two ends of where it is, as numbers of boxes; equal within one box.
    """

    wiring: Masks
    dead: Masks
    rate: Floats
    place: Masks


def find_fault(
    wirings: Wirings,
    dead: Collection[str],
    *,
    live: Collection[str] = (),
    poor: Collection[PoorJoint] = (),
    tested: bool = True,
    flickers: bool = False,
) -> Fault:
    """The boxes to open, best first.

    Args:
        wirings: What the tests leave; not used where nothing was tested.
        dead: Receptacles that are dead or flicker, at least one.
        live: Receptacles that were looked at and work; others are taken to work, less surely.
        poor: Suspected poor connections.
        tested: Whether some test or finding says something of the order.
        flickers: They flicker rather than stay dead.
    """
    if not tested:
        wirings = usual_wirings(wirings.names, wirings.assumptions)
    breaks, boxes = _breaks(wirings, _poor_runs(wirings, poor, flickers=flickers))
    agree = _agreement(breaks.dead, wirings, dead, live)
    total = np.bincount(breaks.wiring, breaks.rate, len(wirings.probability))
    weight = (wirings.probability / total)[breaks.wiring] * breaks.rate * agree
    weight /= weight.sum()
    share = 0.5 * (
        np.bincount(breaks.place[:, 0], weight, len(boxes))
        + np.bincount(breaks.place[:, 1], weight, len(boxes))
    )
    exact = breaks.dead == wirings.bits(tuple(dead))
    ends, at = np.unique(breaks.place, axis=0, return_inverse=True)
    places = np.bincount(at.reshape(-1), weight)
    upper, lower = (boxes[int(i)] for i in ends[int(places.argmax())])
    ranked = sorted(range(len(boxes)), key=lambda i: (-round(float(share[i]), 9), i))
    return Fault(
        dead=tuple(name for name in wirings.names if name in dead),
        live=tuple(name for name in wirings.names if name in live),
        boxes=tuple(Box(boxes[i], float(share[i])) for i in ranked if share[i] > 1e-4),
        last_live=None if upper == lower else upper,
        first_dead=lower,
        settled=bool(places.max() >= wirings.assumptions.decisions.settled)
        and tested
        and wirings.explained,
        place_probability=float(places.max()),
        explained=float(weight[exact].sum()),
        tested=tested,
        question=_question(wirings, breaks, weight, len(boxes), dead, live),
        flickers=flickers,
        on_ring=tuple(name for name in wirings.names if name in dead and wirings.on_ring(name)),
    )


def usual_wirings(names: tuple[str, ...], assumptions: Assumptions = USUAL) -> Wirings:
    """What is usual where nothing was tested: mostly chains, half of them as listed."""
    rng, faults = np.random.default_rng(USUAL_SEED), assumptions.faults
    n = len(names)
    clades = np.zeros((USUAL_WIRINGS, n), dtype=np.int64)
    for row in clades:
        listed = rng.random() < faults.listed_in_order
        order = list(range(n)) if listed else rng.permutation(n).tolist()
        parent: dict[int, int] = {}
        for k, i in enumerate(order):
            draw = rng.random()
            if k and draw >= faults.next_on_panel:
                on_last = draw < faults.next_on_panel + faults.next_on_last
                parent[i] = order[k - 1] if on_last else order[int(rng.integers(k))]
            row[i] |= 1 << i
            feeder = i
            while (feeder := parent.get(feeder, -1)) >= 0:
                row[feeder] |= 1 << i
    return Wirings(
        names=names,
        probability=np.full(USUAL_WIRINGS, 1 / USUAL_WIRINGS),
        masks=clades,
        ring_runs=np.zeros(clades.shape, dtype=bool),
        clades=clades,
        closed=np.zeros(USUAL_WIRINGS, dtype=bool),
        best=0,
        untested=frozenset(names),
        assumptions=assumptions,
    )


def fault_places(clades: Masks, dead: int) -> Masks:
    """For each wiring a label of where one break best explains what is dead, shape ``(K,)``.

    The label tells the run whose far side is nearest to what is dead, by its two ends.

    Args:
        clades: What each receptacle feeds and itself, shape ``(K, n)``.
        dead: Receptacles that are dead, as bits.
    """
    n = clades.shape[1]
    wrong = np.bitwise_count(clades ^ np.int64(dead)).astype(np.int64)
    first = wrong.argmin(axis=1)
    above = has_bits(clades, n)[np.arange(len(clades)), :, first]  # who feeds the first dead one
    above[np.arange(len(clades)), first] = False
    size = np.where(above, np.bitwise_count(clades), np.iinfo(np.int64).max)
    last = np.where(above.any(axis=1), size.argmin(axis=1), n)
    label: Masks = first.astype(np.int64) * (n + 1) + last
    return label


def _poor_runs(
    wirings: Wirings, poor: Collection[PoorJoint], *, flickers: bool
) -> Mapping[int, float]:
    """How much more often a run breaks that probably has a poor connection, by its mask."""
    assumed = wirings.assumptions.faults
    times = assumed.poor_times_flicker if flickers else assumed.poor_times
    own = wirings.clades[wirings.best]
    found: dict[int, float] = {}
    for joint in poor:
        if joint.run_to in wirings.names:
            mask = int(own[wirings.names.index(joint.run_to)])
            found[mask] = found.get(mask, 1.0) + joint.probability * times
    return found


class _Boxes:
    """Numbers of boxes: receptacles first, then the panel, then hidden splices as they are met."""

    def __init__(self, wirings: Wirings) -> None:
        self.names = [*wirings.names, PANEL]
        self._wirings = wirings
        self._splices: dict[int, int] = {}

    def ends(self, wiring: int, run: int) -> tuple[int, int]:
        """The boxes at the two ends of a run, the nearer one first."""
        above = [m for m in self._wirings.masks[wiring].tolist() if m != run and m & run == run]
        nearer = self._far_end(wiring, min(above)) if above else len(self._wirings.names)
        return nearer, self._far_end(wiring, run)

    def _far_end(self, wiring: int, run: int) -> int:
        own: list[int] = self._wirings.clades[wiring].tolist()
        if run in own:
            return own.index(run)
        if run not in self._splices:
            self._splices[run] = len(self.names)
            fed = ", ".join(self._wirings.named(run))
            self.names.append(f"a splice that feeds {fed}")
        return self._splices[run]


def _breaks(wirings: Wirings, poor: Mapping[int, float]) -> tuple[_Breaks, list[str]]:
    """Every break on every wiring, and the names of the boxes."""
    boxes = _Boxes(wirings)
    faults = wirings.assumptions.faults
    parts = list(_device_breaks(wirings.clades, faults))
    for runs, in_ring in zip(wirings.masks.T, wirings.ring_runs.T, strict=True):
        there = np.flatnonzero((runs != 0) & ~in_ring)
        found = runs[there].tolist()
        rate = np.array([poor.get(run, 1.0) for run in found]) * 2 * faults.joint
        ends = [boxes.ends(k, run) for k, run in zip(there.tolist(), found, strict=True)]
        parts.append((there, runs[there], rate, np.array(ends, dtype=np.int64).reshape(-1, 2)))
    wiring, dead, rates, places = (np.concatenate(column) for column in zip(*parts, strict=True))
    return _Breaks(wiring, dead, rates, places), boxes.names


def _device_breaks(clades: Masks, faults: Faults) -> Iterator[tuple[Masks, Masks, Floats, Masks]]:
    """Breaks within one box: on the way through, its own contacts, tripped; and the breaker."""
    rows, n = np.arange(len(clades)), clades.shape[1]
    for i in range(n):
        place = np.full((len(rows), 2), i)
        bit = np.int64(1) << np.int64(i)
        onward = clades[:, i] & ~bit
        yield rows, onward, np.where(onward != 0, faults.through_device, 0.0), place
        yield rows, np.full(len(rows), bit), np.full(len(rows), faults.one_device), place
        yield rows, clades[:, i], np.full(len(rows), faults.tripped), place
    everything = np.full(len(rows), (np.int64(1) << np.int64(n)) - 1)  # the breaker
    yield rows, everything, np.full(len(rows), faults.breaker), np.full((len(rows), 2), n)


def _agreement(
    made_dead: Masks, wirings: Wirings, dead: Collection[str], live: Collection[str]
) -> Floats:
    """Probability of what was found, for each break."""
    faults, said = wirings.assumptions.faults, wirings.bits(tuple(dead))
    works = wirings.bits(tuple(live)) & ~said
    rest = wirings.all_bits & ~said & ~works

    def among(mask: int) -> Floats:
        count: Floats = np.bitwise_count(made_dead & np.int64(mask)).astype(np.float64)
        return count

    missed = said.bit_count() - among(said)
    wrongly = missed + among(works)
    rightly = among(said) + works.bit_count() - among(works)
    result: Floats = (
        faults.wrong_dead**wrongly
        * (1 - faults.wrong_dead) ** rightly
        * faults.not_looked ** among(rest)
        * (1 - faults.not_looked) ** (rest.bit_count() - among(rest))
    )
    return result


def _question(
    wirings: Wirings,
    breaks: _Breaks,
    weight: Floats,
    boxes: int,
    dead: Collection[str],
    live: Collection[str],
) -> Question | None:
    """The look, or the pair of receptacles whose order, that tells most about the box."""
    n = len(wirings.names)
    found: list[Question] = []
    is_dead = has_bits(breaks.dead, n)
    for i, name in enumerate(wirings.names):
        if name in dead or name in live:
            continue
        is_out = is_dead[:, i]
        by_state = [_by_box(breaks, weight * which, boxes) for which in (is_out, ~is_out)]
        found.append(Question(_told(by_state), name))
    share = np.zeros((len(wirings.probability), boxes))
    for column in (0, 1):
        np.add.at(share, (breaks.wiring, breaks.place[:, column]), weight / 2)
    feeds = has_bits(wirings.clades, n)
    for i, j in combinations(range(n), 2):
        upper, lower = feeds[:, i, j], feeds[:, j, i]
        by_order: list[Floats] = [which @ share for which in (upper, lower, ~upper & ~lower)]
        found.append(Question(_told(by_order), order_of=(wirings.names[i], wirings.names[j])))
    best = max(found, key=lambda question: question.bits, default=None)
    return best if best is not None and best.bits >= WORTH_TELLING_BITS else None


def _by_box(breaks: _Breaks, weight: Floats, boxes: int) -> Floats:
    """Weight of each box, half of each break at each of its ends."""
    ends = [np.bincount(breaks.place[:, column], weight / 2, boxes) for column in (0, 1)]
    result: Floats = np.sum(ends, axis=0, dtype=np.float64)
    return result


def _told(by_state: list[Floats]) -> float:
    """Mutual information between a state and the box, bits."""
    joint = np.array(by_state)
    apart = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    there = joint > 0
    return float((joint[there] * np.log2(joint[there] / apart[there])).sum())
