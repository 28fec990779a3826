"""The label for the panel door: breaker, protection, first receptacle, order, date."""

from collections.abc import Iterator, Sequence

from meterlink.answers.protection import Protection
from meterlink.circuit.circuit import Circuit
from meterlink.show.format import LIKELY_FROM, NBSP
from meterlink.show.layout import places
from meterlink.show.sentences import first_sentence, named, order_sentence, protection_sentences
from meterlink.show.text_width import clean, isolated, wrap
from meterlink.testlog.rows import TestRow
from meterlink.tree.wiring import WiringMap

WIDTH = 44  # cells; a label of 90 mm in 9 point type


def label_text(
    circuit: Circuit,
    rows: Sequence[TestRow],
    wiring_map: WiringMap,
    protection: Protection | None = None,
    *,
    width: int = WIDTH,
) -> str:
    """Write the label; the way from the panel runs down, branches are set in.

    Args:
        circuit: Name, breaker, supply and wire.
        rows: The test log, for the date of the last test.
        wiring_map: What the tests say.
        protection: Where ground-fault devices go.
        width: Cells in a line, at least 20.
    """
    lines = [
        indent + isolated(line).replace(NBSP, " ")
        for indent, text in label_parts(circuit, rows, wiring_map, protection)
        for line in wrap(text, width - len(indent))
    ]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def label_parts(
    circuit: Circuit,
    rows: Sequence[TestRow],
    wiring_map: WiringMap,
    protection: Protection | None = None,
) -> Iterator[tuple[str, str]]:
    """Indents and texts, one each line; the first is the heading."""
    number = f"Breaker {clean(circuit.breaker)}: " if circuit.breaker else ""
    yield "", number + clean(circuit.name)
    supply = [
        f"{value:g} {unit}"
        for value, unit in ((circuit.breaker_amps, "A"), (circuit.volts, "V"))
        if value is not None
    ]
    if circuit.conductor:
        supply.append(clean(circuit.conductor))
    if supply:
        yield "", ", ".join(supply)
    if protection is not None:
        for sentence in protection_sentences(protection, wiring_map.tests):
            yield "", sentence
    yield "", first_sentence(wiring_map)
    for place in places(wiring_map):
        indent = "  " * place.lane
        name = "panel" if place.point is None else clean(place.point.name)
        yield (f"{indent[:-2]}> " if place.branches else indent), name
    yield "", order_sentence(wiring_map)
    for joint in wiring_map.poor_joints:
        if joint.probability >= LIKELY_FROM:
            yield "", f"Poor connection likely: run to {named(joint.run_to)}, {joint.side} side"
    if rows:
        yield "", f"Last test {max(row.time for row in rows).date().isoformat()}"
