"""The arithmetic of life-cycle cost: present values, rates of return, pay-back. Flows fall at the end of each year.

Sources: NIST Handbook 135; ASTM E917 (life-cycle cost), E1057 (rates of return), E1074 (net benefits), E1121
(pay-back).
"""

from collections.abc import Sequence
from itertools import pairwise

_LOWEST_RATE, _HIGHEST_RATE, _STEPS = -0.99, 10.0, 4000


def spv(rate: float, years: float) -> float:
    """Present value of 1 paid after so many years: (1+r)^−n. rate: above −1, a share per year."""
    return float((1 + rate) ** -years)


def upv(rate: float, years: int) -> float:
    """Present value of 1 paid at the end of every year: [1−(1+r)^−n]/r; n where r is 0."""
    return float(years) if rate == 0 else (1 - (1 + rate) ** -years) / rate


def npv(rate: float, flows: Sequence[float]) -> float:
    """Present value of flows, the first of which falls now and the others a year after the one before."""
    return float(sum(flow * (1 + rate) ** -year for year, flow in enumerate(flows)))


def irr(flows: Sequence[float]) -> float | None:
    """The rate at which the flows' present value is 0, the one nearest to 0 if several; None if there is none.

    Looked for between −99 % and 1000 %.
    """
    if not (any(flow > 0 for flow in flows) and any(flow < 0 for flow in flows)):
        return None
    grid = [_LOWEST_RATE + (_HIGHEST_RATE - _LOWEST_RATE) * (step / _STEPS) ** 3 for step in range(_STEPS + 1)]
    values = [npv(rate, flows) for rate in grid]
    roots = [grid[place] for place, value in enumerate(values) if value == 0]
    for (low, at_low), (high, at_high) in pairwise(zip(grid, values, strict=True)):
        if at_low * at_high < 0:
            roots.append(_bisect(flows, low, high))
    return min(roots, key=abs) if roots else None


def _bisect(flows: Sequence[float], low: float, high: float) -> float:
    rising = npv(low, flows) < 0
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (middle, high) if (npv(middle, flows) < 0) == rising else (low, middle)
    return (low + high) / 2


def sir(rate: float, spent: float, savings: Sequence[float]) -> float | None:
    """Savings-to-investment ratio: present value of the yearly savings, over what was spent; None if nothing was.

    savings: of the first year, the second, and so on, each at its year's end.
    """
    return npv(rate, [0.0, *savings]) / spent if spent > 0 else None


def airr(rate: float, ratio: float | None, years: int) -> float | None:
    """Adjusted internal rate of return: (1+r)·SIR^(1/N)−1, returns reinvested at r; None if SIR is below 0."""
    return None if ratio is None or ratio < 0 else (1 + rate) * ratio ** (1 / years) - 1


def payback_years(flows: Sequence[float], rate: float = 0.0) -> float | None:
    """Years until the flows' present values add up to 0 or more for good, within a year by proportion; None: never.

    flows: the first falls now. rate 0: simple pay-back. What is spent later can undo a pay-back: the last one counts.
    """
    total, paid = 0.0, None
    for year, flow in enumerate(flows):
        before = total
        total += flow * spv(rate, year)
        if total < 0:
            paid = None
        elif paid is None:
            paid = float(year) if year == 0 or total == before else year - 1 + -before / (total - before)
    return paid
