"""Which tests are possible, and what each costs a person where the last one left them."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup, Setup, made_setup


@dataclass(frozen=True, slots=True)
class Effort:
    """What a test costs, in units of one on/off cycle with nothing moved (common practice).

    Walking to another place costs most, and is paid once for all that is moved there; moving a
    lead (push it home, see the idle level settle) costs more than moving the load's plug.
    """

    cycle: float = 1.0
    other_room: float = 0.3
    same_room: float = 0.1
    lead: float = 0.05
    load: float = 0.03
    more_cycles: float = 0.2  # one more short cycle with nothing moved

    def of(self, setup: Setup, last: Setup | None, circuit: Circuit) -> float:
        """Cost of doing ``setup`` after ``last``; rooms not given count as different rooms."""
        return self.of_each([setup], last, circuit)[0]

    def of_each(self, setups: Sequence[Setup], last: Setup | None, circuit: Circuit) -> list[float]:
        """The same of each of some setups."""
        here = () if last is None else last.places
        leads_now = () if last is None else last.leads
        load_now = None if last is None else last.load_at
        walk = {
            name: self.same_room
            if any(_same_room(circuit, name, old) for old in here)
            else self.other_room
            for name in circuit.receptacles
        }

        def cost(setup: Setup) -> float:
            leads = [name for name in setup.leads if name not in leads_now]
            load = [] if setup.load_at in (load_now, "") else [setup.load_at]  # no load: ohmmeter
            walks = sum(walk[name] for name in {*leads, *load})
            return self.cycle + walks + self.lead * len(leads) + self.load * len(load)

        return [cost(setup) for setup in setups]


def _same_room(circuit: Circuit, a: str, b: str) -> bool:
    """Whether two receptacles are known to be in one room."""
    return a in circuit.rooms and circuit.rooms[a] == circuit.rooms.get(b)


def possible_setups(
    circuit: Circuit,
    *,
    not_now: Collection[str] = (),
    hookups: Collection[Hookup] | None = None,
    one_place: bool = False,
    side: str = "neutral",
) -> Iterator[Setup]:
    """All tests that can be done now.

    ``line-drop`` and ``neutral-ground`` with the load at another receptacle are among them; with
    both leads on either side of nothing (the load at a lead of the same receptacle) too, since the
    drop is still that of the runs towards the panel.

    Args:
        circuit: Names, and whether there are grounds.
        not_now: Receptacles that are not accessible.
        hookups: The hookups to use; by default all that the circuit allows.
        one_place: The load is where the leads are, as with a circuit tester.
        side: Conductor to measure on the dead circuit.
    """
    names = [name for name in circuit.receptacles if name not in not_now]
    allowed = set(LIVE_HOOKUPS) if hookups is None else set(hookups)
    if not circuit.grounded:
        allowed.discard(Hookup.NEUTRAL_GROUND)
    yield from _dead_setups(circuit, names, allowed, side)
    if circuit.load_kind is LoadKind.DIRECT_SOURCE:
        return
    for load in names:
        for hookup in LIVE_HOOKUPS:
            if hookup not in allowed:
                continue
            if hookup.has_lead_b:
                for a, b in combinations(names, 2):
                    if not one_place or load in (a, b):
                        yield Setup(hookup, a, b, load)
            else:
                for a in [load] if one_place else names:
                    if hookup is not Hookup.NEUTRAL_GROUND or a not in circuit.no_ground:
                        yield Setup(hookup, a, None, load)


def _dead_setups(
    circuit: Circuit, names: Sequence[str], allowed: Collection[Hookup], side: str
) -> Iterator[Setup]:
    """Tests of the dead circuit: between two receptacles, or one and the panel.

    Readings over the ground are not asked for: metal beside the wire lowers them. Where there is
    no ground to bring a source's current back, it comes back at another receptacle.
    """
    pairs = [*combinations(names, 2), *((name, None) for name in names)]
    if Hookup.PATH_RESISTANCE in allowed:
        for a, b in pairs:
            yield made_setup(Hookup.PATH_RESISTANCE, a, b, side=side)
    if circuit.load_kind is LoadKind.DIRECT_SOURCE and Hookup.NEUTRAL_NEUTRAL in allowed:
        ends = [(load, None) for load in names] if circuit.grounded else combinations(names, 2)
        for load, back in ends:
            for a, b in pairs:
                yield made_setup(
                    Hookup.NEUTRAL_NEUTRAL, a, b, load, side=side, return_at=back, direct=True
                )
