"""Two tables for terminal and report: the check with the power off, and the drop at full load.

The check has steps, expectations, and what was found. Articles are quoted for who is entitled to do
the work; local code and licensed practice go first.

The voltage drop from the panel to each receptacle stands against recommended limits. The tests give
the neutral side. The hot side is taken to be the same, as in a cable whose two conductors are
alike: drop is current times twice the neutral resistance on the way. On a ring the current comes
both ways, so that the two count in parallel (IET Guidance Note 3).
"""

import json
import shlex
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from meterlink.answers.wirings import Expectation
from meterlink.circuit.circuit import Circuit
from meterlink.errors import JobError, UsageError
from meterlink.show.format import clean, display_width, pad, percent, wrap
from meterlink.show.layout import is_ring_drawn, names_on, places
from meterlink.testlog.findings import Cut, Finding
from meterlink.tree.isolation import belonging, elsewhere
from meterlink.tree.wiring import PANEL, Loop, Point, PointFlag, Splice, WiringMap

FIRST_OF_ALL = (
    "Local code, the site's own procedure and the licence of who does the work go before anything "
    "written here. Opening a device is no work for somebody unlicensed; the map is only a guess "
    "at what is behind the cover, never a proof that a conductor is dead."
)
MORE_CARE = (
    "Two circuits may share a box or a neutral: verify every conductor there, not only this "
    "circuit's. Both breakers of a multiwire circuit go off together (NEC 210.4(B)); its neutral "
    "must not be disconnected while either is on (NEC 300.13(B)). Leave the grounding conductors "
    "joined."
)
STEPS = (
    "For a person licensed for this work only. Switch the breaker off, lock it or tag it "
    "(OSHA 29 CFR 1910.333(b)(2)).",
    "Prove the tester on a source known to be live, verify that every conductor in the box is "
    "dead, prove the tester again (NFPA 70E, 120.5).",
    "Open {at}. Disconnect the incoming (line) from the outgoing (load) wires, and cap every "
    "conductor by itself.",
    "Close the box so that nothing bare can be touched, then switch the breaker on.",
    "With a plug-in tester look at each receptacle below; write down live or dead.",
    "Switch off and lock again, verify dead, remake the joints, close up, and test.",
)
TRIP_STEPS = (  # no box is opened; UL 943 devices are to be tested every month (from memory)
    "With the breaker on, press TEST on the device at {at}. It must click, and its own face must "
    "be dead.",
    "With a plug-in tester look at each receptacle below; write down live or dead. Nothing is "
    "opened, and what is dead is on its load terminals.",
    "Press RESET. A device that does not trip or does not reset has to be replaced.",
)
_HEADS = {
    Cut.DISCONNECTED: "To be found with the outgoing (load) wires at {at} disconnected:",
    Cut.TRIPPED: "To be found with the device at {at} tripped:",
    Cut.BREAKER_OFF: "To be found with this breaker off:",
    Cut.OTHERS_OFF: "To be found with every breaker off but this one:",
}


@dataclass(frozen=True, slots=True)
class Check:
    """Everything about one check.

    Attributes:
        at: The receptacle to open, or whose device is tripped.
        cut: Which of the two.
        expected: What should be found.
        wiring_map: What is known now, findings among it.
        findings: Everything found so far.
    """

    at: str
    cut: Cut
    expected: tuple[Expectation, ...]
    wiring_map: WiringMap
    findings: tuple[Finding, ...]

    @property
    def steps(self) -> tuple[str, ...]:
        """The steps in order."""
        steps = TRIP_STEPS if self.cut is Cut.TRIPPED else STEPS
        return tuple(step.replace("{at}", clean(self.at)) for step in steps)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What goes before the steps and after them."""
        return (FIRST_OF_ALL,) if self.cut is Cut.TRIPPED else (FIRST_OF_ALL, MORE_CARE)

    @property
    def head(self) -> str:
        """What the list of expectations is about."""
        return _HEADS[self.cut].replace("{at}", clean(self.at))


def check_text(check: Check, width: int, job: str) -> str:
    """Steps and expectations for somebody who stands at the panel."""
    at = clean(check.at)
    title = (
        f"Test of the device at {at}"
        if check.cut is Cut.TRIPPED
        else f"Check with the power off at {at}"
    )
    lines = [title, "", *wrap(FIRST_OF_ALL, width), ""]
    for i, step in enumerate(check.steps, 1):
        first, *rest = wrap(step, width - 3)
        lines += [f"{i}. {first}", *(f"   {line}" for line in rest)]
    for caution in check.cautions[1:]:
        lines += ["", *wrap(caution, width)]
    lines += ["", *wrap(check.head, width), *expected_lines(check.expected)]
    if example := next((e for e in check.expected if e.name != check.at), None):
        option = "--tripped-at" if check.cut is Cut.TRIPPED else "--at"
        found = f"--found-{example.state}"
        words = ("meterlink", "isolate", job, option, at, found, clean(example.name))
        lines += [
            "",
            "Write down what was found, for example:",
            f"  {shlex.join(words)}",
        ]
    return "\n".join([*lines, *_found_lines(check, width)])


def expected_lines(expected: Iterable[Expectation]) -> list[str]:
    """One line a receptacle."""
    each = list(expected)
    wide = max((display_width(clean(e.name)) for e in each), default=0)
    return [
        f"  {expected_word(e):6s}  {pad(clean(e.name), min(wide, 40))}  "
        f"{f'more likely {e.state}, ' if e.unsure else ''}{percent(e.probability)}"
        for e in each
    ]


def expected_word(expectation: Expectation) -> str:
    """Dead, live, or either where the tests say too little."""
    return "either" if expectation.unsure else expectation.state.value


def _found_lines(check: Check, width: int) -> list[str]:
    """What has been found so far, which receptacles belong, and what contradicts."""
    lines: list[str] = []
    if check.findings:
        lines += ["", "Found so far:"]
        lines += [f"  {finding_words(finding)}" for finding in check.findings]
    if here := belonging(check.findings):
        lines += ["", f"On this circuit: {', '.join(map(clean, here))}"]
    if away := elsewhere(check.findings):
        lines += ["", f"On another circuit: {', '.join(map(clean, away))}"]
    for note in check.wiring_map.notes:
        lines += ["", *wrap(clean(note), width)]
    return lines


def finding_words(finding: Finding) -> str:
    """One finding in words."""
    how = {
        Cut.DISCONNECTED: f"load wires at {clean(finding.at or '')} disconnected",
        Cut.TRIPPED: f"device at {clean(finding.at or '')} tripped",
        Cut.BREAKER_OFF: "this breaker off",
        Cut.OTHERS_OFF: "all other breakers off",
    }[finding.cut]
    return f"{clean(finding.receptacle)} {finding.state}, {how}"


def check_json(check: Check) -> str:
    """The check as one JSON object."""
    first = check.wiring_map.first
    return json.dumps(
        {
            "at": check.at,
            "cautions": list(check.cautions),
            "steps": list(check.steps),
            "expected": [
                {"name": e.name, "state": e.state.value, "probability": round(e.probability, 6)}
                for e in check.expected
            ],
            "findings": [
                {
                    "finding": f.number,
                    "time": f.time.isoformat(timespec="seconds"),
                    "cut": f.cut.value,
                    "at": f.at,
                    "receptacle": f.receptacle,
                    "found": f.state.value,
                    "note": f.note,
                }
                for f in check.findings
            ],
            "on_this_circuit": list(belonging(check.findings)),
            "on_another_circuit": list(elsewhere(check.findings)),
            "first": {"receptacle": first.receptacle, "probability": round(first.probability, 6)},
            "settled": check.wiring_map.settled,
            "notes": list(check.wiring_map.notes),
            "cut": check.cut.value,
        },
        indent=2,
        allow_nan=False,
    )


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
