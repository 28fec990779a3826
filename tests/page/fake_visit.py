"""A visit that needs no meter: views as a visit would make them, one for each thing to be seen."""

from dataclasses import replace

from meterlink.circuit.setup import Hookup
from meterlink.page.hub import Papers
from meterlink.show.layout import map_rows
from meterlink.show.map_svg import draw_map
from meterlink.tree.wiring import Doubt, First, Point, Splice, WiringMap
from meterlink.visit.view import (
    Answer,
    Button,
    Choices,
    Command,
    Cue,
    Key,
    PastTest,
    Sign,
    Sound,
    VisitStage,
    VisitView,
    Wanted,
)

MAP = WiringMap(
    First("Door", 0.91),
    settled=False,
    order_probability=0.61,
    points=(
        Point("Door", "panel", 0.91, 101.2, 1.4, 12.2),
        Point("Desk", "splice 1", 0.93, 18.2, 2.2, 2.2),
        Point("Bed <b>1</b>", "splice 1", 0.88, 94.7, 2.3, 11.4),
        Point("مطبخ 12", "Bed <b>1</b>", 0.71, 30.0, 11.0, 3.6),
        Point("Shed", "Desk", 0.2, 30.0, 24.0, 3.6),
    ),
    splices=(Splice("splice 1", "Door", 0.86, 11.0, 2.1, 1.3),),
    doubts=(Doubt(4, 0.96, "no change"),),
    tests=6,
    untested=("Shed",),
)

REPEAT = Button(Key.REPEAT, "Repeat test 6")
DISCARD = Button(Key.VOID, "Discard this try", is_grave=True)
NOTE = Button(Key.NOTE, "Note")
STOP = Button(Key.STOP, "Stop", is_grave=True)
IN_TEST = (REPEAT, DISCARD, NOTE, STOP)
HISTORY = (
    PastTest(6, "neutral to ground at Door, load at Desk: 312 ± 3 mV", "in the path", True),
    PastTest(5, "neutral of Desk to neutral of Bed, load at Door", "not in the path", True),
    PastTest(4, "neutral to ground at Bed, load at Bed", "no clear result", False, True),
)

IDLE = VisitView(
    step=1,
    stage=VisitStage.IDLE,
    title="Test 7",
    instruction="Plug the load in at Desk and switch it on.",
    why="Tells whether Desk hangs on Bed or on Door.",
    reading="4.31 mV AC",
    levels=(("idle", "4.3 ± 0.2 mV"),),
    keys=(Key.LOAD_ON, Key.REPEAT, Key.VOID, Key.NOTE, Key.STOP),
    certainty="Order of 5 receptacles: not settled yet, 61 %, from 6 tests",
    map_rows=map_rows(MAP),
    map=map_rows(MAP),
    choices=Choices(
        (Command.CHOOSE,),
        tuple(Hookup),
        ("Door", "Desk", "Bed <b>1</b>", "مطبخ 12", "2"),
        ("2",),
    ),
    sign=Sign.SWITCH_ON,
    leads="neutral of Door to neutral of Bed",
    load="Desk",
    detail="Tells whether Desk hangs on Bed or on Door.",
    idle="4.3 mV",
    buttons=(Button(Key.LOAD_ON, "I switched it ON"), *IN_TEST),
    history=HISTORY,
)
ON = replace(
    IDLE,
    step=2,
    stage=VisitStage.ON,
    instruction="Switch the heater at Desk off.",
    detail="Current to Desk flows between Door and Bed.",
    change="+182 mV",
    drop="186 ± 3 mV",
    keys=(Key.LOAD_OFF, Key.REPEAT, Key.VOID, Key.NOTE, Key.STOP),
    cue=Cue(1, Sound.JUMP),
    choices=replace(IDLE.choices, words=()),
    sign=Sign.SWITCH_OFF,
    buttons=(Button(Key.LOAD_OFF, "I switched it OFF", since=2), *IN_TEST),
)
CONFIRM = replace(
    ON,
    step=3,
    instruction="No jump. Switch the heater off; did it run?",
    detail="",
    change="",
    sign=Sign.CONFIRM_LOAD,
    buttons=(
        Button(Key.LOAD_OFF, "It ran, and is OFF", since=3),
        Button(Key.NO_LOAD, "It did not run", since=3),
        *IN_TEST,
    ),
)
WAIT = replace(
    IDLE,
    step=4,
    stage=VisitStage.SETTLING,
    instruction="Keep the load off and wait until the reading is steady.",
    detail="A few seconds.",
    sign=Sign.WAIT,
    buttons=IN_TEST,
)
TROUBLE = replace(
    WAIT,
    step=5,
    instruction="Push both leads home.",
    detail="The reading moves by 40 mV, as if a lead hung in the air.",
    alerts=("The lead at Desk may have no contact.",),
    sign=Sign.TROUBLE,
    buttons=IN_TEST,
)
SET_UP = replace(
    IDLE,
    step=6,
    stage=VisitStage.SET_UP,
    instruction="Put the leads at Door and Bed, the heater at Desk, switched off.",
    sign=Sign.SET_UP,
    choices=replace(IDLE.choices, words=(Command.CHOOSE, Command.NOT_NOW)),
    buttons=(
        Button(Key.READY, "Leads and heater ready", since=6),
        REPEAT,
        Button(Key.VOID, "Undo test 6", is_grave=True),
        NOTE,
        STOP,
    ),
)
DONE = replace(
    WAIT,
    step=7,
    stage=VisitStage.BETWEEN,
    instruction="Test 7 is logged: 186 ± 3 mV, in the path.",
    detail="Working out the next test.",
    sign=Sign.DONE,
    buttons=(STOP,),
)
TYPED = replace(
    IDLE,
    step=8,
    instruction="Place leads and heater; type the reading without load.",
    reading="",
    typed=Wanted(Command.IDLE, "Reading without load", "mV", instead=True),
    sign=Sign.SET_UP,
    buttons=(
        Button(Key.JUMP, "Jump"),
        Button(Key.NO_JUMP, "No jump"),
        REPEAT,
        Button(Key.VOID, "Undo test 6", is_grave=True),
        STOP,
    ),
)
SETTLED = replace(
    IDLE,
    step=9,
    stage=VisitStage.SETTLED,
    title="Settled",
    instruction="Nothing more has to be tested.",
    detail="",
    leads="",
    load="",
    sign=Sign.SETTLED,
    certainty="Order of 5 receptacles: confirmed, 99.2 %, from 7 tests",
    buttons=(STOP, REPEAT, Button(Key.VOID, "Undo test 6", is_grave=True), NOTE),
    answer=Answer(
        "Window is first after the panel",
        "Order of 5 receptacles: confirmed, 99.2 %, from 7 tests",
        (
            "A ground-fault device at Window protects all receptacles (98.1 %).",
            "With the power off take the device at Window out: all others must be dead.",
        ),
        ("Ground bonded to neutral at Sink (97 %): a hazard, have it looked at.",),
        ("Run to Bed, neutral side (14 %): check the connection.",),
        ("Test 4 looks wrong (96 %): no change. Repeat it.",),
        unlikely=("Run to Bed, neutral side (14 %): check the connection.",),
    ),
)
STOPPED = replace(
    SETTLED,
    step=10,
    stage=VisitStage.STOPPED,
    instruction="The visit is over. All tests are logged.",
    sign=Sign.DONE,
    buttons=(),
    choices=Choices(),
)
EVERY = {
    "set-up": SET_UP,
    "wait": WAIT,
    "switch-on": IDLE,
    "confirm-load": CONFIRM,
    "switch-off": ON,
    "done": DONE,
    "trouble": TROUBLE,
    "typed": TYPED,
    "settled": SETTLED,
    "stopped": STOPPED,
}
PAPERS = Papers(
    draw_map(MAP, narrow=True),
    "<!DOCTYPE html><title>Report</title><p>The report.",
    "Label\n> Door",
)


def chain(number: int) -> WiringMap:
    """A map of so many receptacles, with a branch now and then."""
    names = [f"Room {index + 1} by the window" for index in range(number)]
    points = tuple(
        Point(name, names[index - (2 if index % 5 == 4 else 1)] if index else "panel",
              0.97 - 0.01 * index, 30.0 + index, 1.2, 3.4)
        for index, name in enumerate(names)
    )  # fmt: skip
    return WiringMap(First(names[0], 0.98), True, 0.96, points, (), (), tests=number + 4)


def with_reading(view: VisitView, millivolts: float) -> VisitView:
    """The same moment with another reading."""
    return replace(view, reading=f"{millivolts:.2f} mV AC")
