"""Weighted wirings made by hand, by listing and by chance, for the tests of every answer."""

import numpy as np

from meterlink.answers.wirings import Wirings
from meterlink.tree.trees import clades, every_tree

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
        "clades": own,
        "best": int(probability.argmax()),
        "untested": frozenset(),
        "absent": np.zeros(len(names)),
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
        clades=clades(masks, n),
        best=int(probability.argmax()),
        untested=frozenset(),
        absent=np.zeros(n),
    )


CHAIN = {"Door": "panel", "Desk": "Door", "Bed": "Desk", "Hall": "Bed"}
FORK = {"Door": "panel", "Desk": "Door", "Bed": "panel", "Hall": "Bed"}
