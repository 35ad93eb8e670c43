"""The hardware's whole life: what it costs, what it brings, and how sure that is."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from accounting.verdict.finance import airr, npv
from accounting.verdict.ranges import Array
from accounting.verdict.year import Year, draw_years

DRAWS = 1000
SEED = 20_160
HOURS_PER_YEAR = 8766
_LOWEST_RATE, _HIGHEST_RATE, _RATE_STEPS = -0.99, 10.0, 400
_GROWTH_SD = 0.02  # how far a price's growth over the years may be from the one that is assumed, per year


@dataclass(frozen=True, slots=True)
class Hardware:
    """A thing that was bought. cost, fitting: money; life_years: until it is replaced at `cost`; embodied_kg: carbon of
    making it (None: not known); standby_w: what it draws always (None: not known);
    replaced: (after years, cost) of parts."""

    name: str
    cost: float
    fitting: float = 0.0
    life_years: float = 15.0
    embodied_kg: float | None = None
    standby_w: float | None = None
    replaced: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Assumptions:
    """Assumptions about the years ahead. discount, growth: real, shares per year; import_price: money per kWh of the
    standby's electricity (None: not known); grid_kg: kg CO2e per kWh (None: not known)."""

    hardware: tuple[Hardware, ...]
    years: int = 15
    discount: float = 0.035
    growth: dict[str, float] = field(default_factory=dict)
    import_price: float | None = None
    grid_kg: float | None = None

    @property
    def spent(self) -> float:
        return sum(each.cost + each.fitting for each in self.hardware)

    @property
    def embodied_kg(self) -> float | None:
        """Carbon of making it all; None if that of any part is not known."""
        known = [each.embodied_kg for each in self.hardware if each.embodied_kg is not None]
        return sum(known) if len(known) == len(self.hardware) and known else None

    @property
    def standby_kwh_per_year(self) -> float:
        """What is known of it."""
        return sum(each.standby_w or 0.0 for each in self.hardware) * HOURS_PER_YEAR / 1000

    @property
    def standby_per_year(self) -> float:
        """What the standby costs, money; 0 where no price is known."""
        return self.standby_kwh_per_year * (self.import_price or 0.0)

    def growing(self, carrier: str) -> float:
        return self.growth.get(carrier, 0.0)

    def replacements(self) -> Array:
        """What is spent again at the end of each year, money."""
        spent = np.zeros(self.years)
        for each in self.hardware:
            for after, cost in each.replaced:
                _put(spent, after, cost)
            again = each.life_years
            while again < self.years:
                _put(spent, again, each.cost)
                again += each.life_years
        return spent


def _put(spent: Array, after_years: float, cost: float) -> None:
    place = max(1, round(after_years)) - 1
    if place < len(spent):
        spent[place] += cost


@dataclass(frozen=True, slots=True)
class Percentiles:
    """Percentiles of a figure over the draws; None if it never comes (a pay-back) or is not defined (a rate)."""

    p10: float | None
    p50: float | None
    p90: float | None


@dataclass(frozen=True)
class Life:
    """The life's figures. never_pays: the share of draws in which what was spent never comes back; keep_per_year: what
    using it on brings a year, the purchase left aside; by_year: the cumulative net of the years, money of today, as
    percentiles, the purchase first."""

    years: int
    spent: float
    simple_payback_years: Percentiles
    payback_years: Percentiles
    npv: Percentiles
    irr: Percentiles
    sir: Percentiles
    airr: Percentiles
    never_pays: float
    keep_per_year: Percentiles
    by_year: tuple[Percentiles, ...]


def life(year: Year, assumed: Assumptions, draws: int = DRAWS, seed: int = SEED) -> Life:
    """The life of the hardware, by drawing years and prices; the same for the same seed."""
    flows = yearly_flows(year, assumed, draws, seed)
    spent = assumed.spent
    whole = np.column_stack([np.full(draws, -spent), flows])
    simple, discounted = (paybacks(whole, rate) for rate in (0.0, assumed.discount))
    worth = (1 + assumed.discount) ** -np.arange(assumed.years + 1)
    values = list(whole @ worth)
    ratios = list(flows @ worth[1:] / spent) if spent > 0 else [None] * draws
    kept = (draw_years(year, draws, 1, seed).net - assumed.standby_per_year)[:, 0]
    cumulative = np.cumsum(whole, axis=1)
    return Life(
        assumed.years,
        spent,
        _ascending(simple),
        _ascending(discounted),
        _percentiles(values),
        _percentiles(_rates(whole)),
        _percentiles(ratios),
        _percentiles([airr(assumed.discount, ratio, assumed.years) for ratio in ratios]),
        sum(each is None for each in discounted) / draws,
        _percentiles(list(kept)),
        tuple(_percentiles(list(column)) for column in cumulative.T),
    )


def yearly_flows(year: Year, assumed: Assumptions, draws: int, seed: int) -> Array:
    """What each year brings, draws × years, standby and replacements taken off."""
    drawn = draw_years(year, draws, assumed.years, seed)
    rng = np.random.default_rng(seed + 1)
    ahead = np.arange(1, assumed.years + 1)

    def grown(carrier: str) -> Array:
        rate = assumed.growing(carrier) + _GROWTH_SD * rng.standard_normal((draws, 1))
        factors: Array = (1 + rate) ** (ahead - 0.5)
        return factors

    electricity, gas, export = grown("electricity"), grown("gas"), grown("export")
    brought = drawn.electricity * electricity + drawn.gas * gas - drawn.given_up * export
    flows: Array = brought - assumed.standby_per_year * electricity - assumed.replacements()
    return flows


def expected_npv(year: Year, assumed: Assumptions) -> float:
    """The net present value with every figure at its middle: what one assumption moves is seen without chance."""
    total = year.total
    ahead = np.arange(1, assumed.years + 1) - 0.5
    electricity, gas, export = ((1 + assumed.growing(name)) ** ahead for name in ("electricity", "gas", "export"))
    flows = (total.electricity - assumed.standby_per_year) * electricity + total.gas * gas - total.given_up * export
    return npv(assumed.discount, [-assumed.spent, *(flows - assumed.replacements())])


def with_years(assumed: Assumptions, years: int) -> Assumptions:
    """The same over another number of years."""
    return replace(assumed, years=max(1, years))


def paybacks(whole: Array, rate: float) -> list[float | None]:
    """`finance.payback_years` of each row, all at once."""
    discounted = whole * (1 + rate) ** -np.arange(whole.shape[1])
    total = np.cumsum(discounted, axis=1)
    below = total < 0
    last = np.where(below.any(axis=1), whole.shape[1] - 1 - below[:, ::-1].argmax(axis=1), -1)
    following = np.minimum(last + 1, whole.shape[1] - 1)
    rows = np.arange(len(whole))
    years = np.where(
        last >= 0, last - total[rows, last] / np.where(below[rows, last], discounted[rows, following], 1.0), 0.0
    )
    return [None if place == whole.shape[1] - 1 else float(year) for place, year in zip(last, years, strict=True)]


def _rates(whole: Array) -> list[float | None]:
    """The internal rate of each row, the one nearest to 0 if several, None if none: `finance.irr`, all at once."""
    years = np.arange(whole.shape[1])
    places = np.linspace(0, 1, _RATE_STEPS)
    grid = _LOWEST_RATE + (_HIGHEST_RATE - _LOWEST_RATE) * places**3
    values = whole @ (1 + grid)[None, :] ** -years[:, None]
    crosses = np.signbit(values[:, :-1]) != np.signbit(values[:, 1:])
    nearest = np.where(crosses, np.abs(grid[:-1] + grid[1:]), np.inf).argmin(axis=1)
    low, high = grid[nearest], grid[nearest + 1]
    at_low = np.signbit(np.take_along_axis(values, nearest[:, None], axis=1)[:, 0])
    for _ in range(40):
        middle = (low + high) / 2
        same = np.signbit((whole * (1 + middle)[:, None] ** -years).sum(axis=1)) == at_low
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    return [float(rate) if any_ else None for rate, any_ in zip((low + high) / 2, crosses.any(axis=1), strict=True)]


def _percentiles(values: Sequence[float | None]) -> Percentiles:
    known = [value for value in values if value is not None]
    if len(known) < 0.95 * len(values):
        return Percentiles(None, None, None)
    return Percentiles(*(float(value) for value in np.percentile(known, [10, 50, 90])))


def _ascending(values: Sequence[float | None]) -> Percentiles:
    """Percentiles of figures of which the worst is never."""
    ordered = sorted(float("inf") if value is None else value for value in values)
    picked = [ordered[min(len(ordered) - 1, int(share * len(ordered)))] for share in (0.1, 0.5, 0.9)]
    return Percentiles(*(None if value == float("inf") else value for value in picked))
