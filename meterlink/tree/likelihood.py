"""Log posterior of the runs under many hypotheses at once, and its derivatives.

A run has a log-normal prior. A test sees ``amps`` times the sum of the runs that take part in it,
with Gaussian error about one of the values that its idle reading leaves possible; with a small
probability it is an outlier: it shows no change (a load that never ran, a lead that slipped), or a
jump of any size (something else switched, a name written down wrongly). All ``neutral-ground``
tests at a receptacle without a ground contact say nothing; whether it has one is summed over.
Hot and ground conductors are the neutral run times a ratio with its own prior; the source is in
front of ``line-drop``. The current at a place is the stated one less what a heater loses with the
voltage it gets there, relative to the mean over the places used.
"""

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.hypotheses import Columns, RunPrior
from meterlink.tree.observations import LOG_ROOT_2_PI, Tests
from meterlink.tree.trees import Flags, Floats

HOT, GROUND = 1, 2
MOST_HOLLOW = 0.8  # part of the prior's curvature that is taken off where it is hollow
MOST_MORE, MOST_LESS = 2.0, 0.7  # parts by which a run grows or shrinks in one step


def log_phi(x: Floats) -> Floats:
    """Log of the standard normal distribution function (logistic match, from memory: 1.4e-4)."""
    near = np.clip(x, -40.0, 40.0)
    result: Floats = -np.logaddexp(0.0, -(0.07056 * near**3 + 1.5976 * near))
    return result


def ratio_unknown(tests: Tests, prior: RunPrior) -> Floats:
    """Standard uncertainty of each drop in mV where hot and ground are taken as the neutral."""
    shared = (tests.sides[:, 1:].any(axis=1)) * prior.runs.ratio_sd / 2
    return shared * np.abs(tests.drop)


def inliers(
    tests: Tests, predicted: Floats, more_u: Floats | float = 0.0
) -> tuple[Floats, Floats, Floats]:
    """Log density of each test as an inlier, how far off it is, and how firmly it pulls.

    Args:
        tests: The tests.
        predicted: What each should show in mV, ``(..., m)``.
        more_u: More standard uncertainty of each.

    Returns:
        Log density, the mean of ``(drop - predicted) / u**2`` over its modes and that of
        ``1 / u**2``, each ``(..., m)``.
    """
    if tests.modes.shape[1] == 1:
        firmness = 1 / (tests.u**2 + np.square(more_u))
        off = tests.drop - predicted
        log = -0.5 * firmness * off**2 + (0.5 * np.log(firmness) - LOG_ROOT_2_PI)
        pull, firm = off * firmness, np.broadcast_to(firmness, off.shape)
    else:
        more = np.square(np.broadcast_to(more_u, tests.u.shape))
        firmness = 1 / (tests.modes_u**2 + more[:, None])
        apart = tests.modes - predicted[..., None]
        each = -0.5 * firmness * apart**2
        each += tests.log_modes + 0.5 * np.log(firmness) - LOG_ROOT_2_PI
        log = each.max(axis=-1)
        share = np.exp(each - log[..., None])
        whole = share.sum(axis=-1)
        log = log + np.log(whole)
        share *= firmness / whole[..., None]
        pull, firm = (share * apart).sum(axis=-1), share.sum(axis=-1)
    measured = tests.measured
    if measured.all():
        return log, pull, firm
    seen = np.where(measured, 0.0, predicted)
    by_eye = log_phi((seen - tests.u) / (tests.eye_width * tests.u))
    return np.where(measured, log, by_eye), np.where(measured, pull, 0.0), firm * measured


@dataclass(frozen=True, slots=True)
class Grounds:
    """Whether receptacles have a ground contact: log odds that they have none, ``(n,)``."""

    log_odds: Floats

    def at(self, tests: Tests) -> "Contacts | None":
        """The contacts that tests use; ``None`` where they use none."""
        used = tests.grounded_at >= 0
        if not used.any():
            return None
        places, group = np.unique(tests.grounded_at[used], return_inverse=True)
        member = np.zeros((len(tests), len(places)))
        member[np.flatnonzero(used), group] = 1.0
        odds = np.where(
            places < len(self.log_odds),
            np.append(self.log_odds, -20.0)[np.minimum(places, len(self.log_odds))],
            -20.0,
        )
        return Contacts(member, np.logaddexp(0.0, odds), np.logaddexp(0.0, -odds), ~used)


@dataclass(frozen=True, slots=True)
class Contacts:
    """The ``p`` ground contacts that ``m`` tests use.

    Attributes:
        member: Which test uses which, ``(m, p)``.
        log_sound, log_none: What a sound contact costs, in nats, and what none, ``(p,)``.
        unused: Tests that use none, ``(m,)``.
    """

    member: Floats
    log_sound: Floats
    log_none: Floats
    unused: Flags

    def weigh(self, log_likelihood: Floats, log_void: Floats) -> tuple[Floats, Floats]:
        """Sum over having a contact or not, receptacle by receptacle.

        Args:
            log_likelihood: Of each test where its contact is sound, ``(N, m)``.
            log_void: Of all tests at each contact where there is none, ``(N, p)``.

        Returns:
            Log probability of all tests ``(N,)``, and the probability that the ground contact used
            in each test is there ``(N, m)``.
        """
        sound = log_likelihood @ self.member
        contact = sound - self.log_sound
        both = np.logaddexp(contact, log_void - self.log_none)
        total = log_likelihood.sum(axis=1) + (both - sound).sum(axis=1)
        return total, np.exp(contact - both) @ self.member.T + self.unused


class Problem:
    """One batch of hypotheses: objective, inlier probabilities and normal equations at a point.

    Parameters are ``x = [log mohm (D), log hot ratio (D), log ground ratio (D), log source, other
    path, bond]``, each part only where some test or hypothesis needs it. Without ``ratios`` hot and
    ground are taken as equal to the neutral, and what that leaves open goes into the uncertainty of
    their tests. ``rough`` is the width of the loss in a rough fit, 0 for the likelihood itself.
    """

    def __init__(
        self,
        columns: Columns,
        tests: Tests,
        prior: RunPrior,
        grounds: Grounds,
        *,
        ratios: bool = True,
    ) -> None:
        self.columns, self.tests, self.run_prior = columns, tests, prior
        self.contacts = grounds.at(tests)
        self.log_outlier = tests.log_outlier
        self.rough, self.ratios = 0.0, ratios
        self.count, self.width = columns.mean.shape
        self.amps: Floats = np.broadcast_to(tests.amps, (self.count, len(tests)))
        self.sides = [side for side in (HOT, GROUND) if tests.sides[:, side].any()]
        self.fitted_sides = self.sides if ratios else []
        self.with_source = bool(tests.source.any())
        self.with_path = bool(columns.paths.any())
        self.source_at = self.width * (1 + len(self.fitted_sides))
        self.path_at = self.source_at + self.with_source
        self.size = self.path_at + 2 * self.with_path
        self.more_u = 0.0 if ratios else ratio_unknown(tests, prior)
        self.u = np.hypot(tests.u, self.more_u)
        self.likely_modes = tests.likely_modes
        # no change although some run takes part that would have shown: most probably an outlier,
        # left out of the rough fit
        telling = tests.no_change & (3 * tests.u < tests.amps * prior.runs.shortest_mohm)
        takes_part = (columns.seen != 0).any(axis=2)
        self.believed = tests.measured & ~(telling & takes_part) & ~columns.void & columns.counted
        self.log_void = np.zeros((self.count, 0))
        if self.contacts is not None:
            self.log_void = (columns.counted * tests.log_void) @ self.contacts.member
        self.precision = np.where(columns.used, columns.sd**-2.0, 0.0)
        self.log_norm = -np.where(columns.used, np.log(columns.sd), 0.0).sum(axis=1)
        self.scaled = columns.seen * tests.amps[:, None]

    def like(
        self,
        *,
        rows: NDArray[np.intp] | None = None,
        amps: Floats | None = None,
        rough: float | None = None,
    ) -> "Problem":
        """The same for some of the hypotheses, with other currents, or rougher."""
        other = copy(self)
        if amps is not None:
            other.amps = amps
            other.scaled = self.columns.seen * amps[..., None]
        if rough is not None:
            other.rough = rough
        if rows is not None:
            other.columns, other.count = self.columns.part(rows), len(rows)
            for name in ("amps", "believed", "log_void", "precision", "log_norm", "scaled"):
                setattr(other, name, getattr(other, name)[rows])
        return other

    def sagged(self, x: Floats, *, rough: float = 0.0) -> "Problem":
        """The same with the current at each place as the runs ``x`` leave it."""
        tests, c = self.tests, self.columns
        if not len(tests):
            return self
        runs = np.where(c.used, np.exp(x[:, : self.width]), 0.0)
        way_mohm = (c.way @ runs[:, :, None])[:, :, 0] + c.way_unseen
        sag = np.minimum(way_mohm * tests.sag_per_mohm, 1.0)
        usual = c.mean_of(sag)[:, None]
        amps = tests.amps * np.clip(1 + usual - sag, 0.5, 1.5)
        return self.like(amps=amps, rough=rough)

    def _transfer(self, runs: Floats, path: Floats, side: int) -> tuple[Floats, Floats, Floats]:
        """Drop per ampere of one conductor, its slopes by log runs and by the logs of the path.

        ``path`` is that of the other path and of the bond, ``(N, 2)``. Shapes ``(N, m)``,
        ``(N, m, D)``, ``(N, m, 2)``. Only the neutral of a bonded ground has
        another path; the meter sees the ground's rise too where it is on it.
        """
        c = self.columns
        part = c.seen * runs[:, None, :]
        value = part.sum(axis=2)
        if not self.with_path:
            return value, part, np.zeros((*value.shape, 2))
        there = c.paths if side == 0 else c.paths & ~c.bonded
        ratio = np.where(c.bonded, path[:, 0], 0.0)[:, None]
        on_ground = (self.tests.grounded_at >= 0) & (side == 0)
        shown = (1 + ratio * on_ground) * there[:, None]
        way = runs * c.between
        a = (c.lead @ runs[:, :, None])[:, :, 0]
        b = (c.current @ runs[:, :, None])[:, :, 0]
        own = (way * c.between).sum(axis=1, keepdims=True)
        rest = np.where(c.bonded, path[:, 1], path[:, 0])[:, None]
        whole = (1 + ratio) * own + rest
        lost = a * b / whole
        part_shown = shown / whole
        inner = c.lead * (part_shown * b)[..., None]
        inner += c.current * (part_shown * a)[..., None]
        inner -= (part_shown * lost * (1 + ratio))[..., None] * (c.between**2)[:, None, :]
        slope = part - inner * runs[:, None, :]
        by_path = np.where(c.bonded[:, None], ratio * own, rest) * lost / whole * shown
        by_path -= ratio * on_ground * lost * there[:, None]
        by_bond = np.where(c.bonded[:, None], rest * lost / whole * shown, 0.0)
        return value - shown * lost, slope, np.stack([by_path, by_bond], axis=2)

    def predict(self, x: Floats) -> tuple[Floats, Floats]:
        """Predicted readings in mV ``(N, m)`` and their derivatives ``(N, m, size)``."""
        tests, width = self.tests, self.width
        runs = np.exp(x[:, :width])
        path = np.exp(x[:, -2:]) if self.with_path else np.zeros((self.count, 2))
        if not self.sides and not self.with_path:
            value = (self.scaled @ runs[..., None])[..., 0]
            return self._shown(value, self.scaled * runs[:, None, :])
        value, by_run, by_path = self._transfer(runs, path, 0)
        if not tests.sides[:, 0].all():
            seen = tests.sides[:, 0]
            value, by_run, by_path = value * seen, by_run * seen[:, None], by_path * seen[:, None]
        slope = np.zeros((*value.shape, self.size))
        slope[:, :, :width] = by_run
        for i, side in enumerate(self.sides):
            seen, at = tests.sides[:, side], width * (i + 1)
            ratio = np.exp(x[:, at : at + width]) if self.ratios else 1.0
            more, by_side, side_path = self._transfer(runs * ratio, path, side)
            value = value + more * seen
            slope[:, :, :width] += by_side * seen[:, None]
            if self.ratios:
                slope[:, :, at : at + width] = by_side * seen[:, None]
            by_path = by_path + side_path * seen[:, None]
        if self.with_source:
            source = np.exp(x[:, self.source_at])[:, None] * tests.source
            value = value + source
            slope[:, :, self.source_at] = source
        if self.with_path:
            slope[:, :, -2:] = by_path
        slope *= self.amps[..., None]
        return self._shown(value * self.amps, slope)

    def _shown(self, value: Floats, slope: Floats) -> tuple[Floats, Floats]:
        """A meter on AC shows no sign."""
        turned = (value < 0) & ~self.tests.signed
        if not turned.any():
            return value, slope
        sign = np.where(turned, -1.0, 1.0)
        slope *= sign[..., None]
        return value * sign, slope

    def _off_nearest(self, predicted: Floats) -> tuple[Floats, Floats]:
        """How far each test is above a prediction, by its nearest likely drop, and that one's u."""
        modes = self.likely_modes
        if modes.shape[1] == 1:
            return self.tests.drop - predicted, self.u
        off = modes - predicted[..., None]
        nearest = np.abs(off).argmin(axis=2)[..., None]
        u = np.take_along_axis(self.tests.modes_u[None], nearest, axis=2)[..., 0]
        return np.take_along_axis(off, nearest, axis=2)[..., 0], np.hypot(u, self.more_u)

    def likelihood(self, predicted: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Log probability of all tests; of each: inlier probability, pull, firmness, and ground.

        In a rough fit instead a Cauchy loss and its weight, which reach tests from far away.
        """
        tests = self.tests
        if self.rough:
            off, u = self._off_nearest(predicted)
            far = (off / (self.rough * u)) ** 2
            loss = np.where(self.believed, -0.5 * self.rough**2 * np.log1p(far), 0.0)
            weight = np.where(self.believed, 1 / (1 + far), 0.0)
            firm = weight / u**2
            return loss.sum(axis=1), weight, firm * off, firm, np.ones_like(firm)
        log, pull, firm = inliers(tests, predicted, self.more_u)
        log = log + tests.log_inlier
        both = np.logaddexp(log, self.log_outlier)
        void = self.columns.void
        every = np.where(void, tests.log_away, both) * self.columns.counted
        if self.contacts is None:
            total, there = every.sum(axis=1), np.ones_like(every)
        else:
            total, there = self.contacts.weigh(every, self.log_void)
        inlier = np.exp(log - both) * there * (self.columns.counted & ~void)
        return total, inlier, pull * inlier, firm * inlier, there

    def prior(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        """Log prior, its gradient and (positive) curvature, per parameter."""
        c, assumed = self.columns, self.run_prior.runs
        off = x[:, : self.width] - c.mean
        slope = -self.precision * off
        log_p = self.log_norm + 0.5 * (slope * off).sum(axis=1)
        gradient, curvature = np.zeros_like(x), np.ones_like(x)
        gradient[:, : self.width] = slope
        curvature[:, : self.width] = np.where(c.used, self.precision, 1.0)
        share = assumed.poor_ratio_share
        for i in range(len(self.fitted_sides)):
            at = slice(self.width * (i + 1), self.width * (i + 2))
            ratio = x[:, at]
            sound = np.log(1 - share) - 0.5 * (ratio / assumed.ratio_sd) ** 2
            sound -= np.log(assumed.ratio_sd)
            poor = np.log(share) - 0.5 * (ratio / assumed.poor_ratio_sd) ** 2
            poor -= np.log(assumed.poor_ratio_sd)
            both = np.logaddexp(sound, poor)
            log_p += np.where(c.used, both, 0.0).sum(axis=1)
            part = np.exp(sound - both)
            precision = part / assumed.ratio_sd**2 + (1 - part) / assumed.poor_ratio_sd**2
            gradient[:, at] = np.where(c.used, -precision * ratio, 0.0)
            curvature[:, at] = np.where(c.used, precision, 1.0)
        if self.with_source:
            at_source, sd = self.source_at, assumed.source_log_sd
            z_source = (x[:, at_source] - np.log(assumed.source_mohm)) / sd
            log_p += -0.5 * z_source**2 - np.log(sd)
            gradient[:, at_source], curvature[:, at_source] = -z_source / sd, 1 / sd**2
        if self.with_path:
            bond = np.full(self.count, np.log(self.run_prior.bond_mohm))
            bond_sd = np.full(self.count, self.run_prior.bond_log_sd)
            ends = (-2, c.path_mean, c.path_sd, c.paths), (-1, bond, bond_sd, c.bonded)
            for place, centre, spread, there in ends:
                z_path = (x[:, place] - centre) / spread
                log_p += np.where(there, -0.5 * z_path**2 - np.log(spread), 0.0)
                gradient[:, place] = np.where(there, -z_path / spread, 0.0)
                curvature[:, place] = np.where(there, 1 / spread**2, 1.0)
        return log_p, gradient, curvature

    def bend(self, x: Floats) -> Floats:
        """What the prior's curvature by the runs themselves has beyond that by their logs.

        Where a run is far longer than usual its prior is hollow; some curvature is kept there.
        """
        return -self.precision * np.minimum(x[:, : self.width] - self.columns.mean, MOST_HOLLOW)

    def moved(self, x: Floats, step: Floats) -> Floats:
        """``x`` after a step by slopes of its logs, cut where it goes too far.

        Readings are linear in the runs themselves, so that these take it, and not their logs: where
        only the sum of two is known, their logs run along a narrow bend.
        """
        width = self.width
        largest = np.maximum(step.max(axis=1) / MOST_MORE, -step.min(axis=1) / MOST_LESS)
        step = step / np.maximum(largest, 1.0)[:, None]
        grown = np.log1p(step[:, :width])
        moved = x + step
        moved[:, :width] = x[:, :width] + grown
        for i in range(len(self.fitted_sides)):
            at = slice(width * (i + 1), width * (i + 2))
            both = np.maximum(step[:, :width] + step[:, at], -MOST_LESS)
            moved[:, at] = x[:, at] + np.log1p(both) - grown
        if self.with_source:
            moved[:, self.source_at] = x[:, self.source_at] + np.log1p(step[:, self.source_at])
        return moved

    def expansion(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        """Log posterior at ``x`` up to a constant, and its slopes.

        Returns:
            Value ``(N,)``, gradient ``(N, size)`` and Gauss-Newton curvature ``(N, size, size)``.
        """
        predicted, slope = self.predict(x)
        return self.normal_equations(x, slope, self.likelihood(predicted))

    def normal_equations(
        self, x: Floats, slope: Floats, seen: Sequence[Floats]
    ) -> tuple[Floats, Floats, Floats]:
        """The same from the slopes of ``predict`` and what ``likelihood`` says there."""
        log_p, _, pull, firm, _ = seen
        log_prior, gradient, curvature = self.prior(x)
        turned = np.swapaxes(slope, 1, 2)
        gradient += (turned @ pull[..., None])[..., 0]
        hessian = turned @ (firm[..., None] * slope)
        diagonal = np.arange(self.size)
        hessian[:, diagonal, diagonal] += curvature
        return log_p + log_prior, gradient, hessian

    @property
    def parts(self) -> tuple[slice, ...]:
        """Where runs, hot ratios, ground ratios, source, and other path with bond are in ``x``."""
        ends = [self.width]
        for side in (HOT, GROUND):
            ends.append(ends[-1] + self.width * (side in self.fitted_sides))
        ends += [self.path_at, self.size]
        return tuple(map(slice, [0, *ends], ends))
