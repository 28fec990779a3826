"""A visit that needs no meter: views as a visit would make them, one after another."""

from dataclasses import replace

from meterlink.circuit.setup import Hookup
from meterlink.show.layout import map_rows
from meterlink.tree.wiring import Doubt, First, Point, Splice, WiringMap
from meterlink.visit.view import Choices, Cue, Key, Sound, VisitStage, VisitView, Word

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
    choices=Choices(
        (Word.CHOOSE,),
        tuple(Hookup),
        ("Door", "Desk", "Bed <b>1</b>", "مطبخ 12", "2"),
        ("2",),
    ),
)
ON = replace(
    IDLE,
    step=2,
    stage=VisitStage.ON,
    instruction="The load current passes between the leads: a jump of 182 mV. Switch the load off.",
    why="Desk is behind Door.",
    levels=(("idle", "4.3 ± 0.2 mV"), ("on", "186.4 mV"), ("drop", "186 ± 3 mV")),
    keys=(Key.LOAD_OFF, Key.REPEAT, Key.VOID, Key.NOTE, Key.STOP),
    cue=Cue(1, Sound.JUMP),
    choices=replace(IDLE.choices, words=()),
)
UNQUIET = replace(
    IDLE,
    step=3,
    stage=VisitStage.SETTLING,
    instruction="Wait: the reading without load is not quiet yet.",
    why="It moves by 40 mV, as if a lead hung in the air. Push both plugs home.",
    alerts=("The lead at Desk may have no contact.",),
    keys=(Key.REPEAT, Key.VOID, Key.NOTE, Key.STOP),
)
SET_UP = replace(
    IDLE,
    step=4,
    stage=VisitStage.SET_UP,
    instruction="Meter: neutral of Desk to neutral of Door. Load: plugged in at Door.",
    keys=(Key.READY, Key.REPEAT, Key.NOTE, Key.STOP),
    choices=replace(IDLE.choices, words=(Word.CHOOSE, Word.NOT_NOW)),
)


def with_reading(view: VisitView, millivolts: float) -> VisitView:
    """The same moment with another reading."""
    return replace(view, reading=f"{millivolts:.2f} mV AC")
