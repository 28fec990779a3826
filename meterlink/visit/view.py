"""What a person sees of a visit at a moment, in words: the same for the terminal and for the page.

The visit makes a new view whenever something changes; whoever shows it only renders it. Text in it
is as people gave it: each surface makes it safe in its own way.
"""

from dataclasses import dataclass
from enum import StrEnum

from meterlink.circuit.setup import Hookup
from meterlink.show.layout import MapRow


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
    """

    headline: str
    certainty: str = ""
    check: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    joints: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()


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
