"""The search against a listing of every tree, and Laplace's approximation against sampling.

Run by hand: ``python tests/benchmarks/oracle.py [circuits] [sampled circuits]``.

First table: on invented circuits of 3 to 6 receptacles with 3 to 12 tests each (all hookups, 3 %
outliers), the largest difference between any probability that the search shows and the one that the
listing of every tree gives; and the time of both. Second table: the same listing, its evidence by
Laplace against evidence by importance sampling over all runs (no merged columns, no Gauss-Newton),
for 3 and 4 receptacles with ``neutral-neutral`` and ``neutral-ground`` tests.
"""

import sys
import time
from dataclasses import replace

import numpy as np
from simulated_tests import Bench

from meterlink.assumptions import USUAL
from meterlink.circuit.setup import Hookup
from meterlink.testlog.columns import TestRow
from meterlink.tree.fit import Known, refit, weigh
from meterlink.tree.hypotheses import Hypotheses, Kind
from meterlink.tree.infer import NEGLIGIBLE, Posterior, infer, strata_of
from meterlink.tree.posterior import (
    Ensemble,
    Fitted,
    best_tree,
    first_probabilities,
    orders_of,
    relations,
)
from meterlink.tree.resolve import map_of
from meterlink.tree.search import Setting
from meterlink.tree.trees import TreePrior, every_tree
from meterlink.tree.wrong_names import with_wrong_names

SAMPLES = 60_000
FAR = 14.0  # nats behind the best by Laplace: such trees are not sampled
FREEDOM = 4.0  # of the Student t that samples are drawn from
FROM_PRIOR = 0.2  # of the samples, so that no mode is missed altogether


def sound(posterior: Posterior) -> Posterior:
    """The same posterior if nothing is amiss with the circuit."""
    n = len(posterior.circuit.receptacles)
    part = posterior.ensemble.take(posterior.ensemble.hypotheses.kind == Kind.SOUND)
    return replace(posterior, ensemble=part, orders=orders_of(part, n), unexplained=0.0)


def listed(posterior: Posterior) -> Posterior:
    """The same from every tree, with what names may be wrong weighed for all of them."""
    n = len(posterior.circuit.receptacles)
    masks, home, log_prior = every_tree(n)
    every = Hypotheses.of(masks, home)
    evidence, badness = weigh(every, posterior.known)
    stratum = next(iter(strata_of(n, USUAL, ring_usual=False)))
    total = log_prior + evidence
    near = total > total.max() - NEGLIGIBLE
    log_prior = log_prior + stratum.log_prior
    part = Ensemble(every, log_prior, evidence, np.zeros(len(every)), badness, True).take(near)
    setting = Setting(posterior.known, TreePrior(USUAL.shapes))
    return sound(replace(posterior, ensemble=with_wrong_names(part, setting, stratum, USUAL)))


def difference(one: Posterior, other: Posterior, rows: list[TestRow]) -> float:
    """Largest difference of any probability that the map shows."""
    n = len(one.circuit.receptacles)
    gaps = [
        np.abs(relations(one.orders, n) - relations(other.orders, n)).max(),
        np.abs(first_probabilities(one.orders, n) - first_probabilities(other.orders, n)).max(),
        abs(one.orders.probability.max() - other.orders.probability.max()),
    ]
    outliers = [
        Fitted.of(p.ensemble, best_tree(p.ensemble, p.orders), p.known).outliers()[0]
        for p in (one, other)
    ]
    gaps.append(np.abs(outliers[0] - outliers[1]).max())
    maps = [map_of(p, rows) for p in (one, other)]
    feeds = [{p.name: (p.fed_from, p.probability) for p in m.points} for m in maps]
    gaps += [
        abs(feeds[0][name][1] - feeds[1][name][1])
        for name in feeds[0]
        if feeds[0][name][0] == feeds[1][name][0]  # where trees tie, another may be drawn
    ]
    return float(max(gaps))


def against_listing(circuits: int) -> None:
    """First table."""
    print("receptacles  circuits  largest  mean   over 0.02   search s  listing s  ratio")
    for n in (3, 4, 5, 6):
        gaps, searching, listing = [], [], []
        for k in range(circuits // 4):
            bench = Bench.draw(n, 70_000 + 1000 * n + k)
            rows = [bench.row(i, bench.random_setup()) for i in range(1, 4 + k % 10)]
            start = time.process_time()
            found = infer(bench.circuit, rows)
            searching.append(time.process_time() - start)
            start = time.process_time()
            every = listed(found)
            listing.append(time.process_time() - start)
            gaps.append(difference(sound(found), every, rows))
        worst = np.array(gaps)
        print(
            f"{n:11d}  {len(gaps):8d}  {worst.max():7.4f}  {worst.mean():.4f}  "
            f"{(worst > 0.02).sum():9d}  {np.median(searching):9.3f}  {np.median(listing):9.3f}  "
            f"{np.median(np.array(listing) / np.array(searching)):5.1f}",
            flush=True,
        )


def sampled_evidence(one: Hypotheses, known: Known, rng: np.random.Generator) -> float:
    """Log evidence of one tree by importance sampling over the logs of all its runs."""
    masks, home, tests, prior = one.masks, one.home, known.tests, known.prior
    exists = masks[0] != 0
    median = np.where(home[0], prior.home_median_mohm, prior.median_mohm)[exists]
    seen = tests.carrying(masks)[0][exists]  # (runs, m)
    columns, fitted, _ = refit(one, known)
    group = columns.group[0][exists]
    runs = len(median)
    centre, sd = np.log(median), np.full(runs, prior.log_sd)
    for e in range(runs):
        if group[e] >= 0 and columns.size[0, group[e]] == 1:
            centre[e] = fitted.x[0, group[e]]
            sd[e] = 1.3 * np.sqrt(fitted.covariance[0, group[e], group[e]])
    covariance = np.diag(sd**2)
    own = np.flatnonzero([g >= 0 and columns.size[0, g] == 1 for g in group])
    for i in own:
        for j in own:
            covariance[i, j] = 1.69 * fitted.covariance[0, group[i], group[j]]
    root = np.linalg.cholesky(covariance)
    chi = np.sqrt(FREEDOM / rng.chisquare(FREEDOM, SAMPLES))
    x = centre + (rng.standard_normal((SAMPLES, runs)) @ root.T) * chi[:, None]
    wide = rng.random(SAMPLES) < FROM_PRIOR
    x[wide] = np.log(median) + prior.log_sd * rng.standard_normal((wide.sum(), runs))
    z = np.linalg.solve(root, (x - centre).T).T
    from math import lgamma, log, pi

    log_t = (
        lgamma((FREEDOM + runs) / 2)
        - lgamma(FREEDOM / 2)
        - runs / 2 * log(FREEDOM * pi)
        - np.log(np.diag(root)).sum()
        - (FREEDOM + runs) / 2 * np.log1p((z**2).sum(axis=1) / FREEDOM)
    )
    y = (x - np.log(median)) / prior.log_sd
    log_prior = (-0.5 * y**2 - log(prior.log_sd) - 0.5 * log(2 * pi)).sum(axis=1)
    log_draw = np.logaddexp(log(1 - FROM_PRIOR) + log_t, log(FROM_PRIOR) + log_prior)
    predicted = tests.amps * (np.exp(x) @ seen)
    inlier = -0.5 * ((tests.drop - predicted) / tests.u) ** 2 - np.log(tests.u) - 0.5 * log(2 * pi)
    each = np.logaddexp(tests.log_inlier + inlier, tests.log_outlier)
    contacts = known.grounds.at(tests)
    total = each.sum(axis=1)
    if contacts is not None:
        total = contacts.weigh(each, tests.log_void @ contacts.member)[0]
    total = total + log_prior - log_draw
    return float(np.logaddexp.reduce(total) - log(SAMPLES))


def against_sampling(circuits: int) -> None:
    """Second table."""
    print("\nreceptacles  circuits  largest  mean    over 0.02  over 0.05")
    rng = np.random.default_rng(3)
    for n in (3, 4):
        gaps = []
        for k in range(circuits // 2):
            bench = Bench.draw(n, 80_000 + 1000 * n + k)
            setups = iter(bench.random_setup, None)
            wanted = [
                next(s for s in setups if s.hookup is not Hookup.LINE_DROP)
                for _ in range(3 + k % 10)
            ]
            bench.circuit = replace(bench.circuit, volts=1e9)  # no sag: drops are linear in runs
            rows = [bench.row(i, setup) for i, setup in enumerate(wanted, 1)]
            circuit = replace(bench.circuit, volts=None)
            laplace = listed(infer(circuit, rows))
            total = laplace.ensemble.log_prior + laplace.ensemble.log_evidence
            near = np.flatnonzero(total > total.max() - FAR)
            evidence = np.array(
                [
                    sampled_evidence(
                        laplace.ensemble.hypotheses.take(np.array([i])), laplace.known, rng
                    )
                    for i in near
                ]
            )
            part = laplace.ensemble
            truth = replace(part.take(near), log_evidence=evidence)
            sampled = replace(laplace, ensemble=truth, orders=orders_of(truth, n))
            gaps.append(
                max(
                    np.abs(relations(laplace.orders, n) - relations(sampled.orders, n)).max(),
                    abs(laplace.orders.probability.max() - sampled.orders.probability.max()),
                )
            )
        worst = np.array(gaps)
        print(
            f"{n:11d}  {len(gaps):8d}  {worst.max():7.4f}  {worst.mean():.4f}  "
            f"{(worst > 0.02).sum():10d}  {(worst > 0.05).sum():9d}",
            flush=True,
        )


def main() -> None:
    """Print both tables."""
    circuits = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    sampled = int(sys.argv[2]) if len(sys.argv) > 2 else 40
    against_listing(circuits)
    if sampled:
        against_sampling(sampled)


if __name__ == "__main__":
    main()
