"""What the tests so far say, and which test is worth most now."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup
from meterlink.errors import UsageError
from meterlink.plan.next_test import Goal, is_settled, next_test
from meterlink.show.layout import MapRow, map_rows
from meterlink.show.sentences import first_sentence, order_sentence
from meterlink.testlog.findings import Finding
from meterlink.testlog.rows import TestRow
from meterlink.tree.infer import infer
from meterlink.tree.resolve import map_of
from meterlink.tree.wiring import WiringMap


@dataclass(frozen=True, slots=True)
class Outlook:
    """Where the visit stands after a test.

    Attributes:
        settled: What the person wants to know is known well enough to stop.
        certainty: How sure that is, one sentence.
        map_rows: The map so far, for a view.
        wiring_map: The map so far.
        setup: The test that is worth most now; ``None`` where none is possible.
        why: Why that one, or why none.
    """

    settled: bool
    certainty: str = ""
    map_rows: tuple[MapRow, ...] = ()
    wiring_map: WiringMap | None = None
    setup: Setup | None = None
    why: str = ""


def look_ahead(
    circuit: Circuit,
    rows: Sequence[TestRow],
    findings: Sequence[Finding] = (),
    *,
    last: Setup | None = None,
    goal: Goal = Goal.ORDER,
    not_now: Collection[str] = (),
) -> Outlook:
    """Resolve the tests and choose the next one.

    Args:
        circuit: What is known of it.
        rows: The log.
        findings: What was found with the power off.
        last: Where leads and load are now.
        goal: Order of all, or the first only.
        not_now: Receptacles that cannot be got at.

    Raises:
        UsageError: A row names a receptacle that the circuit does not have.
    """
    posterior = infer(circuit, rows, findings=findings)
    wiring_map = map_of(posterior, rows)
    settled = wiring_map.settled if goal is Goal.ORDER else is_settled(posterior, goal)
    sentence = order_sentence if goal is Goal.ORDER else first_sentence
    setup, why = None, ""
    try:
        test = next_test(
            posterior,
            last=last,
            done=[row.setup for row in rows],
            goal=goal,
            not_now=not_now,
        )
        setup, why = test.setup, test.why
    except UsageError as error:
        why = str(error)
    return Outlook(
        settled=settled and bool(rows),
        certainty=sentence(wiring_map),
        map_rows=map_rows(wiring_map),
        wiring_map=wiring_map,
        setup=setup,
        why=why,
    )
