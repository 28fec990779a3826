"""``meterlink next``: the test that is worth most now."""

import json
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.errors import UsageError

if TYPE_CHECKING:
    from meterlink.circuit.circuit import Circuit
    from meterlink.circuit.setup import Setup
    from meterlink.plan.next_test import NextTest

HOOKUPS = ("neutral-neutral", "neutral-ground", "line-drop", "path-resistance", "loop-resistance")
GOALS = ("order", "first", "protect", "fault", "joints")


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option(
    "--goal",
    type=click.Choice(GOALS),
    default="order",
    help="What you want to know: the whole order, the receptacle right after the panel, where "
    "ground-fault devices go, which box to open, or poor connections.",
)
@click.option(
    "--cover", multiple=True, metavar="NAME", help="With --goal protect: a receptacle to protect."
)
@click.option(
    "--dead", multiple=True, metavar="NAME", help="With --goal fault: a receptacle that is dead."
)
@click.option(
    "--not-now", multiple=True, metavar="NAME", help="A receptacle that is not accessible; repeat."
)
@click.option(
    "--with",
    "hookups",
    multiple=True,
    type=click.Choice(HOOKUPS),
    help="A hookup that can be done; repeat. Default: all that the circuit allows.",
)
@click.option(
    "--one-place",
    is_flag=True,
    help="The load is where the leads are: a circuit tester that loads what it is plugged into.",
)
@click.option(
    "--hookup",
    type=click.Choice(HOOKUPS[:-1]),
    help="Weigh a test of your own instead: its hookup,",
)
@click.option("--lead-a", metavar="NAME", help="the receptacle of its first lead,")
@click.option("--lead-b", metavar="NAME", help="of its second lead,")
@click.option("--load-at", metavar="NAME", help="and of the load.")
@click.option(
    "--side",
    type=click.Choice(["neutral", "hot", "ground"]),
    default="neutral",
    show_default=True,
    help="Conductor to measure on the dead circuit.",
)
@click.option(
    "--step-ohms",
    type=click.FloatRange(min=0, min_open=True),
    metavar="OHM",
    help="Last digit of your ohmmeter: says whether it can tell the runs apart.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    job: Path,
    *,
    goal: str,
    cover: tuple[str, ...],
    dead: tuple[str, ...],
    not_now: tuple[str, ...],
    hookups: tuple[str, ...],
    one_place: bool,
    hookup: str | None,
    lead_a: str | None,
    lead_b: str | None,
    load_at: str | None,
    side: str,
    step_ohms: float | None,
    as_json: bool,
) -> None:
    r"""Say which test tells most for its effort, and why; or what a test of your own would tell.

    \b
    Examples:
      meterlink next upstairs
      meterlink next upstairs --goal first --not-now Attic
      meterlink next upstairs --goal protect --cover Sink --cover Porch
      meterlink next upstairs --with neutral-neutral
      meterlink next upstairs --hookup neutral-ground --lead-a Desk --load-at Bed
    """
    from meterlink.circuit.setup import Hookup
    from meterlink.commands.job_input import findings_of, job_from, remark, rows_of
    from meterlink.plan.next_test import next_test, worth_of
    from meterlink.plan.questions import Goal, Question
    from meterlink.testlog.rows import coarse_step
    from meterlink.tree.infer import infer
    from meterlink.visit.keyboard import place

    opened = job_from(job)
    if step_ohms is not None and (coarse := coarse_step(step_ohms, opened.circuit)):
        remark(coarse)
    not_now, cover, dead = (
        tuple(place(name, opened.circuit.receptacles) for name in names)
        for names in (not_now, cover, dead)
    )
    question = Question(Goal(goal), cover, dead)
    rows = rows_of(opened) if opened.log_path.exists() else []
    posterior = infer(opened.circuit, rows, findings=findings_of(opened))
    last = rows[-1].setup if rows else None
    own = _own_setup(opened.circuit, hookup, lead_a, lead_b, load_at, side)
    if own is not None:
        answer = worth_of(posterior, own, last=last, question=question)
    else:
        answer = next_test(
            posterior,
            last=last,
            question=question,
            not_now=not_now,
            hookups=[Hookup(name) for name in hookups] or None,
            one_place=one_place,
            side=side,
        )
    if as_json:
        click.echo(_as_json(answer))
        return
    only_order = len(opened.circuit.receptacles) == 1 and not rows
    for line in _in_words(answer, job, is_own=own is not None, only_order=only_order):
        click.echo(line)


def _own_setup(
    circuit: "Circuit",
    hookup: str | None,
    lead_a: str | None,
    lead_b: str | None,
    load_at: str | None,
    side: str,
) -> "Setup | None":
    """The test that a person wants weighed; ``None`` where none is named."""
    from meterlink.circuit.circuit import LoadKind
    from meterlink.circuit.setup import Hookup, made_setup
    from meterlink.visit.keyboard import place

    if not (hookup or lead_a or lead_b or load_at):
        return None
    if hookup is None or lead_a is None or (load_at is None and not Hookup(hookup).ohms):
        raise UsageError("A test of your own needs --hookup, --lead-a and --load-at.")
    a, b, load = (name and place(name, circuit.receptacles) for name in (lead_a, lead_b, load_at))
    how, direct = Hookup(hookup), circuit.load_kind is LoadKind.DIRECT_SOURCE
    conductor = side if how.has_lead_b and (how.ohms or direct) else None
    return made_setup(how, a or "", b, load, side=conductor, direct=direct)


def _in_words(answer: "NextTest", job: Path, *, is_own: bool, only_order: bool) -> Iterator[str]:
    """What to do, why, and what to type; ``only_order``: one receptacle, nothing tested."""
    from meterlink.plan.instructions import instruction

    if answer.settled and not is_own:
        yield (
            "There is only one order; nothing was tested yet. A test that would confirm it:"
            if only_order
            else "Settled: no more tests are needed. One that would confirm it:"
        )
    yield instruction(answer.setup, answer.cycles)
    if not answer.settled or is_own:
        yield answer.why
    yield from answer.advice
    yield f"Then: {_to_type(job, answer.setup)}"


def _to_type(job: Path, setup: "Setup") -> str:
    """The command that takes the result."""
    named = [("--hookup", str(setup.hookup)), ("--lead-a", setup.lead_a)]
    named += [("--lead-b", setup.lead_b)] if setup.lead_b else []
    named += [("--load-at", setup.load_at)] if setup.load_at else []
    named += [("--side", setup.side)] if setup.dead else []
    named += [("--return-at", setup.return_at)] if setup.return_at else []
    words = [shlex.quote(word) for pair in named for word in pair]
    reading = "--ohms OHM" if setup.hookup.ohms else "--idle MV --on MV"
    reading = "--no-load V --loaded V" if setup.hookup == "line-drop" else reading
    return f"meterlink enter {shlex.quote(str(job))} {' '.join(words)} {reading}"


def _as_json(answer: "NextTest") -> str:
    setup = answer.setup
    content = {
        "hookup": str(setup.hookup),
        "lead_a": setup.lead_a,
        "lead_b": setup.lead_b,
        "load_at": setup.load_at or None,
        "gain_bits": round(answer.gain_bits, 3),
        "why": answer.why,
        "settled": answer.settled,
        "effort": round(answer.effort, 2),
        "side": setup.side or None,
        "return_at": setup.return_at or None,
        "cycles": answer.cycles,
        "advice": list(answer.advice),
        "look_at": list(answer.look_at),
    }
    return json.dumps(content)
