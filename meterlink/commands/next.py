"""``meterlink next``: the best next test; ``meterlink isolate``: the check with the power off."""

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
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from meterlink.circuit.job import Job
    from meterlink.testlog.findings import Cut, Finding


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
    }
    return json.dumps(content)


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--at", metavar="NAME", help="Receptacle to open; default: the most probable first.")
@click.option(
    "--tripped-at", metavar="NAME", help="Receptacle whose device was tripped by its test button."
)
@click.option("--breaker-off", is_flag=True, help="Found with this circuit's breaker off.")
@click.option("--others-off", is_flag=True, help="Found with every breaker off but this one.")
@click.option("--found-dead", multiple=True, metavar="NAMES", help="Receptacles found dead.")
@click.option("--found-live", multiple=True, metavar="NAMES", help="Receptacles found live.")
@click.option("--note", default="", help="Anything worth keeping with the findings.")
@click.option("--time", "time_text", metavar="ISO", help="When it was found; default: now.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def isolate_command(
    job: Path,
    *,
    at: str | None,
    tripped_at: str | None,
    breaker_off: bool,
    others_off: bool,
    found_dead: tuple[str, ...],
    found_live: tuple[str, ...],
    note: str,
    time_text: str | None,
    as_json: bool,
) -> None:
    r"""Guide the check of the map in DIR with the power off, and keep what it finds.

    Without findings: the steps, and which receptacles should be dead once the outgoing (load)
    wires of a receptacle are disconnected from its feed. With --found-dead or --found-live (names
    with commas between): the findings go to isolation.csv in DIR and count as evidence in the map.
    With --tripped-at no box is opened: what the test button of a device makes dead hangs on it.

    For people licensed for this work. Local code and the site's own procedure go first.

    \b
    Examples:
      meterlink isolate upstairs
      meterlink isolate upstairs --at Door --found-dead Desk,Bed --found-live Hall
      meterlink isolate upstairs --tripped-at Sink --found-dead Sink,Porch --found-live Hall
      meterlink isolate upstairs --breaker-off --found-live Porch
    """
    from meterlink.commands.job_input import job_from, names_from, remark, time_from
    from meterlink.testlog.findings import Cut, append_findings

    opened = job_from(job)
    names = opened.circuit.receptacles
    new = _new_findings(
        place=_place(at, tripped_at, names),
        cut=_cut(tripped=tripped_at is not None, breaker_off=breaker_off, others_off=others_off),
        dead=names_from(found_dead, names, "--found-dead"),
        live=names_from(found_live, names, "--found-live"),
        note=note,
        time=time_from(time_text),
    )
    if new:
        written = append_findings(opened.folder, new)
        remark(f"{len(written)} finding{'s' if len(written) > 1 else ''} written.")
    cut = Cut.TRIPPED if tripped_at is not None else Cut.DISCONNECTED
    show_check(opened, _place(at, tripped_at, names), cut, as_json=as_json)


def show_check(job: "Job", place: str | None, cut: "Cut", *, as_json: bool = False) -> None:
    """Print the check with the power off, at a place or at the most probable first receptacle."""
    from meterlink.answers.wirings import expectations, place_to_open
    from meterlink.commands.job_input import known_from
    from meterlink.live.terminal import columns
    from meterlink.show.power_off import Check, check_json, check_text

    known, _, findings = known_from(job)
    place = place or place_to_open(known.wirings)
    expected = expectations(known.wirings, cut, place)
    check = Check(place, cut, expected, known.wiring_map, tuple(findings))
    click.echo(check_json(check) if as_json else check_text(check, columns(), str(job.folder)))


def _place(at: str | None, tripped_at: str | None, names: Sequence[str]) -> str | None:
    """The receptacle that was opened or whose device was tripped, as the job names it."""
    from meterlink.commands.job_input import names_from

    if at is not None and tripped_at is not None:
        raise UsageError("--at and --tripped-at are two looks; enter them one by one.")
    given, option = (at, "--at") if at is not None else (tripped_at, "--tripped-at")
    if given is None:
        return None
    found = names_from([given], names, option)
    if len(found) != 1:
        raise UsageError(f"{option}: {given!r} names more than one receptacle; give one.")
    return found[0]


def _cut(*, tripped: bool, breaker_off: bool, others_off: bool) -> str:
    """Value of ``Cut`` that the options mean."""
    if breaker_off and others_off:
        raise UsageError("--breaker-off and --others-off are two looks; enter them one by one.")
    breaker = "breaker-off" if breaker_off else "others-off" if others_off else ""
    return breaker or ("tripped" if tripped else "parted")


def _new_findings(
    *,
    place: str | None,
    cut: str,
    dead: Sequence[str],
    live: Sequence[str],
    note: str,
    time: datetime,
) -> "list[Finding]":
    """The findings that the options tell, checked.

    Raises:
        UsageError: They make no sense together.
    """
    from meterlink.testlog.findings import AT_A_RECEPTACLE, Cut, Finding, State

    here = cut in AT_A_RECEPTACLE
    if not here and place is not None:
        raise UsageError(
            "--at and --tripped-at go with what is done at a receptacle, not with breakers. Leave "
            "them out."
        )
    if not dead and not live:
        if not here:
            raise UsageError("Say what was found: --found-dead NAMES, --found-live NAMES.")
        return []
    if both := set(dead) & set(live):
        raise UsageError(f"{', '.join(sorted(both))} cannot be found both dead and live.")
    if here and place is None:
        raise UsageError(
            "Say where the load wires were disconnected with --at NAME, whose device was tripped "
            "with --tripped-at NAME, or that a breaker was off with --breaker-off or --others-off."
        )
    if cut == Cut.DISCONNECTED and place in (*dead, *live):
        raise UsageError(
            f"{place!r} is the receptacle that was opened; it says nothing. Leave it out."
        )
    pairs = [(name, State.DEAD) for name in dead] + [(name, State.LIVE) for name in live]
    return [Finding(0, time, Cut(cut), place, name, state, note) for name, state in pairs]
