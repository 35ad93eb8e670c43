"""Bayesian linear regression by deterministic quadrature: a grid over what is not linear, normal algebra for the rest.

Given the grid's values (scatter, its growth with length, what varies between the periods after, which read is wrong or
where a step lies) everything is linear and normal, so each point of the grid has its posterior in closed form, and its
weight is its marginal likelihood times its prior. The answer is a mixture of normals. Source of the algebra: any text
on Bayesian regression, such as Gelman et al., Bayesian Data Analysis, 3rd edition, chapter 14.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from accounting.verdict.ranges import Array, Flags

SUSPICION = 1.0
"""How many times likelier the figures must make a step in the periods after for both readings of it to count alike."""
_NEGLIGIBLE = 1e-9
_MOST_STRUCTURES = 24


@dataclass(frozen=True)
class Mixture:
    """A weighted sum of normals: weights (K, adding up to 1), means and variances (K)."""

    weights: Array
    means: Array
    variances: Array

    @property
    def mean(self) -> float:
        return float(self.weights @ self.means)

    @property
    def sd(self) -> float:
        return float(np.sqrt(self.weights @ (self.variances + (self.means - self.mean) ** 2)))

    def below(self, value: float) -> float:
        """The probability of less than a value."""
        return float(self.weights @ ndtr((value - self.means) / np.sqrt(self.variances)))

    def quantile(self, share: float) -> float:
        """The value that is not reached with a probability of share (0 to 1), by bisection."""
        spread = np.sqrt(self.variances)
        low, high = float((self.means - 12 * spread).min()), float((self.means + 12 * spread).max())
        for _ in range(80):
            middle = (low + high) / 2
            low, high = (middle, high) if self.below(middle) < share else (low, middle)
        return (low + high) / 2

    def moved(self, scale: float, shift: float, variance: float = 0.0) -> "Mixture":
        """Of scale × value + shift + something independent with mean 0 and that variance."""
        return Mixture(self.weights, scale * self.means + shift, scale**2 * self.variances + variance)


@dataclass(frozen=True)
class Problem:
    """A linear model of N measured values with P coefficients, and the sum of interest.

    values (N); design (N × P); prior_mean, prior_sd (P); level (N): what each value is about, for scatter that grows
    with it; days (N); fixed_variance (N): the known part of a value's own variance; after (N): whether the value is of
    the time after, and may hold an unmodelled part that belongs to the sum of interest; target (P): that sum, as
    weights of the coefficients; the unmodelled parts are added to it with the weight -1. outlier_share: the chance that
    a value is wrong, by outlier_sd of its level; step_share, step_share_after: the chances that the level changes for
    good before, and after, by step_sd of it.
    """

    values: Array
    design: Array
    prior_mean: Array
    prior_sd: Array
    level: Array
    days: Array
    fixed_variance: Array
    after: Flags
    target: Array
    scatter_median: float
    scatter_spread: float
    outlier_share: float
    outlier_sd: float
    step_share: float
    step_share_after: float
    step_sd: float


@dataclass(frozen=True)
class Posterior:
    """target: the sum of interest; coefficients: posterior means (P); scatter: posterior mean of the monthly scatter;
    outliers: each value's probability of being a wrong read (N); stepped: each value's probability of being the first
    after a step (N); ambiguous: whether a step in the values after counts as much as all else, see `_both_readings`."""

    target: Mixture
    coefficients: Array
    scatter: float
    outliers: Array
    stepped: Array
    ambiguous: bool = False


_SCATTER_POINTS = np.linspace(-2.4, 2.4, 13)
_VARIED = ((0.01, 0.30), (0.04, 0.30), (0.10, 0.25), (0.20, 0.15))
_GROWTH = ((0.0, 0.5), (1.0, 0.5))


def solve(problem: Problem) -> Posterior:
    """The posterior of the sum of interest."""
    grid = _Grid(problem)
    count = len(problem.values)
    no_step = np.zeros(count)
    no_outlier = np.zeros(count)
    structures = [(0.0, no_outlier, no_step)]
    suspects, places = _suspects(problem, grid.solve(*structures[0])), _places(problem)
    for index in suspects:
        outlier = np.zeros(count)
        outlier[index] = (problem.outlier_sd * problem.level[index]) ** 2
        structures.append((np.log(problem.outlier_share), outlier, no_step))
    for index in places:
        step = np.where(np.arange(count) >= index, problem.level, 0.0)
        chance = problem.step_share_after if problem.after[index] else problem.step_share
        structures.append((np.log(chance / len(places)), no_outlier, step))
    parts = [grid.solve(*structure) for structure in structures]
    logs = np.concatenate([part[0] for part in parts])
    means = np.concatenate([part[1] for part in parts])
    variances = np.concatenate([part[2] for part in parts])
    coefficients = np.concatenate([part[3] for part in parts])
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    by_structure = weights.reshape(len(structures), -1).sum(axis=1)
    both = _both_readings(weights.reshape(len(structures), -1), problem, places)
    ambiguous = both is not None
    weights = weights if both is None else both.ravel()
    kept = weights > _NEGLIGIBLE
    outliers, stepped = np.zeros(count), np.zeros(count)
    outliers[suspects] = by_structure[1 : 1 + len(suspects)]
    stepped[places] = by_structure[1 + len(suspects) :]
    return Posterior(
        Mixture(weights[kept] / weights[kept].sum(), means[kept], variances[kept]),
        weights @ coefficients,
        float(weights @ np.tile(grid.scatter, len(structures))),
        outliers,
        stepped,
        ambiguous,
    )


def _both_readings(weights: Array, problem: Problem, places: list[int]) -> Array | None:
    """The structures' weights (structures × points), so that a likely step after weighs as much as all else; None where
    none is likely.

    A step in the periods after and a saving that is not the same in each of them look much alike, and which of both it
    was no figure says. So where the figures speak for a step by SUSPICION or more (the odds after over those before),
    both readings count alike.
    """
    first = len(weights) - len(places)
    after = [first + number for number, place in enumerate(places) if problem.after[place]]
    chance = problem.step_share_after * len(after) / max(len(places), 1)
    found = float(weights[after].sum())
    if not after or not 0 < found < 0.5 or found / (1 - found) < SUSPICION * chance / (1 - chance):
        return None
    both = weights / (2 * (1 - found))
    both[after] = weights[after] / (2 * found)
    return both


def _suspects(problem: Problem, plain: tuple[Array, Array, Array, Array]) -> list[int]:
    """The values that may be wrong reads: all, or of many those that fit worst where none is wrong."""
    fitted = problem.design @ plain[3][int(plain[0].argmax())]
    off = np.abs(problem.values - fitted) / problem.level
    return sorted(int(index) for index in np.argsort(-off)[:_MOST_STRUCTURES])


def _places(problem: Problem) -> list[int]:
    """Where a step may lie: before every value but the first of each side, or of many at even distances."""
    first_after = int(np.argmax(problem.after))
    places = [index for index in range(1, len(problem.values)) if index != first_after]
    return places[:: -(-len(places) // _MOST_STRUCTURES)]


class _Grid:
    """The points over scatter, its growth with length, and what varies between the periods after."""

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        scatters = problem.scatter_median * np.exp(problem.scatter_spread * _SCATTER_POINTS)
        points = [
            (scatter, growth, varied, -(place**2) / 2 + np.log(growth_share * varied_share))
            for scatter, place in zip(scatters, _SCATTER_POINTS, strict=True)
            for growth, growth_share in _GROWTH
            for varied, varied_share in _VARIED
        ]
        self.scatter = np.array([point[0] for point in points])
        growth = np.array([point[1] for point in points])[:, None]
        varied = np.array([point[2] for point in points])[:, None]
        self._log_prior = np.array([point[3] for point in points])
        length = (30.4 / problem.days)[None, :] ** growth
        self._own = (self.scatter[:, None] * problem.level) ** 2 * length + problem.fixed_variance
        self._varied = np.where(problem.after, (varied * problem.level) ** 2, 0.0)

    def solve(self, log_prior: float, outlier: Array, step: Array) -> tuple[Array, Array, Array, Array]:
        """(log weight, mean, variance of the sum of interest, coefficients) at each point of the grid."""
        problem = self._problem
        design = np.column_stack([problem.design, step])
        prior_mean = np.append(problem.prior_mean, 0.0)
        precision = np.append(problem.prior_sd, problem.step_sd) ** -2.0
        own = self._own + outlier
        variance = own + self._varied
        rest = problem.values - design @ prior_mean
        weighted = design[None, :, :] / variance[:, :, None]
        matrix = np.swapaxes(weighted, 1, 2) @ design + np.diag(precision)
        vector = np.einsum("knp,n->kp", weighted, rest)
        covariance = np.linalg.inv(matrix)
        moved = np.einsum("kpq,kq->kp", covariance, vector)
        _, log_determinant = np.linalg.slogdet(matrix)
        log_weight = (
            log_prior
            + self._log_prior
            - 0.5 * (np.log(variance).sum(axis=1) + log_determinant)
            - 0.5 * ((rest**2 / variance).sum(axis=1) - (vector * moved).sum(axis=1))
        )
        coefficients = prior_mean + moved
        # This share of a later value's deviation is its own variation, which belongs to the sum of interest.
        share = np.where(problem.after, self._varied / variance, 0.0)
        target = np.append(problem.target, 0.0) + share @ design
        mean = (target * coefficients).sum(axis=1) - share @ problem.values
        spread = np.einsum("kp,kpq,kq->k", target, covariance, target) + (share * own).sum(axis=1)
        return log_weight, mean, spread, coefficients[:, :-1]
