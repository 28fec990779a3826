"""What a tree cannot explain whatever its runs are: told by bits, without a fit."""

import numpy as np

from meterlink.tree.observations import Tests
from meterlink.tree.trees import Flags, Floats, Masks

DEPTH_U, DEPTH_COST = 5.0, 8.0  # depths that far apart are in order, or one of them is a lie


def conflict_cost(masks: Masks, tests: Tests) -> Floats:
    """Nats that each tree loses at least by tests whose jump or rest it cannot explain.

    A jump where no run of the tree takes part must be false; no change where one does must be a
    lie, or a run far shorter than any cable. Cheap: bits, no fit. Shape ``(trees,)``.
    """
    unique, inverse = np.unique(masks, return_inverse=True)
    seen = np.packbits(tests.carrying(unique), axis=1)
    any_seen = np.bitwise_or.reduce(seen[inverse.reshape(masks.shape)], axis=1)
    some = np.unpackbits(any_seen, axis=1, count=len(tests)).astype(bool)
    peak = -np.log(tests.u) - 0.92
    false_jump = peak - np.log(tests.lie) + np.log(np.maximum(np.abs(tests.drop), 1.0) * 6.9)
    jump = np.where(tests.measured, false_jump, -np.log(tests.lie))
    cost = np.where(some, np.where(tests.no_change, -np.log(tests.lie), 0.0), 0.0)
    # the source in front of the panel makes a line-drop jump whatever the runs
    cost += np.where(~some & ~tests.no_change & ~tests.line, np.maximum(jump, 0.0), 0.0)
    total: Floats = cost.sum(axis=1) + DEPTH_COST * _wrong_depths(masks, tests)
    return total


def _wrong_depths(masks: Masks, tests: Tests) -> Flags:
    """Trees in which a receptacle feeds another that was measured to be nearer to the panel.

    With meter and load at one receptacle, ``neutral-ground`` shows the depth of the receptacle in
    the tree, and that grows on the way from the panel whatever the runs are.
    """
    own = tests.ground & tests.measured & ~tests.no_change & (tests.lead_a == tests.load)
    result = np.zeros(len(masks), dtype=bool)
    depth = tests.drop / tests.amps
    u = tests.u / tests.amps
    index = np.flatnonzero(own)
    for i in index:
        having = np.where((masks & tests.load[i]) != 0, masks, np.iinfo(np.int64).max)
        below = having.min(axis=1)
        sag = 1 + depth[i] * tests.sag_per_mohm[i]
        nearer = index[depth[index] * sag + DEPTH_U * np.hypot(u[index], u[i]) < depth[i]]
        bits = np.bitwise_or.reduce(tests.load[nearer], initial=0)
        result |= (below & bits) != 0
    return result
