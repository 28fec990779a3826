"""Everything that is taken for granted before any reading: priors and noise, in one place.

One frozen object of groups. Each field carries its unit, its source ("common practice" where the
trade knows it but no table gives it, "convention" where it is a choice) and what hangs on it, so
that ``listed`` can print the whole as a table. ``levels``, ``tree`` and ``plan`` take it as an
argument; ``USUAL`` is what they use where nobody passes another one.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, fields, replace
from typing import Any, TypeVar

T = TypeVar("T")


def assumed(value: T, unit: str, source: str, bears_on: str) -> T:
    """A field with its value and what is to be known of it."""
    about = {"unit": unit, "source": source, "bears_on": bears_on}
    made: Any = field(default=value, metadata=about)
    result: T = made
    return result


PRACTICE, CONVENTION = "common practice", "convention"


@dataclass(frozen=True, slots=True)
class Runs:
    """Resistances of cable runs before any test; log-normal."""

    length_m: float = assumed(3.0, "m", PRACTICE, "median of a run between neighbours")
    home_length_m: float = assumed(9.0, "m", PRACTICE, "median of a run from the panel")
    joints_mohm: float = assumed(6.0, "mohm", PRACTICE, "two sound joints of a run")
    median_mohm: float = assumed(30.0, "mohm", PRACTICE, "a run where no conductor is stated")
    home_median_mohm: float = assumed(75.0, "mohm", PRACTICE, "a home run, likewise")
    log_sd: float = assumed(0.79, "log", PRACTICE, "spread of a run: a factor of 2.2")
    split_alpha: float = assumed(1.2, "1", "fits log_sd", "Dirichlet share of a sum not separated")
    shortest_mohm: float = assumed(8.0, "mohm", "ASTM B258: 1 m of 14 AWG", "what no jump excludes")
    ratio_sd: float = assumed(0.12, "log", PRACTICE, "hot or ground over neutral of one cable")
    poor_ratio_sd: float = assumed(1.2, "log", PRACTICE, "the same where one has a poor joint")
    poor_ratio_share: float = assumed(0.03, "1", PRACTICE, "runs with unequal conductors")
    source_mohm: float = assumed(150.0, "mohm", "from memory", "source impedance in line-drop")
    source_log_sd: float = assumed(0.8, "log", "from memory", "its spread")
    amps_scale_rel_u: float = assumed(0.01, "1", PRACTICE, "stated amps, hence all resistances")


@dataclass(frozen=True, slots=True)
class Shapes:
    """How circuits branch: rates that are multiplied by one unknown factor for the house."""

    forks: float = assumed(0.1, "per receptacle", PRACTICE, "two cables leave a receptacle")
    splices: float = assumed(0.06, "per receptacle", PRACTICE, "a joint in a box of its own")
    home_splice: float = assumed(
        2.5,
        "times",
        "common practice: a lamp's or switch's box is fed first in older houses",
        "a splice between panel and first receptacle; belief in a first receptacle",
    )
    panel_forks: float = assumed(0.01, "per circuit", PRACTICE, "two cables leave the breaker")
    rates: tuple[float, ...] = assumed(
        tuple(2.0**j for j in range(-2, 4)), "times", CONVENTION, "grid of the house's factor"
    )
    rate_median: float = assumed(1.4, "times", "from memory", "the house's factor")
    rate_log_sd: float = assumed(1.1, "log", "no survey data", "its spread")


@dataclass(frozen=True, slots=True)
class Conditions:
    """What may be wrong with a circuit, or merely different, before any test."""

    bonded: float = assumed(0.02, "per circuit", PRACTICE, "ground bonded to neutral somewhere")
    bond_mohm: float = assumed(5.0, "mohm", PRACTICE, "the bond itself: a screw or a bare wire")
    bond_log_sd: float = assumed(1.0, "log", PRACTICE, "its spread")
    ground_ratio_sd: float = assumed(0.25, "log", PRACTICE, "ground way over neutral way to it")
    elsewhere: float = assumed(0.02, "per circuit", PRACTICE, "a receptacle of another circuit")
    ring: float = assumed(0.01, "per circuit", PRACTICE, "both ends of a chain at the panel")
    ring_where_usual: float = assumed(0.6, "per circuit", PRACTICE, "the same where it is usual")
    second_path: float = assumed(0.002, "per circuit", "from memory", "any other closing run")
    no_ground: float = assumed(0.03, "per receptacle", PRACTICE, "no ground contact there")
    no_ground_stated: float = assumed(0.98, "1", CONVENTION, "the same where job.toml says so")
    sub_panel: float = assumed(
        0.05, "per circuit", PRACTICE, "a feeder in front that carries current of other circuits"
    )
    sub_panel_stated: float = assumed(0.98, "1", CONVENTION, "the same where job.toml says so")
    others_mv: tuple[float, float] = assumed(
        (20.0, 5000.0), "mV", PRACTICE, "largest idle reading of others' current, log-uniform"
    )
    others_rel_u: float = assumed(0.15, "1", PRACTICE, "others draw more or less from test to test")
    sign_mixed: float = assumed(
        0.02, "per test", PRACTICE, "one test's background of the other sign than all others'"
    )
    unexplained: float = assumed(0.01, "per circuit", CONVENTION, "something not modelled here")


@dataclass(frozen=True, slots=True)
class Outliers:
    """Tests that do not say what they seem to, before any evidence."""

    no_change: float = assumed(0.03, "per test", PRACTICE, "plug not home, load's switch off")
    jump: float = assumed(0.006, "per test", PRACTICE, "something else switched just then")
    misnamed: float = assumed(1 / 30, "per test", PRACTICE, "a lead or load at another receptacle")
    misnamed_alone: float = assumed(
        0.1,
        "1",
        "convention: more than the rate of wrong names, for no other test would notice",
        "no answer hangs on the names of one test",
    )
    flagged: float = assumed(0.15, "per test", PRACTICE, "the detector noticed a spoilt test")
    swapped: float = assumed(0.02, "per test", PRACTICE, "a direct source's polarity is swapped")
    meshed_rel_u: float = assumed(
        0.1, "1", PRACTICE, "metal beside the ground wire lowers a reading over the ground"
    )
    jump_least_mv: float = assumed(5.0, "mV", PRACTICE, "range of a false jump, log-uniform")
    jump_most_mv: float = assumed(5000.0, "mV", PRACTICE, "its upper end")
    finding: float = assumed(
        0.01, "per finding", PRACTICE, "another box opened than written, a tester read wrongly"
    )
    own_still: float = assumed(
        0.2,
        "1",
        "Ohm's law: its own circuit carries the load past the lead, unless the plug is not home",
        "no jump between a receptacle of another circuit and ours with the load right there",
    )
    eye_width: float = assumed(0.35, "of the limit", PRACTICE, "what a person calls a jump")


@dataclass(frozen=True, slots=True)
class Meter:
    """What meter, leads and supply do to a drop."""

    amps: float = assumed(10.0, "A", PRACTICE, "a heater of which nobody said")
    amps_rel_u: float = assumed(0.004, "1", PRACTICE, "supply wander between tests")
    floor_u_mv: float = assumed(0.3, "mV", PRACTICE, "contact of the probes")
    limit_mv: float = assumed(20.0, "mV", PRACTICE, "a jump that a person sees by eye")
    pickup_u_mv: float = assumed(6.0, "mV", PRACTICE, "forecast: what pickup leaves in a drop")
    no_jump_u_mv: float = assumed(3.0, "mV", PRACTICE, "forecast: the same without a jump")
    supply_rel_u: float = assumed(
        1e-3, "of the supply", PRACTICE, "forecast: its wander within one cycle of line-drop"
    )
    ohms_u_mohm: float = assumed(3.0, "mohm", PRACTICE, "forecast: probes pushed home again")
    direct_u_mv: float = assumed(0.3, "mV", PRACTICE, "forecast: a direct source, reversed")
    weak_amps: float = assumed(5.0, "A", PRACTICE, "a load below makes small jumps")
    pickup_mv: float = assumed(7.0, "mV", PRACTICE, "median idle reading of connected leads")
    pickup_log_sd: float = assumed(0.7, "log", PRACTICE, "its spread")
    current_share: float = assumed(0.2, "1", PRACTICE, "tests with another appliance's current")
    current_mv: float = assumed(150.0, "mV", PRACTICE, "median idle reading of such current")
    current_log_sd: float = assumed(1.2, "log", PRACTICE, "its spread")
    floating_mv: tuple[float, float] = assumed(
        (20.0, 1e5), "mV", PRACTICE, "idle reading without ground contact, log-uniform"
    )
    floating_flag: float = assumed(0.7, "1", PRACTICE, "a floating lead is flagged as such")
    false_floating_flag: float = assumed(0.02, "1", PRACTICE, "a sound contact is flagged so")
    large_idle_mv: float = assumed(40.0, "mV", PRACTICE, "an idle reading that is current")


@dataclass(frozen=True, slots=True)
class Joints:
    """Poor joints."""

    share: float = assumed(0.02, "per run", "from memory: one circuit in ten", "a poor joint")
    excess_mohm: float = assumed(120.0, "mohm", PRACTICE, "median of what it adds")
    excess_log_sd: float = assumed(0.9, "log", PRACTICE, "its spread")
    length_rel_sd: float = assumed(0.1, "1", PRACTICE, "stated length of a cable in a wall")


@dataclass(frozen=True, slots=True)
class Levels:
    """From readings to a drop: what a trace, a tap, a load and an idle reading usually are."""

    block_s: float = assumed(0.5, "s", "about a meter's settling", "readings averaged for changes")
    change_penalty: float = assumed(
        25.0, "chi-square", "one false change in 3,000 tests of 100 blocks", "a change is seen"
    )
    change_sds: float = assumed(4.0, "sd", CONVENTION, "closer levels are one")
    idle_step_share: float = assumed(0.25, "1", PRACTICE, "pickup wanders by less")
    load_step_share: float = assumed(0.08, "1", "inrush of some 5 %", "sag of a load, no change")
    line_step_share: float = assumed(0.004, "1", PRACTICE, "the supply wanders by less")
    largest_pickup_mv: float = assumed(15.0, "mV", PRACTICE, "more is a current")
    pickup_wander: float = assumed(
        0.0525, "1", "idle and after of 85 recorded tests: 7.4 % over root 2", "level of a stage"
    )
    load_noise_share: float = assumed(
        0.02, "1", "sag of the first seconds", "noise of large levels"
    )
    line_noise_share: float = assumed(0.0012, "1", PRACTICE, "noise of the supply in blocks")
    least_noise_mv: float = assumed(1e-3, "mV", PRACTICE, "no meter here is quieter")
    stray_sds: float = assumed(8.0, "sd", CONVENTION, "one damaged reading is left out")
    idle_share: float = assumed(0.3, "1", PRACTICE, "readings about a level of pickup")
    idle_moves_share: float = assumed(0.3, "1", PRACTICE, "pickup that moves by more is noted")
    step_on_share: float = assumed(0.02, "1", PRACTICE, "a step with the load on is larger")
    least_step_mv: float = assumed(3.0, "mV", PRACTICE, "pickup of some 10 mV wanders by as much")
    largest_inrush: float = assumed(0.1, "1", PRACTICE, "no heater's current starts higher")
    range_change_s: float = assumed(3.0, "s", PRACTICE, "a meter finds its range within")
    overloaded_s: float = assumed(1.5, "s", PRACTICE, "its overload then is shorter")
    fall_lag_s: float = assumed(
        0.45, "s", "twice the time constant of an r.m.s. converter's squares", "a reading sinks"
    )
    longest_fall_s: float = assumed(4.0, "s", PRACTICE, "... and has sunk by then")
    longest_gap_s: float = assumed(3.0, "s", PRACTICE, "a meter is silent for no longer")
    tap_before_s: float = assumed(10.0, "s", PRACTICE, "a tap that comes before the switch")
    tap_after_s: float = assumed(12.0, "s", PRACTICE, "a tap that comes after it")
    early_s: float = assumed(1.0, "s", "contract of the marks", "the same, as a rule")
    late_s: float = assumed(5.0, "s", "contract of the marks", "the switch behind its tap")
    double_tap_s: float = assumed(1.0, "s", PRACTICE, "closer taps are one")
    meter_lag_s: float = assumed(1.5, "s", PRACTICE, "until a small change shows")
    shortest_load_s: float = assumed(2.0, "s", PRACTICE, "nobody runs a load for less")
    shortest_marked_s: float = assumed(4.0, "s", PRACTICE, "both taps prove that a load ran")
    after_off_s: float = assumed(2.0, "s", PRACTICE, "... with readings so long after")
    inrush_share: float = assumed(0.035, "1", PRACTICE, "a cold element draws more")
    inrush_share_sd: float = assumed(0.02, "1", PRACTICE, "its spread")
    inrush_tau_s: float = assumed(3.0, "s", PRACTICE, "it warms up within")
    inrush_tau_factor: float = assumed(1.3, "times", PRACTICE, "its spread")
    supply_wander: float = assumed(0.00125, "1", "fit to 5 recorded tests", "sd of the supply")
    supply_wander_s: float = assumed(5.0, "s", "the same fit", "its correlation time")
    rms_lag_s: float = assumed(0.35, "s", "common practice: 0.2 to 0.5 s", "lag of a meter")
    tail: float = assumed(
        1.0, "of the drop", "first-order lag: all of it at the switching", "what it leaves of a sag"
    )
    tail_sd: float = assumed(0.7, "of the drop", "readings come up to 0.3 s late", "its spread")
    correlations_s: tuple[float, ...] = assumed(
        (3.0, 8.0, 20.0), "s", PRACTICE, "other correlation times, equally likely"
    )
    wander_times: tuple[float, ...] = assumed(
        (0.5, 1.0, 2.0, 4.0), "times", PRACTICE, "other circuits wander more or less"
    )
    wander_octaves: float = assumed(1.0, "factor of 2", PRACTICE, "spread of that")
    restless_sds: float = assumed(6.0, "sd", CONVENTION, "a level with the load on jumps about")
    restless_jump: float = assumed(0.02, "of the jump", CONVENTION, "... and by more than this")
    other_change: float = assumed(5.0, "nats", PRACTICE, "another appliance switched in a test")
    larger_change: float = assumed(2.0, "nats", PRACTICE, "... per factor of e above the load's")
    joint_moves: float = assumed(2.5, "nats", PRACTICE, "a level with the load on jumps")
    joint_share: float = assumed(0.6, "of the step", PRACTICE, "it does not part altogether")
    slow_change: float = assumed(1.0, "nats", PRACTICE, "a level creeps to another")
    no_tap: float = assumed(4.0, "nats", PRACTICE, "a switch without a tap near it")
    no_switch: float = assumed(3.0, "nats", PRACTICE, "a tap without a switch near it")
    odd_tap: float = assumed(3.0, "nats", PRACTICE, "a tap at the end of what is plausible")
    already_on: float = assumed(3.0, "nats", PRACTICE, "a test begins with the load on")
    still_on: float = assumed(5.0, "nats", PRACTICE, "it ends so, long after the tap for off")
    ended_on: float = assumed(1.5, "nats", PRACTICE, "it ends so otherwise")
    falls: float = assumed(4.0, "nats", PRACTICE, "the load takes a reading down")
    rises: float = assumed(8.0, "nats", PRACTICE, "the load lifts the supply")
    size_log_sd: float = assumed(0.2, "log", PRACTICE, "steps of one load: inrush, sag")
    background: float = assumed(0.25, "1", PRACTICE, "another appliance runs in the neutral")
    background_mv: tuple[float, float] = assumed(
        (2.0, 2000.0), "mV", PRACTICE, "what it makes, log-uniform"
    )
    pickup_mv: float = assumed(7.0, "mV", PRACTICE, "Rayleigh scale of pickup")
    wide_pickup_mv: float = assumed(15.0, "mV", PRACTICE, "the same on long leads")
    wide_pickup: float = assumed(0.1, "1", PRACTICE, "share of such leads")
    quadrature_mv: float = assumed(5.0, "mV", PRACTICE, "pickup beside a background")
    lagging: float = assumed(0.3, "1", PRACTICE, "motors and rectifiers among backgrounds")
    lag_degrees: tuple[float, ...] = assumed(
        (20.0, 27.0, 34.0, 41.0, 48.0), "degrees", PRACTICE, "the angles that stand for them"
    )
    sag: float = assumed(0.035, "1", PRACTICE, "the load takes others' current down by so much")
    sag_sd: float = assumed(0.02, "1", PRACTICE, "its spread")
    others_direct_mv: float = assumed(2.0, "mV", PRACTICE, "half-wave load: others' direct current")
    others_direct: float = assumed(0.015, "1", PRACTICE, "the same, as part of the drop")
    opposed: float = assumed(0.1, "1", PRACTICE, "neutral-ground: a neutral shared between legs")
    floating_mv: float = assumed(1000.0, "mV", PRACTICE, "no connected lead shows so much idle")
    restless_share: float = assumed(0.02, "1", PRACTICE, "a lead in the air moves by more")
    no_drop: float = assumed(0.5, "1", PRACTICE, "tests of a visit that show nothing")
    widest_drop_mv: float = assumed(2000.0, "mV", PRACTICE, "drops rarely pass that")
    certain: float = assumed(0.99, "1", CONVENTION, "a drop, or none, is stated")
    smallest_run_mohm: float = assumed(
        8.0, "mohm", "ASTM B258: 1 m of 14 AWG", "what none excludes"
    )
    ratio_rel_u: float = assumed(0.01, "1", PRACTICE, "ratio of two settings' currents")
    four_wire_u_mohm: float = assumed(0.3, "mohm", "from memory", "places of four wires' clips")

    def of_supply(self) -> "Levels":
        """The same where the level is the supply itself: large, steady, and no pickup in it."""
        step = self.line_step_share
        return replace(
            self,
            idle_step_share=step,
            load_step_share=step,
            largest_inrush=step,
            idle_share=step,
            idle_moves_share=2.0 * step,
            step_on_share=2.0 * step,
            least_step_mv=0.0,
            pickup_wander=self.line_noise_share,
            load_noise_share=0.0,
            largest_pickup_mv=math.inf,
            floating_mv=math.inf,
        )


@dataclass(frozen=True, slots=True)
class Faults:
    """What is behind receptacles that are dead or flicker; no survey data for any of it."""

    joint: float = assumed(1.0, "relative", PRACTICE, "a connection at one end of a run")
    through_device: float = assumed(0.5, "relative", PRACTICE, "the way on through a device")
    one_device: float = assumed(0.5, "relative", PRACTICE, "contacts or pigtail of one device")
    tripped: float = assumed(0.5, "relative", PRACTICE, "a ground-fault device has tripped")
    breaker: float = assumed(1.0, "relative", PRACTICE, "the breaker, beside the home run's ends")
    poor_times: float = assumed(30.0, "times", PRACTICE, "a connection that was poor before")
    poor_times_flicker: float = assumed(100.0, "times", PRACTICE, "the same where it flickers")
    wrong_dead: float = assumed(0.02, "1", PRACTICE, "a receptacle said to be dead or live is not")
    not_looked: float = assumed(0.1, "1", PRACTICE, "one that nobody spoke of is dead too")
    listed_in_order: float = assumed(0.5, "1", "from memory", "names are listed as they are wired")
    next_on_last: float = assumed(0.85, "1", PRACTICE, "untested: a receptacle hangs on the last")
    next_on_panel: float = assumed(0.02, "1", PRACTICE, "untested: it hangs on the panel")
    load_terminals_used: float = assumed(0.75, "1", PRACTICE, "a device protects what it feeds")


@dataclass(frozen=True, slots=True)
class Decisions:
    """Where a probability becomes a word."""

    settled: float = assumed(0.95, "1", CONVENTION, "an answer that needs no more tests")
    named: float = assumed(0.5, "1", CONVENTION, "a condition or an outlier is named")
    listed: float = assumed(0.05, "1", CONVENTION, "a condition is listed")
    told_apart: float = assumed(0.8, "1", CONVENTION, "two receptacles count as separated")
    misfit: float = assumed(0.005, "1", CONVENTION, "so many outliers are no chance")
    scatter_sd: float = assumed(4.0, "sd", CONVENTION, "chi-square above that is a misfit")


@dataclass(frozen=True, slots=True)
class Assumptions:
    """All groups; ``dataclasses.replace`` makes another set."""

    runs: Runs = field(default_factory=Runs)
    shapes: Shapes = field(default_factory=Shapes)
    conditions: Conditions = field(default_factory=Conditions)
    outliers: Outliers = field(default_factory=Outliers)
    meter: Meter = field(default_factory=Meter)
    joints: Joints = field(default_factory=Joints)
    faults: Faults = field(default_factory=Faults)
    levels: Levels = field(default_factory=Levels)
    decisions: Decisions = field(default_factory=Decisions)


USUAL = Assumptions()
MAX_RECEPTACLES = 40  # on one breaker; common practice is 8 to 13


def listed(assumptions: Assumptions = USUAL) -> Iterator[tuple[str, str, object, str, str, str]]:
    """Group, name, value, unit, source and what hangs on it, for every field."""
    for group in fields(assumptions):
        values = getattr(assumptions, group.name)
        for one in fields(values):
            about = one.metadata
            value = getattr(values, one.name)
            yield group.name, one.name, value, about["unit"], about["source"], about["bears_on"]
