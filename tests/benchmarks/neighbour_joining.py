"""Whole noisy matrices: the resolver against neighbour-joining of a general-purpose library.

Run by hand, once ``pip install biopython`` was done (it is no dependency of anything else):
``python tests/benchmarks/neighbour_joining.py [circuits] [first seed]``.

Each invented circuit of 8 receptacles is measured in full (``neutral-ground`` at each receptacle
with the load at each), with rising noise. Neighbour-joining (Saitou and Nei 1987) gets path
resistances ``S_ii + S_jj - 2 S_ij`` with the panel as one more leaf. It puts every receptacle at
the end of a branch; branches shorter than a threshold are drawn together, so that a receptacle can
be an inner point. The threshold that serves it best over all circuits of a noise level is used, a
favour that the resolver does not get. Right means: who feeds whom is right for all pairs.
"""

import sys
from dataclasses import replace

import numpy as np
from Bio.Phylo.TreeConstruction import DistanceMatrix, DistanceTreeConstructor
from simulated_tests import Bench

from meterlink.circuit.setup import Hookup, Setup
from meterlink.testlog.columns import TestRow
from meterlink.tree.infer import infer

RECEPTACLES = 8
NOISES_MV = (1.0, 3.0, 10.0, 20.0, 40.0, 80.0)
THRESHOLDS_MOHM = (0.1, 0.3, 1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0)
AMPS = 10.0
PANEL = "panel"

Feeds = frozenset[tuple[str, str]]


def matrix(bench: Bench, noise_mv: float) -> np.ndarray:
    """Measured mohm between neutral and ground at the row with the load at the column."""
    names = bench.circuit.receptacles
    drops = np.array(
        [
            [bench.wiring.drop_v(Setup(Hookup.NEUTRAL_GROUND, a, None, b), AMPS) for b in names]
            for a in names
        ]
    )
    return (drops * 1e3 + noise_mv * bench.rng.standard_normal(drops.shape)) / AMPS


def joined(names: tuple[str, ...], shared: np.ndarray) -> dict[float, Feeds]:
    """Who feeds whom by neighbour-joining, for each threshold."""
    shared = (shared + shared.T) / 2
    own = np.diag(shared)
    leaves = [PANEL, *names]
    lower = [[0.0]]
    for i in range(len(names)):
        between = [float(own[i] + own[j] - 2 * shared[i, j]) for j in range(i)]
        lower.append([max(float(own[i]), 0.0), *(max(d, 0.0) for d in between), 0.0])
    tree = DistanceTreeConstructor().nj(DistanceMatrix(leaves, lower))
    tree.root_with_outgroup(PANEL)
    way = {leaf.name: [tree.root, *tree.get_path(leaf)] for leaf in tree.get_terminals()}
    return {limit: _feeds(names, way, limit) for limit in THRESHOLDS_MOHM}


def _feeds(names: tuple[str, ...], way: dict[str, list], limit: float) -> Feeds:
    """Pairs of which the first feeds the second; branches shorter than ``limit`` are none."""
    points = {name: _point(way[name], limit) for name in names}
    return frozenset(
        (a, b) for a in names for b in names if a != b and any(points[a] is step for step in way[b])
    )


def _point(way: list, limit: float) -> object:
    """Where a receptacle sits once short branches on its way are drawn together."""
    steps = list(way)
    while len(steps) > 1 and (steps[-1].branch_length or 0) < limit:
        steps.pop()
    return steps[-1]


def resolved(bench: Bench, measured: np.ndarray, noise_mv: float) -> tuple[Feeds, float]:
    """Who feeds whom by the resolver, and the probability that it states."""
    names = bench.circuit.receptacles
    blank = bench.row(1, Setup(Hookup.NEUTRAL_GROUND, names[0], None, names[0]))
    rows: list[TestRow] = []
    for i, a in enumerate(names):
        for j, b in enumerate(names):
            drop = float(measured[i, j] * AMPS)
            setup = Setup(Hookup.NEUTRAL_GROUND, a, None, b)
            rows.append(
                replace(
                    blank,
                    test=len(rows) + 1,
                    setup=setup,
                    amps=AMPS,
                    drop_mv=drop,
                    drop_u_mv=noise_mv,
                )
            )
    orders = infer(replace(bench.circuit, volts=None), rows).orders
    best = orders.clades[orders.best]
    pairs = frozenset(
        (a, b)
        for i, a in enumerate(names)
        for j, b in enumerate(names)
        if i != j and best[i] >> j & 1
    )
    return pairs, float(orders.probability.max())


def main() -> None:
    """Print the table."""
    circuits = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 40_000
    print("noise mV  circuits  joining right  (threshold mohm)  resolver right  its mean certainty")
    for noise_mv in NOISES_MV:
        joining = dict.fromkeys(THRESHOLDS_MOHM, 0)
        right, certainty = 0, []
        for k in range(circuits):
            bench = Bench.draw(RECEPTACLES, seed + k)
            upstream = bench.wiring.upstream()
            truth = frozenset((a, b) for b, above in upstream.items() for a in above)
            measured = matrix(bench, noise_mv)
            for limit, found in joined(bench.circuit.receptacles, measured).items():
                joining[limit] += found == truth
            pairs, sure = resolved(bench, measured, noise_mv)
            right += pairs == truth
            certainty.append(sure)
        best = max(joining, key=lambda limit: joining[limit])
        print(
            f"{noise_mv:8.0f}  {circuits:8d}  {joining[best] / circuits:13.2f}  "
            f"{best:16.1f}  {right / circuits:14.2f}  {np.mean(certainty):18.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
