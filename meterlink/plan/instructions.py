"""A test in words: where everything goes, and why it is worth doing."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from meterlink.circuit.setup import Hookup, Setup
from meterlink.plan.forecast import Particles
from meterlink.tree.infer import Posterior

SOME_BITS = 0.01


def instruction(setup: Setup, cycles: int = 1) -> str:
    """Where the leads and the load go, and how often it is switched, in a sentence or two."""
    if setup.dead:
        return _dead_instruction(setup)
    if setup.hookup is Hookup.NEUTRAL_GROUND:
        leads = f"Put the leads in neutral and ground of {setup.lead_a}"
    elif setup.hookup is Hookup.LINE_DROP:
        leads = f"Put the leads in hot and neutral of {setup.lead_a}"
    else:
        leads = (
            f"Put one lead in the neutral of {setup.lead_a}, the other in that of {setup.lead_b}"
        )
    more = f" Switch it on and off {cycles} times, some 5 s each." if cycles > 1 else ""
    return f"{leads}; plug the load in at {setup.load_at}.{more}"


def _dead_instruction(setup: Setup) -> str:
    """Where the leads and the source go on the dead circuit."""
    panel = "at its breaker's terminal" if setup.side == "hot" else "at the panel's bar"
    where = f"at {setup.lead_b}" if setup.lead_b else panel
    if setup.hookup is Hookup.LOOP_RESISTANCE:
        first, second = setup.side.split("+")
        return (
            f"Link {first} and {second} at the panel; read the ohms between them at {setup.lead_a}."
        )
    if setup.hookup is Hookup.PATH_RESISTANCE:
        return f"Read the ohms of the {setup.side} from {setup.lead_a} to {where[3:]}."
    side = setup.side.partition("+")[0]
    back = f"that of {setup.return_at}" if setup.return_at else "its ground"
    source = f"send the direct current into the {side} of {setup.load_at} and back from {back}"
    if setup.hookup is Hookup.NEUTRAL_GROUND:
        return f"Put the leads in neutral and ground of {setup.lead_a}; {source}."
    return f"Put one lead in the {setup.side} of {setup.lead_a}, the other {where}; {source}."


def reason(
    posterior: Posterior,
    particles: Particles,
    bits_about: Callable[[NDArray[np.intp]], float],
    *,
    settled: bool,
    first_only: bool,
) -> str:
    """The pair of receptacles whose relation the test tells most about, as a sentence.

    Args:
        posterior: What is known.
        particles: The trees that stand for it.
        bits_about: Information of the test about any labelling of these trees.
        settled: Nothing needs to be asked any more.
        first_only: Only the first receptacle is asked for.
    """
    if settled:
        return "The answer is settled; this would only confirm it."
    names = posterior.circuit.receptacles
    n = len(names)
    clades = posterior.orders.clades[posterior.orders.of_tree[particles.rows]]
    feeds = (clades[:, :, None] >> np.arange(n)) & 1 == 1
    if first_only:
        full = feeds.all(axis=2)
        asked = [(bits_about(full[:, i].astype(np.intp)), i) for i in range(n)]
        most, i = max(asked, key=lambda pair: (pair[0], -pair[1]))
        if most < SOME_BITS:
            return "No single test tells much now; this one tells most."
        return f"Tells whether {names[i]} is the first after the panel."
    best, question = 0.0, ""
    for i in range(n):
        for j in range(i + 1, n):
            state = np.where(feeds[:, i, j], 1, np.where(feeds[:, j, i], 2, 0))
            if len(np.unique(state)) < 2:
                continue
            bits = bits_about(np.unique(state, return_inverse=True)[1].reshape(-1))
            if bits > best + 1e-12:
                best, question = bits, _question(names[i], names[j], state, particles.weight)
    if best < SOME_BITS:
        return "No single test tells much now; this one tells most."
    return question


def _question(a: str, b: str, state: NDArray[np.intp], weight: NDArray[np.float64]) -> str:
    """The question about two receptacles: the two likeliest of three answers."""
    share = np.bincount(state, weight, minlength=3)
    likely = set(np.argsort(-share, kind="stable")[:2].tolist())
    if likely == {1, 2}:
        return f"Tells whether {a} feeds {b} or {b} feeds {a}."
    if likely == {0, 1}:
        return f"Tells whether {b} hangs on {a} or on a branch beside it."
    return f"Tells whether {a} hangs on {b} or on a branch beside it."
