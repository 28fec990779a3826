"""Weighted wirings made by hand, by listing and by chance, for the tests of every answer."""

from dataclasses import replace

import numpy as np

from meterlink.answers.wirings import Wirings
from meterlink.tree.trees import clades, every_tree
from meterlink.tree.wiring import Loop

NAMES = ("Door", "Desk", "Bed", "Hall", "Sink", "Porch")


def wirings_of(
    feeds: list[dict[str, str]], shares: list[float] | None = None, **more: object
) -> Wirings:
    """Wirings from who feeds whom; what is not named hangs on the panel."""
    names = tuple(dict.fromkeys(name for one in feeds for name in one))
    index = {name: i for i, name in enumerate(names)}
    own = np.zeros((len(feeds), len(names)), dtype=np.int64)
    for row, one in zip(own, feeds, strict=True):
        for name in names:
            at: str | None = name
            while at in index:
                row[index[at]] |= 1 << index[name]
                at = one.get(at)
    probability = np.array(shares or [1 / len(feeds)] * len(feeds))
    fields: dict[str, object] = {
        "names": names,
        "probability": probability,
        "masks": own,
        "ring_runs": np.zeros(own.shape, dtype=bool),
        "clades": own,
        "closed": np.zeros(len(own), dtype=bool),
        "best": int(probability.argmax()),
        "untested": frozenset(),
    }
    return Wirings(**(fields | more))  # type: ignore[arg-type]


def every_wiring(n: int, rng: np.random.Generator) -> Wirings:
    """All trees of so many receptacles with random weights, some of them heavy."""
    masks = every_tree(n)[0]
    weight = rng.exponential(size=len(masks)) ** 3
    probability = weight / weight.sum()
    return Wirings(
        names=NAMES[:n],
        probability=probability,
        masks=masks,
        ring_runs=np.zeros(masks.shape, dtype=bool),
        clades=clades(masks, n),
        closed=np.zeros(len(masks), dtype=bool),
        best=int(probability.argmax()),
        untested=frozenset(),
    )


CHAIN = {"Door": "panel", "Desk": "Door", "Bed": "Desk", "Hall": "Bed"}
FORK = {"Door": "panel", "Desk": "Door", "Bed": "panel", "Hall": "Bed"}


def ring_of(*order: str, spurs: dict[str, str] | None = None, share: float = 1.0) -> Wirings:
    """A ring from the panel through receptacles and back, with spurs; the rest of it a chain."""
    loop = Loop(share, order, (20.0,) * (len(order) + 1))
    feeds = dict(zip(order, ("panel", *order), strict=False)) | (spurs or {})
    tree = wirings_of([feeds, feeds], [share, 1 - share])
    rung = wirings_of([dict.fromkeys(order, "panel") | (spurs or {})])
    runs = np.isin(tree.masks, [tree.masks[0][tree.names.index(name)] for name in order])
    closed = np.array([True, False])
    clades = np.stack([rung.clades[0], tree.clades[1]])
    return replace(tree, clades=clades, closed=closed, ring_runs=runs & closed[:, None], ring=loop)
