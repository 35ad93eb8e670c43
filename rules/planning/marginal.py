"""What a little more heat is worth, by how much there is: the arithmetic of the backward walk.

A worth is a list of money per Wh, one figure for each of equal cells from the empty tank to the full one, never rising
from cell to cell: the first Wh is worth most. It is the negative slope of the least expected cost still to come,
so a step back in time turns one worth into the one before it. Where a step moves heat by a fraction of a cell, the two
cells that it then lies in share its worth. So the sum over the cells stays what a full tank saves against an empty one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from operator import mul

Worth = list[float]


def before_purchase(worth: Worth, cells: float, price: float) -> Worth:
    """The worth before up to `cells` of heat could be had at `price` per Wh."""
    stop = 0
    for value in worth:
        if value <= price:
            break
        stop += 1
    if not stop or cells <= 0.0:
        return worth
    whole = int(cells)
    if whole >= stop:
        return [price] * stop + worth[stop:]
    part = cells - whole
    rest = 1.0 - part
    shifted = worth[whole:stop]
    shifted.append(price)
    bought = [rest * here + part * above for here, above in pairwise(shifted)]
    return bought + [price] * whole + worth[stop:]


def before_draw(worth: Worth, cells: float, price: float, lukewarm: int = 0) -> Worth:
    """The worth before a draw of `cells`, of which what is not there is had at `price` per Wh.

    lukewarm: how many cells from the empty tank on serve no draw. Their heat is worth as much as that which it carries.
    """
    if cells <= 0.0:
        return worth
    if lukewarm:
        served = before_draw(worth[lukewarm:], cells, price)
        first = max(served[:1], default=price)
        return [max(value, first) for value in worth[:lukewarm]] + served
    count = len(worth)
    whole = int(cells)
    if whole >= count:
        return [price] * count
    part = cells - whole
    rest = 1.0 - part
    below = [price, *worth]
    return [price] * whole + [
        part * lower + rest * here for lower, here in zip(below[: count - whole], worth, strict=False)
    ]


@dataclass(frozen=True, slots=True)
class Cooling:
    """Loss of a share of the stock in half an hour, made once for a number of cells."""

    lower: tuple[int, ...]
    upper: tuple[int, ...]
    of_lower: tuple[float, ...]
    of_upper: tuple[float, ...]

    @classmethod
    def of(cls, loss: float, cells: int) -> "Cooling":
        """loss: share lost, 0 to below 1."""
        keep = 1.0 - loss
        lower, upper, of_lower, of_upper = [], [], [], []
        for cell in range(cells):
            begin, end = keep * cell, keep * (cell + 1)
            first = min(int(begin), cells - 1)
            last = min(int(end), cells - 1) if end > first + 1 else first
            lower.append(first)
            upper.append(last)
            of_lower.append(min(end, first + 1.0) - begin)
            of_upper.append(max(end - (first + 1.0), 0.0))
        return cls(tuple(lower), tuple(upper), tuple(of_lower), tuple(of_upper))

    def before(self, worth: Worth) -> Worth:
        """The worth before the loss."""
        return [
            below * worth[lower] + above * worth[upper]
            for lower, upper, below, above in zip(self.lower, self.upper, self.of_lower, self.of_upper, strict=True)
        ]


def blend(shares: Sequence[float], by_cell: Sequence[tuple[float, ...]]) -> Worth:
    """The expected worth. shares: of each scenario, adding to 1; by_cell: for each cell, every scenario's worth."""
    return [sum(map(mul, shares, values)) for values in by_cell]


def stock_where_worth_falls_to(worth: Worth, price: float) -> float:
    """Up to which stock, in cells, a Wh is worth more than `price`; between the cells' middles on a straight line."""
    count = len(worth)
    if worth[0] <= price:
        return 0.0
    for cell in range(1, count):
        here = worth[cell]
        if here <= price:
            before = worth[cell - 1]
            return cell - 0.5 + (before - price) / (before - here)
    return float(count)
