"""What a person wants to know: each question as an answer that every order of the posterior gives.

The order is seldom what a person wants; it is what the answer hangs on. A question labels the
orders by their answer, so that the planner seeks information about *that* answer and stops when it
is probable enough.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from meterlink.answers.fault import fault_places
from meterlink.answers.protection import tops
from meterlink.errors import UsageError
from meterlink.tree.hypotheses import Kind
from meterlink.tree.infer import Posterior
from meterlink.tree.posterior import first_probabilities
from meterlink.tree.trees import Flags, Floats, Masks

MOST_PLACES = 3  # places for one device that are told apart: the likeliest


class Goal(StrEnum):
    """What the person wants to know."""

    ORDER = "order"  # who feeds whom
    FIRST = "first"  # the receptacle right after the panel only
    PROTECT = "protect"  # where ground-fault devices go
    FAULT = "fault"  # which box to open where receptacles are dead
    JOINTS = "joints"  # which run has a poor connection, and on which side


@dataclass(frozen=True, slots=True)
class Question:
    """A goal and the receptacles that it is about.

    Attributes:
        goal: What is asked.
        cover: Receptacles to protect; all where it is empty.
        dead: Receptacles that are dead, for ``fault``.
    """

    goal: Goal = Goal.ORDER
    cover: tuple[str, ...] = ()
    dead: tuple[str, ...] = ()

    def checked(self, names: tuple[str, ...]) -> "Question":
        """The question itself.

        Raises:
            UsageError: It names no receptacle of the circuit, or a fault without a dead one.
        """
        for name in (*self.cover, *self.dead):
            if name not in names:
                raise UsageError(
                    f"{name!r} is no receptacle of this circuit. It has {', '.join(names)}."
                )
        if self.goal is Goal.FAULT and not self.dead:
            raise UsageError("The goal 'fault' needs to know which receptacles are dead: --dead.")
        return self

    def labels(self, posterior: Posterior) -> NDArray[np.intp]:
        """For each order of the posterior the answer, as a number from 0, shape ``(orders,)``."""
        clades = posterior.orders.clades
        names = posterior.circuit.receptacles
        if self.goal is Goal.FIRST:
            feeds_all = clades == _here(posterior, (1 << len(names)) - 1)[:, None]
            answer = np.where(feeds_all.any(axis=1), feeds_all.argmax(axis=1), -1)
        elif self.goal is Goal.PROTECT:
            wanted = _here(posterior, _mask(self.cover, names))
            answer = _places(clades, posterior.orders.probability, wanted)
        elif self.goal is Goal.FAULT:
            answer = fault_places(clades, _mask(self.dead, names))
        else:
            answer = np.arange(len(clades))
        return np.unique(answer, return_inverse=True)[1].reshape(-1)

    def certainty(self, posterior: Posterior) -> float:
        """Probability of the best answer."""
        orders = posterior.orders
        n = len(posterior.circuit.receptacles)
        if self.goal is Goal.FIRST:
            return float(first_probabilities(orders, n).max())
        if self.goal is Goal.PROTECT:
            wanted = _here(posterior, _mask(self.cover, posterior.circuit.receptacles))
            one = _does(orders.clades, wanted) * orders.probability[:, None]
            tops = np.unique(_tops(orders.clades, wanted), return_inverse=True)[1].reshape(-1)
            several = np.bincount(tops, orders.probability)
            return float(max(one.sum(axis=0).max(), several.max()))
        share = np.bincount(self.labels(posterior), orders.probability)
        return float(share.max())


def _mask(names: tuple[str, ...], known: tuple[str, ...]) -> int:
    """Receptacles as bits; all where none is named."""
    return sum(1 << known.index(name) for name in names) or (1 << len(known)) - 1


def _here(posterior: Posterior, mask: int) -> Masks:
    """Of some receptacles those that are on the circuit, for each order, shape ``(orders,)``."""
    orders = posterior.orders
    away = np.where(orders.kind == Kind.ELSEWHERE, orders.near, 0)
    result: Masks = mask & ~away
    return result


def _does(clades: Masks, wanted: Masks) -> Flags:
    """Where one device covers all that is wanted, shape ``(orders, n)``."""
    result: Flags = (clades & wanted[:, None]) == wanted[:, None]
    return result


def _tops(clades: Masks, wanted: Masks) -> Masks:
    """The fewest places that cover what is wanted, as bits."""
    bits = np.int64(1) << np.arange(clades.shape[1], dtype=np.int64)
    result: Masks = (tops(clades, wanted[:, None]) * bits).sum(axis=1)
    return result


def _places(clades: Masks, probability: Floats, wanted: Masks) -> Masks:
    """Which of the likeliest places for one device do in each order, or the several that it takes.

    A place does where everything wanted is at or beyond it. The answer itself is one place for all
    wirings (``meterlink.answers.protection.fewest_devices``); here each wiring keeps the likeliest
    places that do on it, so that a test counts for what it tells of any of them.
    """
    does = _does(clades, wanted)
    likely = np.argsort(-(does * probability[:, None]).sum(axis=0), kind="stable")[:MOST_PLACES]
    one = (does[:, likely] << np.arange(len(likely))).sum(axis=1)
    several = -_tops(clades, wanted) - 1
    result: Masks = np.where(does.any(axis=1), one, several)
    return result
