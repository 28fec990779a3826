"""What the tests so far say, and which test is worth most now."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from meterlink.answers.protection import Protection, protect
from meterlink.answers.wirings import Known, Wirings, expectations, place_to_open
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup
from meterlink.errors import UsageError
from meterlink.plan.experience import Experience
from meterlink.plan.forecast import as_tests, forecast, particles_of
from meterlink.plan.next_test import is_settled, next_test
from meterlink.plan.questions import Goal, Question
from meterlink.show.answers_text import protection_sentences
from meterlink.show.format import POSSIBLE_FROM
from meterlink.show.layout import MapRow, map_rows
from meterlink.show.sentences import (
    condition_sentence,
    doubt_sentence,
    first_sentence,
    joint_sentence,
    loop_sentence,
    named,
    names_listed,
    order_sentence,
    other_notes,
)
from meterlink.testlog.columns import TestRow
from meterlink.testlog.findings import Finding, State
from meterlink.tree.infer import Posterior, infer
from meterlink.tree.resolve import map_of
from meterlink.tree.wiring import Condition, PoorJoint, WiringMap
from meterlink.visit.view import Answer

EXPECTING_TREES = 60
LEAST_WEIGHT = 0.002  # of a tree that what is typed is compared with
SPREADS = 4.0  # standard deviations about each tree's forecast


@dataclass(frozen=True, slots=True)
class Outlook:
    """Where the visit stands after a test.

    Attributes:
        settled: What the person wants to know is known well enough to stop.
        certainty: How sure that is, one sentence.
        map_rows: The map so far, for a view.
        wiring_map: The map so far.
        protection: Where ground-fault devices go, by the map so far.
        setup: The test that is worth most now; ``None`` where none is possible.
        why: Why that one, or why none.
        answer: What the tests come to, in sentences.
        known: What the log says, for reports and other questions.
        cycles: How often the load is to be switched on and off in that test.
        expected: What the log lets that test show: bounds of its drop in mV, or of its ohms;
            ``None`` where they were not asked for.
    """

    settled: bool
    certainty: str = ""
    map_rows: tuple[MapRow, ...] = ()
    wiring_map: WiringMap | None = None
    protection: Protection | None = None
    setup: Setup | None = None
    why: str = ""
    answer: Answer | None = None
    known: Known | None = None
    cycles: int = 1
    expected: tuple[float, float] | None = None


def look_ahead(
    circuit: Circuit,
    rows: Sequence[TestRow],
    findings: Sequence[Finding] = (),
    *,
    last: Setup | None = None,
    question: Question = Question(),
    not_now: Collection[str] = (),
    is_typed: bool = False,
    hookups: Collection[Hookup] | None = None,
    side: str = "neutral",
) -> Outlook:
    """Resolve the tests and choose the next one.

    Args:
        circuit: What is known of it.
        rows: The log.
        findings: What was found with the power off.
        last: Where leads and load are now.
        question: What the person wants to know.
        not_now: Receptacles that cannot be reached.
        is_typed: Readings are typed: work out as well what the next one can be.
        hookups: Those that can be done; by default all that the circuit allows.
        side: Conductor to measure on the dead circuit.

    Raises:
        UsageError: A row names a receptacle that the circuit does not have.
    """
    posterior = infer(circuit, rows, findings=findings)
    wiring_map = map_of(posterior, rows)
    wirings = Wirings.of(posterior, wiring_map)
    protection = protect(wirings)
    is_order = question.goal is Goal.ORDER
    settled = wiring_map.settled if is_order else is_settled(posterior, question=question)
    setup, why, cycles = None, "", 1
    try:
        test = next_test(
            posterior,
            last=last,
            done=[row.setup for row in rows],
            question=question,
            not_now=not_now,
            hookups=hookups,
            side=side,
        )
        setup, why, cycles = test.setup, " ".join((test.why, *test.advice)), test.cycles
    except UsageError as error:
        why = str(error)
    return Outlook(
        settled=settled and bool(rows),
        certainty=_certainty(question.goal, wiring_map, protection),
        map_rows=map_rows(wiring_map),
        wiring_map=wiring_map,
        protection=protection,
        setup=setup,
        why=why,
        answer=answer_of(wiring_map, wirings, protection),
        known=Known(wiring_map, wirings),
        cycles=cycles,
        expected=_expected(posterior, setup) if is_typed and setup and rows else None,
    )


def _certainty(goal: Goal, wiring_map: WiringMap, protection: Protection) -> str:
    """How sure the answer to the question is, one sentence."""
    if goal is Goal.FIRST:
        return first_sentence(wiring_map)
    if goal is Goal.PROTECT and wiring_map.tests:
        return protection_sentences(protection, wiring_map.tests)[0]
    return order_sentence(wiring_map)


def answer_of(wiring_map: WiringMap, wirings: Wirings, protection: Protection) -> Answer:
    """What the tests come to, in sentences: the protection first."""
    headline, *more = protection_sentences(protection, wiring_map.tests)
    loop = (loop_sentence(wiring_map.loop),) if wiring_map.loop else ()
    conditions = [
        *map(condition_sentence, wiring_map.conditions),
        *other_notes(wiring_map),
        *loop,
    ]
    return Answer(
        headline=headline,
        certainty=". ".join([*more, first_sentence(wiring_map), order_sentence(wiring_map)]),
        check=_check(wirings),
        conditions=tuple(conditions),
        joints=tuple(joint_sentence(joint) for joint in wiring_map.poor_joints),
        doubts=tuple(doubt_sentence(doubt) for doubt in wiring_map.doubts),
        unlikely=(
            *(condition_sentence(one) for one in wiring_map.conditions if _is_unlikely(one)),
            *(joint_sentence(one) for one in wiring_map.poor_joints if _is_unlikely(one)),
        ),
    )


def _is_unlikely(one: Condition | PoorJoint) -> bool:
    """Whether it is less probable than what is called possible."""
    return one.probability < POSSIBLE_FROM


def _check(wirings: Wirings) -> tuple[str, ...]:
    """How to see with the power off that the answer holds."""
    if len(wirings.names) < 2:
        return ()
    at = place_to_open(wirings)
    sure = [one for one in expectations(wirings, at=at) if not one.unsure]
    dead = [one.name for one in sure if one.state is State.DEAD]
    live = [one.name for one in sure if one.state is State.LIVE]
    told = [f"{names_listed(dead)} must be dead"] if dead else []
    told += [f"{names_listed(live)} must be live"] if live else []
    return (
        f"Breaker off and verified dead: disconnect the incoming (line) from the outgoing (load) "
        f"wires at {named(at)}, cap them apart, breaker on: {', '.join(told) or 'look at each'}.",
        "A licensed person does this work; local code goes first.",
    )


def _expected(posterior: Posterior, setup: Setup) -> tuple[float, float]:
    """Lowest and highest drop that the trees still in play let a test show, in mV."""
    particles = particles_of(posterior, EXPECTING_TREES)
    shown = Experience.of(posterior.circuit, posterior.rows, posterior.assumptions).u_mv(setup)
    found = forecast(posterior, particles, as_tests(posterior, [setup]), [shown])
    counts = particles.weight > LEAST_WEIGHT
    spread = SPREADS * found.sd[counts, 0]
    means = found.mean[counts, 0]
    return float((means - spread).min()), float((means + spread).max())
