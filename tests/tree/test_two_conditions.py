"""Two things the matter at once: no explanation is weighed for that, so nothing may be settled."""

import numpy as np
import pytest

from meterlink.circuit.setup import Hookup, Setup
from meterlink.levels.test_flags import Flag
from meterlink.tree.resolve import resolve
from meterlink.tree.wiring import WiringMap

from .networks import Edge, common_path
from .plain import NAMES, NG, NN, circuit, row

PAIRS = (
    ("bonded", "no ground"),
    ("bonded", "misnamed"),
    ("elsewhere", "misnamed"),
    ("ring", "misnamed"),
    ("bonded", "elsewhere"),
    ("ring", "no ground"),
)
N = 4


class House:
    """A chain of four, or a fork, with its ground wires, solved by nodal analysis."""

    def __init__(self, seed: int, pair: tuple[str, str]) -> None:
        self.rng = rng = np.random.default_rng(seed)
        self.pair = pair
        order = [int(i) for i in rng.permutation(N)]
        after = [-1, *order[:-1]]
        if "ring" not in pair and rng.random() < 0.4:
            after[3] = order[1]
        self.feeds = dict(zip(order, after, strict=True))
        ohm = {
            i: float(rng.lognormal(np.log(0.035 if f >= 0 else 0.08), 0.4))
            for i, f in self.feeds.items()
        }
        edges: list[Edge] = []
        for i, f in self.feeds.items():
            edges += [(f"n{i}", "panel" if f < 0 else f"n{f}", ohm[i])]
            edges += [(f"g{i}", "panel" if f < 0 else f"g{f}", ohm[i])]
        if "ring" in pair:
            edges += [(f"{c}{order[-1]}", "panel", 0.07) for c in "ng"]
        if "bonded" in pair:
            at = order[int(rng.integers(1, N))]
            edges.append((f"n{at}", f"g{at}", 0.005))
        self.away = order[3] if "elsewhere" in pair else None
        self.bare = int(rng.integers(N)) if "no ground" in pair else None
        self.points, self.ohm = common_path(edges, ["panel"])

    def volts(self, point: str, load: int) -> float:
        if load == self.away or int(point[1:]) == self.away:
            return 0.0
        return float(self.ohm[self.points.index(point), self.points.index(f"n{load}")])

    def drop_mv(self, setup: Setup) -> float:
        a, load = NAMES.index(setup.lead_a), NAMES.index(setup.load_at)
        other = f"g{a}" if setup.lead_b is None else f"n{NAMES.index(setup.lead_b)}"
        return 1e4 * abs(self.volts(f"n{a}", load) - self.volts(other, load))

    def answer(self) -> WiringMap:
        """The map after the depth of each and ten more tests at random."""
        rng = self.rng
        setups = [Setup(NG, x, None, x) for x in NAMES[:N]]
        for _ in range(10):
            a, b, load = (NAMES[int(i)] for i in (*rng.permutation(N)[:2], rng.integers(N)))
            hookup: Hookup = (NN, NG)[int(rng.random() < 0.3)]
            setups.append(Setup(hookup, a, b if hookup is NN else None, load))
        wrong = int(rng.integers(len(setups))) if "misnamed" in self.pair else None
        rows = []
        for i, s in enumerate(setups):
            done = s
            if i == wrong:
                free = [x for x in NAMES[:N] if x not in (s.lead_a, s.lead_b)]
                done = Setup(s.hookup, free[int(rng.integers(len(free)))], s.lead_b, s.load_at)
            mv, flags = self.drop_mv(done), ()
            if self.bare is not None and s.hookup is NG and done.lead_a == NAMES[self.bare]:
                mv, flags = float(rng.uniform(0, 40)), (Flag.FLOATING,)
            u = float(np.hypot(5.0, 0.005 * mv))
            drop = abs(mv + u * rng.standard_normal())
            rows.append(row(i + 1, s.hookup, s.lead_a, s.lead_b, s.load_at, drop, u, flags=flags))
        return resolve(circuit(N, load_amps=10.0), rows)

    def right(self, found: WiringMap) -> bool:
        """Whether the receptacles of this circuit are fed as they are."""
        if "ring" in self.pair:
            order = [NAMES[i] for i in self.feeds]
            return found.loop is not None and list(found.loop.order) in (order, order[::-1])
        fed = {p.name: p.fed_from for p in found.points}
        return all(
            fed[NAMES[i]] == ("panel" if f < 0 else NAMES[f])
            for i, f in self.feeds.items()
            if i != self.away
        )


def outcome(seed: int, pair: tuple[str, str]) -> tuple[bool, bool]:
    """Whether the answer is settled, and right."""
    house = House(seed, pair)
    found = house.answer()
    return found.settled, house.right(found)


@pytest.mark.parametrize("pair", PAIRS, ids=" and ".join)
def test_two_conditions_at_once_settle_nothing_wrong(pair: tuple[str, str]) -> None:
    found = [outcome(seed, pair) for seed in range(2)]
    assert all(right for settled, right in found if settled)
