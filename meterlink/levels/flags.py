"""Names of what was noticed in a test, what each means and what to do about it."""

from enum import StrEnum


class Flag(StrEnum):
    """One remark on a test; the value is the name in the log."""

    NO_LOAD_MARK = "no-load-mark"
    FEW_READINGS = "few-readings"
    GAP = "gap"
    OVERLOAD = "overload"
    HOLD = "hold"
    WRONG_FUNCTION = "wrong-function"
    FROZEN = "frozen"
    FLOATING = "floating-lead"
    IDLE_MOVES = "idle-moves"
    OTHER_APPLIANCE = "other-appliance"
    LOAD_EARLY = "load-early"
    LOAD_LATE = "load-late"
    LOAD_STAYED_ON = "load-stayed-on"
    NO_AFTER = "no-after"
    AFTER_DIFFERS = "after-differs"
    CYCLES_DIFFER = "cycles-differ"


MEANINGS: dict[Flag, str] = {
    Flag.NO_LOAD_MARK: (
        "The test has no load-on mark, so nothing could be measured. Mark load on and load off."
    ),
    Flag.FEW_READINGS: (
        "A stage has fewer than five usable readings. Give each stage ten seconds or so."
    ),
    Flag.GAP: "No reading came for a while in this stage. Look at the meter and its cable.",
    Flag.OVERLOAD: (
        "The meter was overloaded through a whole stage. Set it to automatic range or a higher one."
    ),
    Flag.HOLD: "The display was held; those readings were not used. Release the hold key.",
    Flag.WRONG_FUNCTION: (
        "The meter was not measuring AC volts (or DC on a DC supply); those readings were not "
        "used. Set its function."
    ),
    Flag.FROZEN: (
        "The meter showed one and the same value for a long time. See that it is measuring."
    ),
    Flag.FLOATING: (
        "The reading is large and restless as if a lead hung in the air: no contact, or no ground "
        "at this receptacle. Push the leads home; have a missing ground looked at."
    ),
    Flag.IDLE_MOVES: (
        "The level without load moved by more than usual. See what else runs; repeat the test."
    ),
    Flag.OTHER_APPLIANCE: (
        "The reading stepped far from any mark: another appliance, or a lead that slipped. Repeat "
        "with other appliances off."
    ),
    Flag.LOAD_EARLY: "The load came on or off more than a second before its mark.",
    Flag.LOAD_LATE: "The load came on or off more than five seconds after its mark.",
    Flag.LOAD_STAYED_ON: (
        "The jump was seen, but the reading did not come back after load off. See that it is off."
    ),
    Flag.NO_AFTER: (
        "No settled reading after load off, so drift could not be taken out. Wait some seconds "
        "longer before ending the test."
    ),
    Flag.AFTER_DIFFERS: (
        "The levels before and after the load differ by more than their wander explains. Repeat."
    ),
    Flag.CYCLES_DIFFER: (
        "Several on/off cycles of one test disagree by more than their uncertainty. A loose "
        "contact or another appliance: repeat."
    ),
}
