"""What a person sees of a visit at a moment, in words: the same for the terminal and for the page.

The visit makes a new view whenever something changes; whoever shows it only renders it. Text in it
is as people gave it: each surface makes it safe in its own way.
"""

from dataclasses import dataclass
from enum import StrEnum

from meterlink.circuit.setup import Hookup


class Key(StrEnum):
    """What a person can answer; everything that the terminal and the page can do."""

    READY = "ready"  # leads and plug are where they were asked for
    LOAD_ON = "load-on"
    LOAD_OFF = "load-off"
    REPEAT = "repeat"
    VOID = "void"
    NOTE = "note"
    STOP = "stop"


class Word(StrEnum):
    """What can be asked for besides the keys of a view."""

    CHOOSE = "choose"  # a test of one's own
    NOT_NOW = "not-now"  # receptacles that cannot be got at
    REPORT = "report"
    ISOLATE = "isolate"
    MAP = "map"


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
class MapRow:
    """One point of the map so far.

    Attributes:
        name: The point; ``panel`` in the first row.
        kind: ``panel``, ``receptacle``, ``splice`` or ``untested``.
        lane, branches: As in ``meterlink.show.layout.Place``.
        fed_from: What feeds it; empty for the panel and what is untested.
        sure: How certain that is, in words, or that it is untested; empty for the panel.
    """

    name: str
    kind: str
    lane: int
    branches: bool
    fed_from: str
    sure: str


@dataclass(frozen=True, slots=True)
class Choices:
    """What a person can decide besides answering, and what there is to choose from.

    Attributes:
        words: Those of ``CHOOSE`` and ``NOT_NOW`` that mean something now.
        hookups: That the circuit allows.
        receptacles: In their order; a person, or a page, may name them by their numbers from one.
        not_now: Those that are left out.
    """

    words: tuple[Word, ...] = ()
    hookups: tuple[Hookup, ...] = ()
    receptacles: tuple[str, ...] = ()
    not_now: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class VisitView:
    """One moment of a visit.

    Attributes:
        step: Grows by one whenever something else is asked of the person. A key that is pressed
            names the step that it answers, so that a press that comes late does no harm.
        stage: Where the visit stands.
        title: Such as "Test 7".
        instruction: What to do now, one sentence or two.
        why: Why this test, or why it has to wait; may be empty.
        reading: The latest reading as text, with its unit; "no reading" where there is none.
        levels: Label and text: idle, on, after, drop, as far as known.
        keys: Keys that mean something now, the most likely one first.
        certainty: How sure the order is so far, one sentence.
        map_rows: The map so far, from the panel down.
        alerts: What must not be missed, one sentence each.
        cue: The latest sound; ``None`` before the first.
        choices: What can be decided besides.
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
