"""A second, slow way of everything, for the resolver to be compared with.

A wiring is a tuple of branches at the panel; a branch is ``(receptacle or None, branches)``,
``None`` for a splice. Nothing here knows of bit masks.
"""

import itertools
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from functools import cache

import numpy as np

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.testlog.columns import TestRow
from meterlink.tree.trees import TreePrior

NN, NG, LINE = Hookup.NEUTRAL_NEUTRAL, Hookup.NEUTRAL_GROUND, Hookup.LINE_DROP
NAMES = ("Attic", "Bath", "Cellar", "Den", "Eaves", "Foyer", "Garage", "Hatch")

Branch = tuple[int | None, tuple]
Parents = dict[object, object]


def partitions(items: tuple[int, ...]) -> Iterator[tuple[tuple[int, ...], ...]]:
    """Every way to part a set into blocks."""
    if not items:
        yield ()
        return
    head, rest = items[0], items[1:]
    for pick in range(1 << len(rest)):
        block = (head, *(x for k, x in enumerate(rest) if pick >> k & 1))
        left = tuple(x for k, x in enumerate(rest) if not pick >> k & 1)
        for others in partitions(left):
            yield (block, *others)


@cache
def branches(items: tuple[int, ...]) -> tuple[Branch, ...]:
    """Every branch that holds just these receptacles."""
    by_receptacle = [
        (root, inner) for root in items for inner in wirings(tuple(x for x in items if x != root))
    ]
    return (*by_receptacle, *((None, inner) for inner in wirings(items, 2)))


@cache
def wirings(items: tuple[int, ...], least: int = 1) -> tuple[tuple[Branch, ...], ...]:
    """Every set of at least so many branches that together hold just these receptacles."""
    found: list[tuple[Branch, ...]] = []
    for blocks in partitions(items):
        if len(blocks) >= least or not items:
            found += itertools.product(*(branches(block) for block in blocks))
    return tuple(found)


def parents(wiring: tuple[Branch, ...]) -> Parents:
    """For each point the point that feeds it; splices are ``("splice", number)``."""
    feeds: Parents = {}

    def walk(at: object, inner: tuple[Branch, ...]) -> None:
        for root, beyond in inner:
            point = ("splice", len(feeds)) if root is None else root
            feeds[point] = at
            walk(point, beyond)

    walk("panel", wiring)
    return feeds


def way(feeds: Parents, point: object) -> frozenset[object]:
    """The runs between the panel and a point, each told by the point it feeds."""
    steps = set()
    while point != "panel":
        steps.add(point)
        point = feeds[point]
    return frozenset(steps)


def runs_seen(feeds: Parents, setup: Setup, names: Sequence[str] = NAMES) -> frozenset[object]:
    """Runs that take part in a test, in plain words: shared ways and their difference."""
    a, load = way(feeds, names.index(setup.lead_a)), way(feeds, names.index(setup.load_at))
    if setup.lead_b is None:
        return a & load
    return load & (a ^ way(feeds, names.index(setup.lead_b)))


def mask_row(feeds: Parents) -> list[int]:
    """The same wiring as the resolver's masks: for each run the receptacles beyond it."""
    return sorted(
        (
            sum(1 << r for r in feeds if isinstance(r, int) and point in way(feeds, r))
            for point in feeds
        ),
        reverse=True,
    )


def masks_of(listed: Sequence[tuple[Branch, ...]]) -> np.ndarray:
    """Masks of many wirings, padded with zeros."""
    rows = [mask_row(parents(wiring)) for wiring in listed]
    width = max(map(len, rows))
    return np.array([row + [0] * (width - len(row)) for row in rows], dtype=np.int64)


def log_shape(feeds: Parents, n: int, prior: TreePrior) -> float:
    """Prior weight of a shape at the usual rate of branches, from the words of ``TreePrior``."""
    fork, splice, panel = prior.shapes.forks, prior.shapes.splices, prior.shapes.panel_forks
    total = 0.0
    for point in {"panel", *feeds}:
        onward = sum(feeds[p] == point for p in feeds)
        if point == "panel":
            total += max(onward - 1, 0) * np.log(panel * 2)
        elif isinstance(point, tuple):
            total += np.log(splice * 4 / n) + max(onward - 2, 0) * np.log(fork * 4 / n)
            total += np.log(prior.shapes.home_splice) * (feeds[point] == "panel")
        else:
            total += max(onward - 1, 0) * np.log(fork * 4 / n)
    return total


def log_shapes(n: int, prior: TreePrior) -> np.ndarray:
    """Log probabilities of all wirings: rates of branches mixed, each adding up to 1."""
    shapes = prior.shapes
    every = [parents(wiring) for wiring in wirings(tuple(range(n)))]
    base = np.array([log_shape(feeds, n, prior) for feeds in every])
    ends = np.array([len(set(feeds) - set(feeds.values())) for feeds in every])
    mixed, total = np.zeros(len(every)), 0.0
    for rate in shapes.rates:
        weight = np.exp(base) * rate ** (ends - 1)
        share = np.exp(-0.5 * (np.log(rate / shapes.rate_median) / shapes.rate_log_sd) ** 2)
        mixed += share * weight / weight.sum()
        total += share
    return np.log(mixed / total)


def circuit(n: int, **known: object) -> Circuit:
    """A circuit of the first ``n`` names; nothing else is known unless given."""
    return Circuit(name="test", receptacles=NAMES[:n], **known)


def row(
    number: int,
    hookup: Hookup,
    a: str,
    b: str | None,
    load: str,
    drop_mv: float | None,
    u_mv: float | None = 1.0,
    *,
    verdict: Verdict = Verdict.IN_PATH,
    limit_mv: float | None = 15.0,
    amps: float | None = 10.0,
    flags: tuple[str, ...] = (),
) -> TestRow:
    """A row of the log with just the figures that the resolver reads."""
    return TestRow(
        test=number,
        time=datetime(2026, 1, 1, tzinfo=UTC),
        setup=Setup(hookup, a, b, load),
        amps=amps,
        drop_mv=drop_mv,
        drop_u_mv=u_mv,
        limit_mv=limit_mv,
        verdict=verdict,
        flags=flags,
    )


def drop_mv(
    feeds: Parents,
    mohm: dict[object, float],
    setup: Setup,
    amps: float,
    names: Sequence[str] = NAMES,
) -> float:
    """What a test should show; ``line-drop`` with equal hot and neutral and no source."""
    twice = 2 if setup.hookup is LINE else 1
    return amps * twice * sum(mohm[point] for point in runs_seen(feeds, setup, names))


def random_rows(
    feeds: Parents,
    n: int,
    m: int,
    rng: np.random.Generator,
    *,
    outlier: float = 0.0,
    u: float = 3.0,
) -> list[TestRow]:
    """``m`` random tests on a wiring with random runs."""
    mohm = {point: float(rng.lognormal(np.log(40), 0.5)) for point in sorted(feeds, key=str)}
    rows = []
    for number in range(1, m + 1):
        hookup = (NN, NG)[int(rng.integers(2))] if n > 1 else NG
        a, b = (int(x) for x in rng.permutation(n)[:2]) if n > 1 else (0, 0)
        setup = Setup(
            hookup, NAMES[a], NAMES[b] if hookup is NN else None, NAMES[int(rng.integers(n))]
        )
        true = 0.0 if rng.random() < outlier else drop_mv(feeds, mohm, setup, 10.0)
        seen = true + u * rng.standard_normal()
        verdict = Verdict.IN_PATH if seen > 4 * u else Verdict.NOT_IN_PATH
        rows.append(
            row(
                number,
                hookup,
                a=NAMES[a],
                b=setup.lead_b,
                load=setup.load_at,
                drop_mv=seen,
                u_mv=u,
                verdict=verdict,
            )
        )
    return rows
