"""How often what is claimed of protection, of dead receptacles and of boxes to open is right.

    python tests/benchmarks/answers.py [--circuits 200] [--seed 90000] [--most 12]
        [--branches 1]

Invented circuits of 4 to 12 receptacles (``simulated_tests``), a routine test at each and up to
``n`` random ones. Three tables: devices chosen to cover all, or two receptacles drawn at random,
with the share that does cover them in each band of stated probability, and how many of the settled
ones are as few as trying every set on the true tree finds; what is said to be dead or live with
the load wires of a receptacle disconnected; and the place in the list of the box with a break that
was drawn at random.
"""

import argparse
import sys
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from simulated_tests import Bench, true_clades

from meterlink.answers.fault import find_fault
from meterlink.answers.protection import protect
from meterlink.answers.wirings import Wirings, expectations, known_of, place_to_open
from meterlink.circuit.setup import Hookup, Setup
from meterlink.testlog.findings import State

BANDS = ((0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 0.99), (0.99, 1.01))


@dataclass
class Claims:
    """Stated probabilities, and whether each claim was right."""

    stated: list[float] = field(default_factory=list)
    right: list[bool] = field(default_factory=list)

    def add(self, probability: float, right: bool) -> None:
        """One claim."""
        self.stated.append(probability)
        self.right.append(right)

    def show(self, what: str) -> None:
        """A line a band."""
        stated, right = np.array(self.stated), np.array(self.right)
        for low, high in BANDS:
            inside = (stated >= low) & (stated < high)
            if count := int(inside.sum()):
                mean = stated[inside].mean()
                error = (mean * (1 - mean) / count) ** 0.5
                print(
                    f"{what:18} {low:.2f}-{min(high, 1):.2f}  {count:5}  right "
                    f"{right[inside].mean():.3f}  (stated {mean:.3f} ± {error:.3f})"
                )


def fewest(own: list[int], wanted: int) -> int:
    """Every set of receptacles, smallest first, on the true tree."""
    for size in range(1, len(own) + 1):
        for devices in combinations(own, size):
            reached = 0
            for beyond in devices:
                reached |= beyond
            if reached & wanted == wanted:
                return size
    raise AssertionError


@dataclass
class Study:
    """All that is counted."""

    every: Claims = field(default_factory=Claims)
    two: Claims = field(default_factory=Claims)
    at: Claims = field(default_factory=Claims)
    dead: Claims = field(default_factory=Claims)
    settled: int = 0
    as_few: int = 0
    ranks: list[int] = field(default_factory=list)
    box_share: list[float] = field(default_factory=list)

    def circuit(self, seed: int, most: int, branches: float) -> None:
        """Everything that is asked of one circuit."""
        rng = np.random.default_rng(seed)
        bench = Bench.draw(int(rng.integers(4, most + 1)), seed, branches=branches)
        names = bench.circuit.receptacles
        setups = [Setup(Hookup.NEUTRAL_GROUND, name, None, name) for name in names]
        setups += [bench.random_setup() for _ in range(int(rng.integers(len(names) + 1)))]
        rows = [bench.row(i, setup) for i, setup in enumerate(setups, start=1)]
        known = known_of(bench.circuit, rows)
        own = true_clades(bench)
        pair = tuple(str(name) for name in rng.choice(names, 2, replace=False))
        self._protection(known.wirings, own, (), self.every)
        self._protection(known.wirings, own, pair, self.two)
        device = str(rng.choice(names))
        for item in protect(known.wirings, at=[device]).each:
            inside = own[names.index(device)] >> names.index(item.name) & 1
            self.at.add(item.probability, bool(inside))
        place = place_to_open(known.wirings)
        for one in expectations(known.wirings, at=place):
            is_dead = own[names.index(place)] >> names.index(one.name) & 1
            self.dead.add(one.probability, bool(is_dead) == (one.state is State.DEAD))
        self._fault(known.wirings, bench, rng)

    def _protection(
        self, wirings: Wirings, own: list[int], cover: tuple[str, ...], claims: Claims
    ) -> None:
        answer = protect(wirings, cover)
        wanted = wirings.bits(answer.wanted)
        reached = 0
        for device in answer.devices:
            reached |= own[wirings.names.index(device)]
        claims.add(answer.covered, reached & wanted == wanted)
        if answer.settled:
            self.settled += 1
            as_few = len(answer.devices) == fewest(own, wanted)
            self.as_few += as_few and reached & wanted == wanted

    def _fault(self, wirings: Wirings, bench: Bench, rng: np.random.Generator) -> None:
        """A break at a random end of a random run: what is beyond is dead."""
        wiring = bench.wiring
        run = int(rng.integers(1, len(wiring.names)))
        beyond = [n for n in bench.circuit.receptacles if run in wiring.way(wiring.index(n))]
        end = run if rng.random() < 0.5 else wiring.parent[run]
        found = find_fault(wirings, beyond)
        if wiring.names[end] is None:  # a hidden splice has no name to look for
            return
        listed = [box.name for box in found.boxes]
        name = str(wiring.names[end])
        self.ranks.append(listed.index(name) + 1 if name in listed else len(listed) + 1)
        self.box_share.append(next((b.probability for b in found.boxes if b.name == name), 0.0))

    def show(self) -> None:
        """The tables so far."""
        self.every.show("covers all")
        self.two.show("covers two")
        self.at.show("device at a place")
        self.dead.show("dead or live")
        right = f"{self.as_few} of {self.settled}"
        print(f"settled answers that cover, with as few as the true tree needs: {right}")
        ranks = np.array(self.ranks)
        shares = ", ".join(f"{k}: {(ranks <= k).mean():.3f}" for k in (1, 2, 3))
        print(f"box with the break among the first {shares} ({len(ranks)} breaks);", end=" ")
        print(f"mean probability stated of it {np.mean(self.box_share):.3f}\n")
        sys.stdout.flush()


def main() -> None:
    """Print the tables as they grow."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--circuits", type=int, default=200)
    parser.add_argument("--seed", type=int, default=90000)
    parser.add_argument("--most", type=int, default=12)
    parser.add_argument("--branches", type=float, default=1.0)
    options = parser.parse_args()
    study = Study()
    for done, seed in enumerate(range(options.seed, options.seed + options.circuits), start=1):
        study.circuit(seed, options.most, options.branches)
        if done % 40 == 0 or done == options.circuits:
            print(f"{done} circuits")
            study.show()


if __name__ == "__main__":
    main()
