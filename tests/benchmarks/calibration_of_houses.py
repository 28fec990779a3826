"""How often answers are right that are given with a stated certainty, in houses with a condition.

    python tests/benchmarks/calibration_of_houses.py [--circuits 1000] [--seed 80000] [--workers 2]
        [--share 0.34] [--most 10] [--least 4]

Every circuit is a network of neutral, ground and hot conductors that is solved by nodal analysis
(numpy; shares no code with the resolver). A ``share`` of them has a condition: a ground bonded to
the neutral, a ring, a receptacle of another circuit, boxes without a ground contact, appliances
left on, or a neutral shared with the other leg. Each gets ``n`` to ``4 n`` tests: a routine one at
each receptacle, then random ones; 2 % lose contact, 1 % have one lead at another receptacle. The
table shows how many answers of a certainty were given and how many of them were right; then how
often each condition was named where it was there, and per 1,000 circuits where it was not.
"""

import math
import sys
from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np
from calibration import BANDS, run_all
from simulated_tests import CONDUCTORS, NAMES, time_of

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup, Setup
from meterlink.levels.drop import evaluate
from meterlink.levels.test_flags import Flag
from meterlink.simulation import Wiring, random_wiring
from meterlink.testlog.columns import TestRow
from meterlink.tree.resolve import resolve
from meterlink.tree.wiring import WiringMap

CONDITIONS = {
    "ground-bonded": 1.0,
    "second-path": 1.0,
    "not-on-circuit": 1.0,
    "no-ground": 1.0,
    "other-load": 1.0,
    "shared-neutral": 1.0,
}
NAMED = 0.5


@dataclass
class House:
    """One circuit with what is the matter with it; drops come from its node voltages.

    Attributes:
        wiring, circuit: The tree and what is stated.
        condition, at: What is the matter, and the receptacles concerned.
        more: Further resistors between nodes, ``(node, node, ohm)``; a node is ``(side, point)``.
        idle_amps: Current of others that comes back from a point: signed.
        amps: What the load really draws at the supply's volts.
    """

    wiring: Wiring
    circuit: Circuit
    rng: np.random.Generator
    condition: str = ""
    at: tuple[str, ...] = ()
    more: list[tuple[tuple[str, int], tuple[str, int], float]] = field(default_factory=list)
    idle_amps: tuple[tuple[int, float], ...] = ()
    amps: float = 10.0

    @classmethod
    def draw(cls, n: int, seed: int, share: float) -> "House":
        """A random one."""
        rng = np.random.default_rng(seed)
        conductor, ohm_per_m, volts = CONDUCTORS[int(rng.integers(len(CONDUCTORS)))]
        names = tuple(NAMES[:n])
        wiring = random_wiring(names, rng, ohm_per_m=ohm_per_m)
        amps = float(rng.uniform(6, 12.5))
        stated = round(amps * float(rng.uniform(0.97, 1.03)), 1)
        circuit = Circuit(f"house {seed}", names, volts, conductor=conductor, load_amps=stated)
        house = cls(wiring, circuit, rng)
        house.amps = amps
        if rng.random() < share:
            house._spoil(str(rng.choice(list(CONDITIONS))), ohm_per_m)
        return house

    def _spoil(self, condition: str, ohm_per_m: float) -> None:
        rng, names = self.rng, list(self.circuit.receptacles)
        self.condition = condition
        one = str(rng.choice(names))
        if condition == "ground-bonded":
            at = self.wiring.index(one)
            self.at, self.more = (one,), [(("n", at), ("g", at), float(rng.uniform(0.003, 0.03)))]
        elif condition == "second-path":  # a plain ring: both ends at the panel
            runs = len(names)
            metres = [float(rng.lognormal(np.log(10.0 if k in (0, runs) else 3.5), 0.5))
                      for k in range(runs + 1)]  # fmt: skip
            ohm = [m * ohm_per_m + float(rng.uniform(0.002, 0.008)) for m in metres]
            order = [str(x) for x in rng.permutation(np.array(names, dtype=object))]
            self.wiring = Wiring(
                ("panel", *order), (0, *range(runs)), (0.0, *ohm[:-1]), (0.0, *ohm[:-1])
            )
            self.more = [((side, runs), (side, 0), ohm[-1]) for side in "nhg"]
        elif condition == "no-ground":
            self.at = tuple(x for x in names if rng.random() < 0.35) or (one,)
        elif condition == "other-load":
            places = rng.choice(len(self.wiring.names) - 1, 2) + 1
            self.idle_amps = tuple((int(p), float(rng.uniform(0.3, 2.5))) for p in places)
        elif condition == "shared-neutral":
            point = self.wiring.index(one)
            point = self.wiring.way(point)[0]
            self.idle_amps = ((point, -float(rng.uniform(2, 6))),)
        else:
            self.at = (one,)

    def _volts(self, side: str, point: int, amps: float) -> dict[tuple[str, int], float]:
        """Potential of all nodes against the bars where a current enters at a node."""
        size = len(self.wiring.names)
        sides = "ng" if side in "ng" else "h"
        nodes = [(s, p) for s in sides for p in range(1, size)]
        at = {node: i for i, node in enumerate(nodes)}
        matrix = np.zeros((len(nodes), len(nodes)))
        tree = self.wiring
        runs = [
            ((s, p), (s, tree.parent[p]), (tree.hot_ohm if s == "h" else tree.neutral_ohm)[p])
            for s in sides for p in range(1, size)
        ]  # fmt: skip
        for one, other, ohm in runs + [m for m in self.more if m[0][0] in sides]:
            for node, far in ((one, other), (other, one)):
                if node in at:
                    matrix[at[node], at[node]] += 1 / ohm
                    if far in at:
                        matrix[at[node], at[far]] -= 1 / ohm
        right = np.zeros(len(nodes))
        right[at[side, point]] = amps
        solved = np.linalg.solve(matrix, right)
        return {node: float(v) for node, v in zip(nodes, solved, strict=True)}

    def _drop_v(self, setup: Setup, point: int, amps: float) -> float:
        """What a current through the load at a point causes between the leads, signed."""
        a = self.wiring.index(setup.lead_a)
        b = self.wiring.index(setup.lead_b) if setup.lead_b else 0
        away = self.at if self.condition == "not-on-circuit" else ()
        neutral, hot = self._volts("n", point, amps), self._volts("h", point, amps)

        def at(side: str, name: str | None, where: int) -> float:
            return 0.0 if name in away else (hot if side == "h" else neutral)[side, where]

        if setup.hookup is Hookup.NEUTRAL_GROUND:
            return at("n", setup.lead_a, a) - at("g", setup.lead_a, a)
        if setup.hookup is Hookup.LINE_DROP:
            source = amps * self.wiring.source_ohm
            return source + at("n", setup.lead_a, a) + at("h", setup.lead_a, a)
        side = "n" if setup.hookup is Hookup.NEUTRAL_NEUTRAL else "h"
        return at(side, setup.lead_a, a) - at(side, setup.lead_b, b)

    def row(self, number: int, setup: Setup) -> TestRow:
        """Do one test: levels with pickup, jitter, wander; then the project's own drop."""
        rng, away = self.rng, self.at if self.condition == "not-on-circuit" else ()
        real = setup
        if rng.random() < 0.01:
            others = [x for x in self.circuit.receptacles if x not in setup.places]
            real = replace(setup, lead_a=str(rng.choice(others))) if others else setup
        amps = self.wiring.amps_at(setup.load_at, self.amps, self.circuit.volts or 120.0)
        load = self.wiring.index(setup.load_at)
        drop = 0.0 if setup.load_at in away else self._drop_v(real, load, amps)
        idle = sum(self._drop_v(real, point, i) for point, i in self.idle_amps)
        if setup.load_at in away and setup.load_at in (real.lead_a, real.lead_b):
            drop = float(rng.uniform(0.05, 1.5))  # its own circuit's drop
        if rng.random() < 0.02:
            idle = drop = 0.0
        phase = np.exp(1j * rng.uniform(0, 2 * np.pi))
        pickup = 1e-3 * float(rng.uniform(2, 9)) * phase
        flags: tuple[str, ...] = ()
        floating = self.condition == "no-ground" and real.lead_a in self.at
        if setup.hookup is Hookup.LINE_DROP:
            u_mv = float(rng.uniform(40, 120))
            volts = self.circuit.volts or 120.0
            levels = 1e3 * volts, 1e3 * (volts - abs(drop)) + u_mv * rng.standard_normal()
        else:
            u_mv = float(rng.uniform(0.3, 1.2))
            if floating and setup.hookup is Hookup.NEUTRAL_GROUND:
                pickup, drop, idle = float(rng.uniform(0.5, 20)) * phase, 0.0, 0.0
                flags = (Flag.FLOATING,) if rng.random() < 0.8 else ()
                u_mv = 30.0
            wander = 1 + 0.0012 * rng.standard_normal()
            levels = 1e3 * abs(idle + pickup), 1e3 * abs((idle + drop) * wander + pickup)
            levels = levels[0], levels[1] + u_mv * rng.standard_normal()
            u_mv = math.hypot(u_mv, 1.5 * abs(drop))
        smallest = 0.6 * (self.circuit.load_amps or 10.0) * 5.0
        found = evaluate(setup.hookup, *levels, u_mv, smallest_drop_mv=smallest)
        return TestRow(
            number,
            time_of(number),
            setup,
            amps=self.circuit.load_amps,
            idle_mv=levels[0],
            on_mv=levels[1],
            delta_mv=levels[1] - levels[0],
            drop_mv=found.drop_mv,
            drop_u_mv=found.drop_u_mv,
            limit_mv=found.limit_mv,
            verdict=found.verdict,
            level_u_mv=u_mv,
            flags=flags,
        )

    def random_setup(self) -> Setup:
        """Any possible test, hookup first."""
        names = self.circuit.receptacles
        hookup = LIVE_HOOKUPS[int(self.rng.integers(len(LIVE_HOOKUPS)))]
        a, b = self.rng.choice(len(names), 2, replace=False)
        load = names[int(self.rng.integers(len(names)))]
        return Setup(hookup, names[a], names[b] if hookup.has_lead_b else None, load)

    def feeds(self) -> dict[str, frozenset[str]]:
        """What feeds each receptacle that is on the circuit."""
        away = set(self.at) if self.condition == "not-on-circuit" else set()
        return {k: v - away for k, v in self.wiring.upstream().items() if k not in away}

    def first(self) -> str | None:
        """The receptacle that feeds all others; none on a ring."""
        feeds = self.feeds()
        if self.condition == "second-path":
            return None
        return next((x for x in feeds if all(x == o or x in feeds[o] for o in feeds)), None)


@dataclass
class Answer:
    """What was said of one house, and whether it was right."""

    seed: int
    condition: str
    order: float
    order_right: bool
    first: float
    first_right: bool
    settled: bool
    named: tuple[str, ...]


def order_right(house: House, found: WiringMap) -> bool:
    """Whether the whole order is the true one."""
    if house.condition == "second-path":
        true = list(house.wiring.names[1:])
        told = list(found.loop.order) if found.loop else []
        return told in (true, true[::-1])
    feed = {p.name: p.fed_from for p in (*found.points, *found.splices)}
    for name, true_feeds in house.feeds().items():
        told, at = set(), feed.get(name, "panel")
        while at != "panel":
            told |= {at} & set(house.circuit.receptacles)
            at = feed[at]
        away = set(house.at) if house.condition == "not-on-circuit" else set()
        if told - away != true_feeds:
            return False
    return True


def answer(seed: int, least: int, most: int, share: float) -> Answer:
    """Test one house and resolve it."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(least, most + 1))
    house = House.draw(n, seed, share)
    setups = [Setup(Hookup.NEUTRAL_GROUND, x, None, x) for x in house.circuit.receptacles]
    setups += [house.random_setup() for _ in range(int(rng.integers(0, 3 * n + 1)))]
    found = resolve(house.circuit, [house.row(i, s) for i, s in enumerate(setups, 1)])
    return Answer(
        seed,
        house.condition,
        found.order_probability,
        order_right(house, found),
        found.first.probability,
        found.first.receptacle == house.first(),
        found.settled,
        tuple(sorted({c.name for c in found.conditions if c.probability >= NAMED})),
    )


def show(answers: list[Answer]) -> None:
    """Print the tables of what was answered so far."""
    print(f"{len(answers)} circuits, {sum(bool(a.condition) for a in answers)} with a condition")
    for what in ("order", "first"):
        stated = np.array([getattr(a, what) for a in answers])
        right = np.array([getattr(a, what + "_right") for a in answers])
        sound = np.array([not a.condition for a in answers])
        for name, some in (("all", right == right), ("sound", sound), ("condition", ~sound)):
            for low, high in BANDS[1:]:
                inside = (stated >= low) & (stated < high) & some
                count = int(inside.sum())
                if not count:
                    continue
                mean = stated[inside].mean()
                error = (mean * (1 - mean) / count) ** 0.5
                print(
                    f"{what:6}{name:10}{low:.2f}-{min(high, 1):.2f}  {count:5}  right "
                    f"{right[inside].mean():.3f}  (stated {mean:.3f} ± {error:.3f})"
                )
    for condition in ("", *CONDITIONS):
        some = [a for a in answers if a.condition == condition]
        settled = [a for a in some if a.settled]
        wrong = [a.seed for a in settled if not a.order_right]
        said = [a for a in some if a.first >= 0.95]
        false = [a.seed for a in said if not a.first_right]
        named = sum(condition in a.named for a in some)
        print(
            f"{condition or 'sound':15} {len(some):4} circuits, settled {len(settled)}, wrong "
            f"{wrong}, first at 0.95 {len(said)}, wrong {false}, named {named if condition else 0}"
        )
    alarms = Counter(name for a in answers if not a.condition for name in a.named)
    print("false alarms among the sound:", dict(alarms), "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    run_all(answer, show, __doc__, seed=80000, share=0.34, least=4, most=10)
