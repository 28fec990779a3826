"""Voltage drop from the panel to each receptacle at full load, against recommended limits.

The tests give the neutral side. The hot side is taken to be the same, as in a cable whose two
conductors are alike: drop is current times twice the neutral resistance on the way. On a ring the
current comes both ways, so that the two count in parallel (IET Guidance Note 3).
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from meterlink.circuit.circuit import Circuit
from meterlink.errors import JobError, UsageError
from meterlink.show.format import clean, display_width, pad, wrap
from meterlink.show.layout import is_ring_drawn, names_on, places
from meterlink.tree.wiring import PANEL, Loop, Point, PointFlag, Splice, WiringMap

_IEC_BELOW_HZ = 55.0
MOST_AMPS = 1000.0


@dataclass(frozen=True, slots=True)
class Limit:
    """A recommended limit of the voltage drop.

    Attributes:
        percent: Of the nominal voltage.
        scope: What it is meant for.
        source: Document and clause.
    """

    percent: float
    scope: str
    source: str


NFPA = (
    Limit(3.0, "branch circuit, to the farthest outlet", "NFPA 70, 210.19(A) informational note"),
    Limit(5.0, "feeder and branch circuit together", "NFPA 70, 210.19(A) informational note"),
)
IEC = (
    Limit(3.0, "lighting, public supply", "IEC 60364-5-52, Annex G; BS 7671, Table 4Ab"),
    Limit(5.0, "other uses, public supply", "IEC 60364-5-52, Annex G; BS 7671, Table 4Ab"),
)


@dataclass(frozen=True, slots=True)
class Drop:
    """Voltage drop at one receptacle with the load there.

    Attributes:
        name: The receptacle.
        loop_mohm: Resistance there and back, from the panel.
        volts, percent: The drop, and as a part of the nominal voltage.
        unmeasured: Points on the way whose run no test saw by itself; then the figures are what
            such runs usually have, and not to be relied on.
    """

    name: str
    loop_mohm: float
    volts: float
    percent: float
    unmeasured: tuple[str, ...] = ()


def limits(circuit: Circuit) -> tuple[Limit, ...]:
    """Recommendations of the circuit's part of the world: by 60 Hz, or else by wire in AWG."""
    if circuit.hertz is None:
        return NFPA if "awg" in (circuit.conductor or "").casefold() else IEC
    return IEC if 0 < circuit.hertz < _IEC_BELOW_HZ else NFPA


def full_load(circuit: Circuit) -> tuple[float, str] | None:
    """Amperes of the full load and what they are; ``None`` where neither figure is known."""
    if circuit.breaker_amps is not None:
        return circuit.breaker_amps, "rating of the breaker"
    if circuit.load_amps is not None:
        return circuit.load_amps, "load of the tests; the breaker's rating is not stated"
    return None


def ways(wiring_map: WiringMap) -> Mapping[str, tuple[Point | Splice, ...]]:
    """For each point the runs between it and the panel, its own first.

    Raises:
        ValueError: A point has no way to the panel.
    """
    every: tuple[Point | Splice, ...] = (*wiring_map.points, *wiring_map.splices)
    by_name = {point.name: point for point in every}
    found: dict[str, tuple[Point | Splice, ...]] = {}
    for point in every:
        way = [point]
        while way[-1].fed_from != PANEL:
            feed = by_name.get(way[-1].fed_from)
            if feed is None or len(way) > len(every):
                raise ValueError(f"no way from the panel to {point.name!r}")
            way.append(feed)
        found[point.name] = tuple(way)
    return found


def drops(wiring_map: WiringMap, circuit: Circuit) -> tuple[Drop, ...]:
    """Drop at every receptacle that tests have touched.

    Empty where volts or amperes are unknown, or where it is unknown how a ring is joined.

    The formula is the handbook's two-conductor one, ``2 * I * R`` (NFPA 70, Chapter 9, and the
    mV/A/m tables of BS 7671, Appendix 4, which hold the loop already).
    """
    load = full_load(circuit)
    if load is None or not circuit.volts:
        return ()
    loop = wiring_map.loop
    if loop is not None and not is_ring_drawn(wiring_map):
        return ()
    found = _of_tree(wiring_map) if loop is None else _of_ring(wiring_map, loop)
    return tuple(
        _drop(point.name, *found[point.name], load[0], circuit.volts)
        for point in wiring_map.points
        if point.name not in wiring_map.untested
    )


#: Resistance of one conductor from the panel, and the runs on the way that no test measured.
Way = tuple[float, tuple[str, ...]]


def _of_tree(wiring_map: WiringMap) -> Mapping[str, Way]:
    return {
        name: (sum(run.run_mohm for run in way), tuple(r.name for r in way if _is_unknown(r)))
        for name, way in ways(wiring_map).items()
    }


def _of_ring(wiring_map: WiringMap, loop: Loop) -> Mapping[str, Way]:
    """The same with a ring, parents before children: its points are fed from both sides."""
    both = dict(zip(names_on(loop), loop.each_way_mohm(), strict=True))
    found: dict[str, Way] = {PANEL: (0.0, ())}
    for point in (place.point for place in places(wiring_map) if not place.closes):
        if point is not None and point.name in both:
            one, other = both[point.name]
            start_mohm, unknown = found[loop.starts_at]
            found[point.name] = start_mohm + one * other / (one + other), unknown
        elif point is not None:
            mohm, unknown = found[point.fed_from]
            more = (point.name,) if _is_unknown(point) else ()
            found[point.name] = mohm + point.run_mohm, (*more, *unknown)
    return found


def _is_unknown(run: Point | Splice) -> bool:
    return PointFlag.RUN_UNKNOWN in run.flags


def _drop(
    name: str, mohm: float, unmeasured: tuple[str, ...], amps: float, nominal_volts: float
) -> Drop:
    volts = 2 * amps * mohm * 1e-3
    return Drop(name, 2 * mohm, volts, 100 * volts / nominal_volts, unmeasured)


def against(percent: float, known: tuple[Limit, ...]) -> str:
    """A drop against the recommended limits, in words."""
    kept = [limit.percent for limit in known if percent <= limit.percent]
    broken = [limit.percent for limit in known if percent > limit.percent]
    words = [f"above {max(broken):g} %"] if broken else []
    words += [f"within {min(kept):g} %"] if kept else []
    return ", ".join(words)


def drops_at(wiring_map: WiringMap, circuit: Circuit, amps: float) -> tuple[Drop, ...]:
    """Drop at every tested receptacle with a load of ``amps`` there.

    Raises:
        UsageError: No sensible current.
        JobError: The supply's volts are not stated, or it is unknown how a ring is joined.
    """
    if not 0 < amps <= MOST_AMPS:
        raise UsageError(f"--at-amps: {amps:g} A is no load; give more than 0, at most 1000.")
    if not circuit.volts:
        raise JobError(
            "The voltage drop in percent needs the supply's volts. Put volts = 120 (or what it is) "
            "into [supply] of job.toml."
        )
    if wiring_map.loop is not None and not is_ring_drawn(wiring_map):
        raise JobError(
            "There is probably a second path, so the current takes two ways and the drop is less "
            "than the tree says. Look at the map without --at-amps."
        )
    return drops(wiring_map, replace(circuit, breaker_amps=amps))


def drop_lines(wiring_map: WiringMap, circuit: Circuit, amps: float, width: int) -> list[str]:
    """A table with the limits and their sources below it."""
    found = drops_at(wiring_map, circuit, amps)
    known = limits(circuit)
    wide = min(40, max((display_width(clean(drop.name)) for drop in found), default=0))
    lines = ["", f"Voltage drop from the panel with {amps:g} A at the receptacle"]
    for drop in found:
        guess = "  (a run on the way is not measured)" if drop.unmeasured else ""
        lines.append(
            f"  {pad(clean(drop.name), wide)}  {drop.volts:6.2f} V  {drop.percent:5.2f} %  "
            f"{against(drop.percent, known)}{guess}"
        )
    below = [f"{limit.percent:g} %: {limit.scope} ({limit.source})" for limit in known]
    below.append("Recommendations; local code says what binds. Hot is taken to be like neutral.")
    lines += [f"  {line}" for text in below for line in wrap(text, width - 2)]
    return lines


def drop_mapping(wiring_map: WiringMap, circuit: Circuit, amps: float) -> Mapping[str, object]:
    """The same for ``map --json``, key ``voltage_drop``."""
    found = drops_at(wiring_map, circuit, amps)
    known = limits(circuit)
    return {
        "amps": amps,
        "nominal_v": circuit.volts,
        "limits": [
            {"percent": limit.percent, "scope": limit.scope, "source": limit.source}
            for limit in known
        ],
        "points": [
            {
                "name": drop.name,
                "drop_v": round(drop.volts, 4),
                "percent": round(drop.percent, 4),
                "within_percent": min(
                    (limit.percent for limit in known if drop.percent <= limit.percent),
                    default=None,
                ),
                "unmeasured": list(drop.unmeasured),
            }
            for drop in found
        ],
    }
