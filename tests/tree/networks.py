"""Networks of resistances, solved by plain nodal analysis, and tests made from them."""

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from meterlink.circuit.circuit import Circuit
from meterlink.testlog.columns import TestRow

from .plain import NG, row

Edge = tuple[str, str, float]


def common_path(edges: Iterable[Edge], sources: Iterable[str]) -> tuple[list[str], np.ndarray]:
    """Inverse of the Laplacian with the sources' rows and columns taken out.

    ``G[i][j]`` is volts lost at ``i`` per ampere drawn at ``j`` (Klein and Randic 1993 for any
    network; on a tree the resistance of the way that both share).
    """
    edges, held = list(edges), set(sources)
    names = [p for p in dict.fromkeys(p for a, b, _ in edges for p in (a, b)) if p not in held]
    at = {name: i for i, name in enumerate(names)}
    laplacian = np.zeros((len(names), len(names)))
    for a, b, ohm in edges:
        for p, q in ((a, b), (b, a)):
            if p in at:
                laplacian[at[p], at[p]] += 1 / ohm
                if q in at:
                    laplacian[at[p], at[q]] -= 1 / ohm
    return names, np.linalg.inv(laplacian)


def edges_of(example: Mapping[str, object]) -> list[Edge]:
    """Runs of one example of ``distributor_networks.json``."""
    return [(e["from"], e["to"], e["loop_ohm"]) for e in example["edges"]]


def rows_of_matrix(
    names: Sequence[str], mohm: np.ndarray, *, amps: float = 10.0, u_mv: float = 0.5
) -> list[TestRow]:
    """Neutral-ground at each receptacle with the load at each: the whole matrix, without noise."""
    pairs = [(a, load) for a in range(len(names)) for load in range(len(names))]
    return [
        row(i, NG, names[a], None, names[load], float(amps * mohm[a, load]), u_mv, amps=amps)
        for i, (a, load) in enumerate(pairs, 1)
    ]


def circuit_of(names: Sequence[str]) -> Circuit:
    return Circuit(name="network", receptacles=tuple(names), load_amps=10.0)
