"""Voltage drop at a chosen load for every receptacle, in the terminal and as JSON.

Limits are recommendations and come with the document that says so; which of them binds is for
local code to say. The hot side is taken to be like the neutral (``voltage_drop``).
"""

from collections.abc import Mapping
from dataclasses import replace

from meterlink.circuit.circuit import Circuit
from meterlink.errors import JobError, UsageError
from meterlink.show.text_width import clean, display_width, pad, wrap
from meterlink.show.voltage_drop import Drop, against, drops, limits
from meterlink.tree.wiring import WiringMap

MOST_AMPS = 1000.0


def drops_at(wiring_map: WiringMap, circuit: Circuit, amps: float) -> tuple[Drop, ...]:
    """Drop at every tested receptacle with a load of ``amps`` there.

    Raises:
        UsageError: No sensible current.
        JobError: The supply's volts are not stated, or a second path makes the tree's ways wrong.
    """
    if not 0 < amps <= MOST_AMPS:
        raise UsageError(f"--at-amps: {amps:g} A is no load; give more than 0, at most 1000.")
    if not circuit.volts:
        raise JobError(
            "The voltage drop in percent needs the supply's volts. Put volts = 120 (or what it is) "
            "into [supply] of job.toml."
        )
    if wiring_map.loop is not None:
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
