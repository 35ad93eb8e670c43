"""Weighted ridge regressions of several quantities on the same few columns."""

from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul


@dataclass(frozen=True, slots=True)
class Regression:
    """A prediction of one quantity from the columns: mean + Σ slope × (value − column mean). residual_sd: the weighted
    standard deviation of what it does not explain."""

    centres: tuple[float, ...]
    slopes: tuple[float, ...]
    mean: float
    residual_sd: float

    def predict(self, values: Sequence[float]) -> float:
        return self.mean + sum(
            slope * (value - centre) for slope, value, centre in zip(self.slopes, values, self.centres, strict=True)
        )


def regress(
    columns: Sequence[Sequence[float]], targets: Sequence[Sequence[float]], weights: Sequence[float], ridge: float
) -> list[Regression]:
    """One regression for each target on the same columns; weights add to 1.

    A column without spread counts for nothing.
    """
    centred, scales, centres = [], [], []
    for column in columns:
        centre = sum(map(mul, weights, column))
        shifted = [value - centre for value in column]
        sd = sum(weight * value * value for weight, value in zip(weights, shifted, strict=True)) ** 0.5
        scale = 1.0 / sd if sd > 1e-6 else 0.0
        centred.append([value * scale for value in shifted])
        scales.append(scale)
        centres.append(centre)
    weighted = [list(map(mul, weights, column)) for column in centred]
    size = len(columns)
    products = [[sum(map(mul, weighted[a], centred[b])) for b in range(size)] for a in range(size)]
    for at in range(size):
        products[at][at] += ridge
    found = []
    for target in targets:
        mean = sum(map(mul, weights, target))
        slopes = _solve(products, [sum(map(mul, column, target)) for column in weighted])
        rest = [value - mean for value in target]
        for slope, column in zip(slopes, centred, strict=True):
            rest = [left - slope * value for left, value in zip(rest, column, strict=True)]
        residual_sd = sum(weight * left * left for weight, left in zip(weights, rest, strict=True)) ** 0.5
        found.append(Regression(tuple(centres), tuple(map(mul, slopes, scales)), mean, residual_sd))
    return found


def _solve(matrix: Sequence[Sequence[float]], right: Sequence[float]) -> list[float]:
    """The solution of a small positive definite system."""
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    size = len(rows)
    for at in range(size):
        pivot = rows[at]
        for below in range(at + 1, size):
            factor = rows[below][at] / pivot[at]
            if factor:
                rows[below] = [value - factor * lead for value, lead in zip(rows[below], pivot, strict=True)]
    found = [0.0] * size
    for at in reversed(range(size)):
        row = rows[at]
        found[at] = (row[size] - sum(map(mul, row[at + 1 : size], found[at + 1 :]))) / row[at]
    return found
