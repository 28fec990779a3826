"""Where ground-fault devices go: a device protects itself and all that hangs on its load terminals.

A receptacle is protected by a device at X where X is at or upstream of it. So the fewest devices
for some receptacles are one for each home run that leads to one of them, and where a home run has
more than one place that will do, the one that does on most wirings is taken.
"""

from collections.abc import Collection
from dataclasses import dataclass
from functools import cache

import numpy as np

from meterlink.answers.wirings import PROBABLE, Wirings, has_bits
from meterlink.tree.trees import Flags, Floats, Masks
from meterlink.tree.wiring import PANEL


@dataclass(frozen=True, slots=True)
class Protected:
    """One receptacle that was asked for.

    Attributes:
        name: The receptacle.
        by: The device that protects it most probably.
        probability: That this device does.
        protected: That any of the devices does.
    """

    name: str
    by: str
    probability: float
    protected: float


@dataclass(frozen=True, slots=True)
class Protection:
    """What devices protect.

    Attributes:
        devices: Receptacles with a ground-fault device, or ``panel`` where only that will do.
        wanted: Receptacles asked for.
        covered: Probability that all of them are protected.
        covered_tested: Probability that all of them are that some test has touched.
        each: The ones that are more probably protected than not.
        not_covered: The others.
        settled: The answer is right with 95 % or more, every wanted receptacle tested.
        everything: All receptacles of the circuit are asked for.
        chosen: The devices were chosen here as the fewest; otherwise a person named them.
        redundant: Pairs of devices of which the second is probably protected by the first already.
        untested: Wanted receptacles that no test has touched.
        away: Receptacles asked for that are probably on another circuit.
        on_ring: Wanted receptacles that are fed from both sides, so that no device can be upstream.
        bonded: Wanted receptacles whose bonded ground makes any device upstream trip.
        explained: Nothing contradicts all the wirings that this rests on.
    """

    devices: tuple[str, ...]
    wanted: tuple[str, ...]
    covered: float
    covered_tested: float
    each: tuple[Protected, ...]
    not_covered: tuple[Protected, ...]
    settled: bool
    chosen: bool
    everything: bool = True
    redundant: tuple[tuple[str, str], ...] = ()
    untested: tuple[str, ...] = ()
    away: tuple[str, ...] = ()
    on_ring: tuple[str, ...] = ()
    bonded: tuple[str, ...] = ()
    explained: bool = True


def protect(wirings: Wirings, cover: Collection[str] = (), at: Collection[str] = ()) -> Protection:
    """The fewest devices that protect receptacles, or what devices at named places protect.

    Args:
        wirings: What the tests leave.
        cover: Receptacles to protect; all on this circuit where none is named.
        at: Where the devices are; the fewest are chosen where no place is named.
    """
    away = wirings.away()
    wanted = tuple(n for n in wirings.names if (n in cover if cover else n not in away))
    if not wanted:
        wanted = wirings.names
    devices = tuple(name for name in wirings.names if name in at) or _chosen(wirings, wanted)
    reach = _reach(wirings, devices)
    mask = wirings.bits(wanted)
    each = [_protected(wirings, name, devices, reach) for name in wanted]
    untested = tuple(name for name in wanted if name in wirings.untested)
    tested = tuple(name for name in wanted if name not in wirings.untested)
    right = float(wirings.probability @ _right(wirings, reach, devices, mask, chosen=not at))
    return Protection(
        devices=devices,
        wanted=wanted,
        covered=_covered(wirings, reach, wanted),
        covered_tested=_covered(wirings, reach, tested or wanted),
        each=tuple(item for item in each if item.protected >= PROBABLE),
        not_covered=tuple(item for item in each if item.protected < PROBABLE),
        settled=right >= wirings.assumptions.decisions.settled
        and wirings.explained
        and not untested,
        chosen=not at,
        everything=not cover,
        redundant=_redundant(wirings, devices),
        untested=untested,
        away=tuple(name for name in away if name in cover or not cover),
        on_ring=tuple(name for name in wanted if wirings.on_ring(name)),
        bonded=tuple(name for name in wanted if name in wirings.bonded),
        explained=wirings.explained,
    )


def fewest_devices(clades: Masks, probability: Floats, wanted: int) -> Masks:
    """For each wiring the fewest receptacles that all wanted ones are at or beyond, as bits.

    Where several will do, the one that does on the most probable wirings, of equals the one with
    fewest receptacles beyond it. So the label is the same wherever the same devices will do.

    Args:
        clades: What each receptacle feeds and itself, shape ``(K, n)``.
        probability: Of each wiring, shape ``(K,)``.
        wanted: Receptacles to protect, as bits.
    """
    n = clades.shape[1]
    size = probability @ np.bitwise_count(clades).astype(np.float64)

    @cache
    def ranked(part: int) -> tuple[int, ...]:
        share = (probability @ ((clades & part) == part)).round(3)
        return tuple(np.lexsort((size, -share)).tolist())

    roots = _roots(clades)
    found = np.zeros(len(clades), dtype=np.int64)
    for k, (row, is_root) in enumerate(zip(clades.tolist(), roots.tolist(), strict=True)):
        for i in range(n):
            part = row[i] & wanted
            if is_root[i] and part:
                found[k] |= 1 << next(c for c in ranked(part) if row[c] & part == part)
    return found


def _roots(clades: Masks) -> Flags:
    """Which receptacles no other one feeds, shape ``(K, n)``."""
    feeders = has_bits(clades, clades.shape[1]).sum(axis=1)
    roots: Flags = feeders == 1
    return roots


def tops(clades: Masks, wanted: Masks | int) -> Flags:
    """Receptacles that no other feeds and that feed something wanted, shape ``(K, n)``.

    As many devices as there are tops are needed, and at the tops they do.

    Args:
        clades: What each receptacle feeds and itself, shape ``(K, n)``.
        wanted: Receptacles to protect, as bits; the same for all, or shape ``(K, 1)``.
    """
    found: Flags = _roots(clades) & ((clades & wanted) != 0)
    return found


def _chosen(wirings: Wirings, wanted: tuple[str, ...]) -> tuple[str, ...]:
    """The fewest devices on the most probable wiring, or the panel where only that will do.

    What no test has touched has no place yet, so it has no say in where devices go, unless
    nothing else is asked for.
    """
    if any(wirings.on_ring(name) for name in wanted):
        return (PANEL,)
    tested = [name for name in wanted if name not in wirings.untested]
    labels = fewest_devices(wirings.clades, wirings.probability, wirings.bits(tested or wanted))
    return wirings.named(int(labels[wirings.best])) or wanted  # on another circuit: its own face


def _reach(wirings: Wirings, devices: tuple[str, ...]) -> Masks:
    """For each wiring the receptacles that any device protects, as bits, shape ``(K,)``."""
    reached = np.zeros(len(wirings.probability), dtype=np.int64)
    for name in devices:
        reached |= _beyond(wirings, name)
    return reached


def _beyond(wirings: Wirings, device: str) -> Masks:
    """What one device protects on each wiring, as bits, shape ``(K,)``.

    What is fed from both sides of a ring is not on the load terminals of anything; a device there
    protects its own face at most, and what hangs on it as a spur.
    """
    if device == PANEL:
        return wirings.on_circuit()
    return wirings.clades[:, wirings.names.index(device)]


def _covered(wirings: Wirings, reach: Masks, wanted: tuple[str, ...]) -> float:
    mask = wirings.bits(wanted)
    return min(1.0, float(wirings.probability @ ((reach & mask) == mask)))


def _right(
    wirings: Wirings, reach: Masks, devices: tuple[str, ...], wanted: int, *, chosen: bool
) -> Flags:
    """On which wirings the answer is right: all protected by no more than needed, or as stated."""
    if PANEL in devices:
        return wirings.closed
    if not chosen:
        share = wirings.probability @ has_bits(reach, len(wirings.names))
        stated = sum(1 << i for i, p in enumerate(share) if p >= PROBABLE)
        as_stated: Flags = (reach & wanted) == (stated & wanted)
        return as_stated
    needed = tops(wirings.clades, wanted).sum(axis=1)
    enough: Flags = ((reach & wanted) == wanted) & (needed >= len(devices))
    return enough


def _protected(wirings: Wirings, name: str, devices: tuple[str, ...], reach: Masks) -> Protected:
    """One receptacle with the device that protects it most probably, of equals the nearest."""
    index = wirings.names.index(name)
    shares = {}
    for device in devices:
        beyond = _beyond(wirings, device)
        size = float(wirings.probability @ np.bitwise_count(beyond))
        shares[device] = (float(wirings.probability @ (beyond >> index & 1)), -size)
    by = max(shares, key=lambda device: (round(shares[device][0], 6), shares[device][1]))
    anyhow = float(wirings.probability @ (reach >> index & 1))
    return Protected(name, by, min(shares[by][0], 1.0), min(anyhow, 1.0))


def _redundant(wirings: Wirings, devices: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    """Devices that hang on another one's load terminals."""
    if PANEL in devices:
        return ()
    pairs = [(upper, lower) for upper in devices for lower in devices if upper != lower]
    return tuple(
        (upper, lower)
        for upper, lower in pairs
        if wirings.probability @ (_beyond(wirings, upper) >> wirings.names.index(lower) & 1)
        >= PROBABLE
    )
