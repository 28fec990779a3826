"""A few lines for the panel door: the circuit, the first receptacle, the order."""

from collections.abc import Iterator, Sequence

from meterlink.circuit.circuit import Circuit
from meterlink.show.findings import first_sentence, order_sentence
from meterlink.show.layout import places
from meterlink.show.text_width import clean, isolated, wrap
from meterlink.show.words import NBSP
from meterlink.testlog.rows import TestRow
from meterlink.tree.wiring import WiringMap

WIDTH = 44  # cells; a label of 90 mm in 9 point type


def label_text(
    circuit: Circuit, rows: Sequence[TestRow], wiring_map: WiringMap, *, width: int = WIDTH
) -> str:
    """Write the label; the way from the panel runs down, branches are set in.

    Args:
        circuit: Name, supply, breaker and wire.
        rows: The test log, for the date of the last test.
        wiring_map: What the tests say.
        width: Cells in a line, at least 20.
    """
    lines = [
        indent + isolated(line).replace(NBSP, " ")
        for indent, text in _texts(circuit, rows, wiring_map)
        for line in wrap(text, width - len(indent))
    ]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _texts(
    circuit: Circuit, rows: Sequence[TestRow], wiring_map: WiringMap
) -> Iterator[tuple[str, str]]:
    """Indents and texts."""
    yield "", clean(circuit.name)
    supply = [
        f"{value:g} {unit}"
        for value, unit in ((circuit.breaker_amps, "A"), (circuit.volts, "V"))
        if value is not None
    ]
    if circuit.conductor:
        supply.append(clean(circuit.conductor))
    if supply:
        yield "", ", ".join(supply)
    yield "", first_sentence(wiring_map)
    for place in places(wiring_map):
        indent = "  " * place.lane
        name = "panel" if place.point is None else clean(place.point.name)
        yield (f"{indent[:-2]}> " if place.branches else indent), name
    yield "", order_sentence(wiring_map)
    for joint in wiring_map.poor_joints:
        yield "", f"Poor joint suspected: run to {clean(joint.run_to)}, {joint.side} side"
    if rows:
        yield "", f"Last test {max(row.time for row in rows).date().isoformat()}"
