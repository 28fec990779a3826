"""What a person sees of a visit at a moment, in words: the same for the terminal and for the page.

The visit makes a new view whenever something changes; whoever shows it only renders it. Text in it
is as people gave it: each surface makes it safe in its own way. The sentences say where everything
goes, what is waited for, and what was seen.
"""

from dataclasses import dataclass
from enum import StrEnum

from drivers.readings import Reading
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.progress import Progress
from meterlink.show.format import NBSP, drop, with_uncertainty
from meterlink.show.layout import MapRow
from meterlink.testlog.columns import TestRow


class Key(StrEnum):
    """What a person can answer; everything that the terminal and the page can do."""

    READY = "ready"  # leads and plug are where they were asked for
    LOAD_ON = "load-on"
    LOAD_OFF = "load-off"  # where no jump came it says as well that the load did run
    NO_LOAD = "no-load"  # no jump came, and the load did not run
    JUMP = "jump"  # typed readings: only that was seen
    NO_JUMP = "no-jump"
    KEEP = "keep"  # the odd value is what the meter showed
    CORRECT = "correct"  # the odd value is a slip: take the one that was offered
    REPEAT = "repeat"
    VOID = "void"  # discard the running test, or undo the last one
    NOTE = "note"
    STOP = "stop"


class Command(StrEnum):
    """What can be asked for besides the keys of a view."""

    CHOOSE = "choose"  # a test of one's own
    NOT_NOW = "not-now"  # receptacles that cannot be reached
    UNDO = "undo"  # a logged test, by its number
    IDLE = "idle"  # a typed reading without load
    ON = "on"  # a typed reading with the load on
    LEVELS = "levels"  # both, idle first
    RHYTHM = "rhythm"  # call out when to switch, or stop doing so
    REPORT = "report"
    ISOLATE = "isolate"
    MAP = "map"


class Sign(StrEnum):
    """What is to be read from two metres away: one at a time."""

    SET_UP = "set-up"  # move leads or load
    WAIT = "wait"  # hands off: the program is busy, or measures
    SWITCH_ON = "switch-on"
    CONFIRM_LOAD = "confirm-load"  # no jump came: switch off, and say whether the load ran
    SWITCH_OFF = "switch-off"
    DONE = "done"  # a test is logged, or the visit is over
    TROUBLE = "trouble"  # something is wrong that a person has to mend
    SETTLED = "settled"  # nothing more is worth testing


class VisitStage(StrEnum):
    """Where the visit stands."""

    SET_UP = "set-up"  # leads and load are to be moved
    SETTLING = "settling"  # the idle level is not quiet yet
    IDLE = "idle"  # quiet: the load may come
    WAITING_FOR_LOAD = "waiting-for-load"
    ON = "on"
    WAITING_FOR_OFF = "waiting-for-off"
    AFTER = "after"
    BETWEEN = "between"  # the test is logged, its answer stands there
    SETTLED = "settled"  # nothing more worth testing
    STOPPED = "stopped"


class Sound(StrEnum):
    """What is to be heard."""

    JUMP = "jump"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class Cue:
    """A sound to make once: when ``number`` is larger than the last one heard."""

    number: int
    sound: Sound


@dataclass(frozen=True, slots=True)
class Choices:
    """What a person can decide besides answering, and what there is to choose from.

    Attributes:
        words: Those of ``CHOOSE`` and ``NOT_NOW`` that mean something now.
        hookups: That the circuit allows.
        receptacles: In their order; a person, or a page, may name them by their numbers from one.
        not_now: Those that are left out.
    """

    words: tuple[Command, ...] = ()
    hookups: tuple[Hookup, ...] = ()
    receptacles: tuple[str, ...] = ()
    not_now: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Button:
    """A key, with what it says now.

    Attributes:
        key: What it answers.
        label: Such as "I switched it ON" or "Undo test 8".
        since: Step at which it began to say this. An answer that names this step or a later one
            counts, however many readings came since: a second tap that confirms comes in time.
        is_live: It counts; one that has just appeared under a finger is dead for a second.
        is_grave: Ask once more before it is sent: it cannot be undone.
        shown_s: When it began to say this, in seconds of the visit.
    """

    key: Key
    label: str
    since: int = 0
    is_live: bool = True
    is_grave: bool = False
    shown_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Wanted:
    """A number that is to be typed, where no cable brings it.

    Attributes:
        word: ``IDLE`` or ``ON``: what to answer with, and the number as its text.
        label: Such as "Reading without load".
        unit: That a bare number is taken in: "mV", "V" or "ohm".
        instead: Only whether there was a jump may be said as well (``JUMP``, ``NO_JUMP``).
    """

    word: Command
    label: str
    unit: str
    instead: bool = False


@dataclass(frozen=True, slots=True)
class PastTest:
    """A test of the log.

    Attributes:
        number: In the log.
        words: Where leads and load were, and what was measured.
        verdict: "in the path", "not in the path" or "no clear result".
        removable: It can be undone now: answer ``Command.UNDO`` with its number as the text.
        removed: It was undone, or looks wrong for another reason that ``words`` names.
    """

    number: int
    words: str
    verdict: str
    removable: bool = False
    removed: bool = False


@dataclass(frozen=True, slots=True)
class Answer:
    """What the tests come to, once nothing more is worth testing. Sentences throughout.

    Attributes:
        headline: Such as "Window is first after the panel".
        certainty: How sure that is.
        check: What to check, and how, with the power off.
        conditions: Conditions of the circuit, each with its probability.
        joints: Possible poor connections, each with its probability.
        doubts: Tests that look wrong.
        unlikely: Those of ``conditions`` and ``joints`` that are less probable than not.
    """

    headline: str
    certainty: str = ""
    check: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    joints: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    unlikely: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class VisitView:
    """One moment of a visit.

    Attributes:
        step: Grows by one whenever something else is asked of the person. A key that is pressed
            names the step that it answers, so that a press that comes late does no harm.
        stage: Where the visit stands.
        title: Such as "Test 7".
        instruction: What to do now, one short sentence.
        why: Why this test, or why it has to wait; may be empty.
        reading: The latest reading as text, with its unit; "no reading" where there is none.
        levels: Label and text: idle, on, after, drop, as far as known.
        keys: Keys that mean something now, the most likely one first.
        certainty: How sure the order is so far, one sentence.
        map_rows: The map so far, from the panel down.
        alerts: What must not be missed, one sentence each.
        cue: The latest sound; ``None`` before the first.
        choices: What can be decided besides.
        sign: What is to be read from two metres away.
        leads: Where the leads go, such as "neutral of Desk to neutral of Door"; empty where no
            test is asked for.
        load: Where the load is plugged in, such as "Bed"; empty likewise.
        detail: One sentence more, where there is one to say: the reason of a wait, or of the test.
        idle, change, drop: Levels of the test that runs, with units; empty where not known.
        buttons: The keys that mean something now with their labels, the most likely one first.
        map: The map as ``map_rows`` has it.
        history: The tests of the log, the newest first.
        answer: What the tests come to; ``None`` while something is worth testing.
        typed: The number that is wanted, where readings are typed.
        rhythm: The program calls out when to switch.
    """

    step: int
    stage: VisitStage
    title: str
    instruction: str
    why: str = ""
    reading: str = "no reading"
    levels: tuple[tuple[str, str], ...] = ()
    keys: tuple[Key, ...] = ()
    certainty: str = ""
    map_rows: tuple[MapRow, ...] = ()
    alerts: tuple[str, ...] = ()
    cue: Cue | None = None
    choices: Choices = Choices()
    sign: Sign = Sign.WAIT
    leads: str = ""
    load: str = ""
    detail: str = ""
    idle: str = ""
    change: str = ""
    drop: str = ""
    buttons: tuple[Button, ...] = ()
    map: tuple[MapRow, ...] = ()
    history: tuple[PastTest, ...] = ()
    answer: Answer | None = None
    typed: Wanted | None = None
    rhythm: bool = False

    def takes(self, key: Key, step: int | None = None, *, blind: bool = False) -> bool:
        """Whether an answer to a step counts now; without a step it is to what is shown.

        A key counts as long as its button has said the same since that step; one that was named
        and not hit (``blind``, a script) counts at once.
        """
        return any(
            (blind or button.is_live) and (step is None or button.since <= step <= self.step)
            for button in self.buttons
            if button.key is key
        )


STALE_S = 2.5
VERDICTS = {
    Verdict.IN_PATH: "in the path",
    Verdict.NOT_IN_PATH: "not in the path",
    Verdict.UNCLEAR: "no clear result",
}


def load_word(circuit: Circuit) -> str:
    """What the load is called."""
    return "source" if circuit.load_kind is LoadKind.DIRECT_SOURCE else "heater"


def same_leads(setup: Setup, other: Setup | None) -> bool:
    """Whether the leads of two tests are at the same contacts, and a direct source too."""
    return other is not None and _contacts(setup) == _contacts(other)


def _contacts(setup: Setup) -> tuple[object, ...]:
    """What has to be in place before a test begins; a heater may come later."""
    source = (setup.load_at, setup.return_at, setup.lead_a) if setup.dead else ()
    return (setup.hookup, setup.side, set(setup.leads), source)


def meaning(setup: Setup, verdict: Verdict) -> str:
    """What a jump, or none, says of the wiring."""
    if verdict is Verdict.UNCLEAR or setup.hookup.ohms:
        return ""
    jump = verdict is Verdict.IN_PATH
    a, b, load = setup.lead_a, setup.lead_b or "the panel", setup.load_at
    if setup.hookup is Hookup.NEUTRAL_NEUTRAL:
        return (
            f"Current to {load} flows between {a} and {b}."
            if jump
            else f"No current to {load} flows between {a} and {b}."
        )
    if setup.hookup is Hookup.LINE_DROP:
        does = "sags" if jump else "does not sag"
        return f"The supply at {a} {does} with the load at {load}."
    if a == load:
        return (
            f"Drop from the panel to {a}."
            if jump
            else f"No drop at {a} with the load right there: did it run?"
        )
    shares = "share" if jump else "share no"
    return (
        f"The cables from the panel to {a} and to {load} {shares} {'a part' if jump else 'part'}."
    )


def volts_text(volts: float, resolution_v: float | None = None, *, signed: bool = False) -> str:
    """Volts as "12.34 mV" or "120.0 V".

    Args:
        volts: The value.
        resolution_v: Weight of the last digit to show; four figures where it is not known.
        signed: Whether a plus is written too.
    """
    milli = abs(volts) < 1.0 and (resolution_v is None or resolution_v < 1e-3)
    scale, unit = (1e3, "mV") if milli else (1.0, "V")
    value = volts * scale
    if resolution_v is None:
        decimals = 1 if abs(value) >= 100 else 2 if abs(value) >= 1 else 3
    else:
        decimals = min(4, max(0, -round(_exponent(resolution_v * scale))))
    return f"{value:{'+' if signed else ''}.{decimals}f} {unit}"


def reading_text(reading: Reading | None, now_s: float) -> str:
    """The latest reading; an old one is not shown as if it were of now."""
    if reading is None:
        return "no reading"
    if now_s - reading.t_s > STALE_S:
        return f"no reading for {now_s - reading.t_s:.0f} s"
    held = " HOLD" if reading.hold else ""
    if reading.overload:
        return "overload"
    if reading.ohms is not None:
        return f"{reading.ohms:g} ohm{held}"
    if reading.volts is None:
        return f"no volts ({reading.quantity})"
    return volts_text(reading.volts, reading.resolution_v) + held


def levels_text(progress: Progress | None) -> dict[str, str]:
    """The levels of a running test, as far as known: idle, change, drop."""
    if progress is None or progress.idle_mv is None:
        return {}
    found = {"idle": f"{progress.idle_mv:.1f}{NBSP}mV"}
    if progress.jump_mv is not None:
        found["change"] = f"{progress.jump_mv:+.1f}{NBSP}mV"
    if progress.drop_mv is not None and progress.drop_u_mv is not None:
        text = with_uncertainty(progress.drop_mv, progress.drop_u_mv)
        found["drop"] = f"{text}{NBSP}mV"
    return found


def result_text(row: TestRow) -> str:
    """What a test showed, and what that says, in one sentence or two."""
    if row.verdict is Verdict.UNCLEAR:
        return f"Test {row.test}: no clear result. Repeat it."
    return f"Test {row.test}: {drop(row)}. {meaning(row.setup, row.verdict)}".strip()


def _exponent(value: float) -> int:
    """Exponent of a power of ten, rounding noise aside."""
    return int(f"{value:.0e}".partition("e")[2])
