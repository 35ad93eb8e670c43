"""Before and after: the energy not bought since the hardware came, against the need of the same days and water."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from accounting.verdict.baseline import Baseline, days_of, heat_of, house_baseline, sun_of, water_baseline
from accounting.verdict.history import Period
from accounting.verdict.mixture import Mixture, Posterior, Problem, solve
from accounting.verdict.priors import NOISE, OUTLIER_SD, OUTLIER_SHARE, STEP_SD, STEP_SHARE, Facts
from accounting.verdict.ranges import CONFIDENCE, Array, Range
from accounting.verdict.selection import Selection, bought
from accounting.verdict.shares import Shares, carrier_shares

_SAVING_SD, _SEASONAL_SAVING_SD = 1.5, 0.4  # of what would have been taken: all but no prior
_PER_DIVERTED_SD = 1.5  # heat not bought for a kWh diverted: all but no prior, either
_LEAST_LEVEL = 0.08  # of the usual day: a period of which little is expected still scatters by this


@dataclass(frozen=True)
class Savings:
    """What the hardware saved, kWh bought, over the periods after.

    raw_kwh: the bare difference per day, times the days; bought_kwh: what was bought.
    saved: a mixture, from which ranges come; by_carrier: the same for each carrier. posterior: the fit behind it;
    heat_saved: the saving as heat; beyond_diverted: whether it is more heat than was diverted, which the hardware alone
    cannot give.
    """

    selection: Selection
    baseline: Baseline
    raw_kwh: float
    bought_kwh: float
    saved: Mixture
    by_carrier: dict[str, Mixture]
    posterior: Posterior
    problem: Problem
    heat_saved: Mixture
    shares: Shares
    heat_after: float
    after_kwh: dict[str, float]
    beyond_diverted: bool

    @property
    def heat_saved_kwh(self) -> float:
        """The saving as heat at the tank, kWh."""
        return self.heat_saved.quantile(0.5)

    def money(self, prices: Mapping[str, float]) -> Mixture:
        """The saving in money. prices: per kWh bought, of every carrier."""
        scale = sum(prices[name] * kwh for name, kwh in self.shares.kwh_per_heat.items())
        paid = sum(prices[name] * kwh for name, kwh in self.after_kwh.items())
        both = len(self.shares.kwh_per_heat) > 1
        apart = (
            abs(prices["electricity"] * self.shares.sd["electricity"] - prices["gas"] * self.shares.sd["gas"])
            if both
            else 0.0
        )
        heat = self.heat_saved.mean + self.heat_after
        return self.heat_saved.moved(scale, scale * self.heat_after - paid, (apart * heat) ** 2)

    @property
    def method(self) -> str:
        return self.baseline.method

    @property
    def saved_range(self) -> Range:
        """The saving, kWh bought."""
        return Range(sum(self._middle(name) for name in self.after_kwh), *_ends(self.saved))

    def carrier_range(self, name: str) -> Range:
        """The saving of one carrier; the middles of all add up to that of `saved_range`."""
        return Range(self._middle(name), *_ends(self.by_carrier[name]))

    def money_range(self, prices: Mapping[str, float]) -> Range:
        """The saving in money. prices: per kWh bought, of every carrier."""
        middle = sum(prices[name] * self._middle(name) for name in self.after_kwh)
        return Range(middle, *_ends(self.money(prices)))

    def _middle(self, name: str) -> float:
        return self.shares.kwh_per_heat[name] * (self.heat_saved_kwh + self.heat_after) - self.after_kwh[name]


def savings(selection: Selection, facts: Facts, meter: str = "water") -> Savings:
    """The saving, by the physical model that the history allows. meter: as in `select`."""
    house = meter == "house"
    baseline = house_baseline(selection, facts) if house else water_baseline(selection, facts)
    efficiency = 1.0 if house else facts.efficiency
    periods = selection.periods
    values = np.array([heat_of(period, efficiency) for period in periods])
    level = _level(selection, baseline, values)
    problem = _problem(selection, baseline, facts, values, level)
    posterior = solve(problem)
    shares = carrier_shares(selection, facts, efficiency, house=house)
    raw = raw_kwh(selection)
    after_kwh = {name: sum(bought(period, name) or 0.0 for period in selection.after) for name in selection.carriers}
    heat_after = float(values[problem.after].sum())
    heat_saved = posterior.target
    if baseline.method == "totals":
        heat_saved = _about_raw(heat_saved, raw, shares)
    diverted_kwh = _diverted(selection)
    slack = 1 + 1.645 * facts.efficiency_sd / facts.efficiency if "gas" in selection.carriers else 1.0
    beyond = diverted_kwh is not None and heat_saved.quantile((1 - CONFIDENCE) / 2) > slack * diverted_kwh
    if beyond and diverted_kwh is not None:
        heat_saved = _or_no_more_than(heat_saved, diverted_kwh)
    by_carrier = {
        name: _of_carrier(heat_saved, heat_after, shares, name, after_kwh[name]) for name in selection.carriers
    }
    saved = _of_all(heat_saved, heat_after, shares, sum(after_kwh.values()))
    bought_kwh = sum(after_kwh.values())
    return Savings(
        selection,
        baseline,
        raw,
        bought_kwh,
        saved,
        by_carrier,
        posterior,
        problem,
        heat_saved,
        shares,
        heat_after,
        after_kwh,
        beyond,
    )


def _ends(mixture: Mixture) -> tuple[float, float]:
    outside = (1 - CONFIDENCE) / 2
    return mixture.quantile(outside), mixture.quantile(1 - outside)


def raw_kwh(selection: Selection) -> float:
    """The bare difference: what a day took before, less what a day took after, times the days after."""
    before, after = (
        sum(bought(period, name) or 0.0 for period in side for name in selection.carriers)
        / sum(period.days for period in side)
        for side in (selection.before, selection.after)
    )
    return (before - after) * sum(period.days for period in selection.after)


def _problem(selection: Selection, baseline: Baseline, facts: Facts, values: Array, level: Array) -> Problem:
    periods = selection.periods
    days = days_of(periods)
    after = np.arange(len(periods)) >= len(selection.before)
    saving = np.where(after, level, 0.0)
    diverted = [period.diverted_kwh for period in selection.after]
    shown = all(each is not None for each in diverted)
    if shown:
        pattern = np.concatenate([np.zeros(len(selection.before)), np.array([float(each or 0.0) for each in diverted])])
        pattern_sd = _PER_DIVERTED_SD
    else:
        pattern, pattern_sd = saving * sun_of(periods, facts.latitude), _SEASONAL_SAVING_SD
    noise = NOISE[baseline.method]
    design = np.column_stack([baseline.design, saving, -saving, -pattern])
    target = np.zeros(design.shape[1])
    target[-2], target[-1] = saving.sum(), pattern.sum()
    return Problem(
        values=values,
        design=design,
        prior_mean=np.concatenate([baseline.means, [0.0, 0.0, 0.0]]),
        prior_sd=np.concatenate([baseline.sds, [noise.drift, _SAVING_SD, pattern_sd]]),
        level=level,
        days=days,
        fixed_variance=(baseline.uncertain * level) ** 2 + _rounding(periods, selection.carriers) ** 2,
        after=after,
        target=target,
        scatter_median=noise.median,
        scatter_spread=noise.spread,
        outlier_share=OUTLIER_SHARE,
        outlier_sd=OUTLIER_SD,
        step_share=STEP_SHARE,
        step_share_after=STEP_SHARE * (1.0 if shown else 0.4),
        step_sd=STEP_SD,
    )


def _level(selection: Selection, baseline: Baseline, values: Array) -> Array:
    """About what each period would have taken: a first fit to the periods before, robust against a wrong read."""
    count = len(selection.before)
    design, before = baseline.design, values[:count]
    scale = max(float(np.median(np.abs(before))), 1e-6)
    weight = np.full(count, (0.06 * scale) ** -2.0)
    precision = np.diag(baseline.sds**-2.0)
    fitted = design @ baseline.means
    for _ in range(4):
        weighted = design[:count].T * weight
        rest = before - design[:count] @ baseline.means
        fitted = design @ (baseline.means + np.linalg.solve(weighted @ design[:count] + precision, weighted @ rest))
        expected = np.maximum(np.abs(fitted[:count]), _LEAST_LEVEL * scale)
        off = np.abs(before - fitted[:count]) / (0.06 * expected)
        weight = (0.06 * expected) ** -2.0 * np.where(off > 3, 3 / np.maximum(off, 1e-9), 1.0)
    days = days_of(selection.periods)
    usual = float(before.sum() / days[:count].sum())
    return np.maximum(fitted, _LEAST_LEVEL * usual * days)


def _rounding(periods: tuple[Period, ...], carriers: tuple[str, ...]) -> Array:
    """The error of each period's energy by the rounding of its reads, kWh (a standard deviation)."""
    variance = 0.0
    for name in carriers:
        values = [value for period in periods if (value := bought(period, name)) is not None]
        step = next((step for step in (100.0, 10.0, 1.0, 0.1) if all(_is_multiple(v, step) for v in values)), 0.0)
        variance += step**2 / 6  # two reads, each within half a step
    return np.full(len(periods), variance**0.5)


def _is_multiple(value: float, step: float) -> bool:
    return abs(value / step - round(value / step)) < 1e-6


def _of_carrier(heat_saved: Mixture, heat_after: float, shares: Shares, name: str, bought_kwh: float) -> Mixture:
    """The saving of one carrier: its share of the heat that would have been bought, less what was."""
    scale, sd = shares.kwh_per_heat[name], shares.sd[name]
    heat = heat_saved.mean + heat_after
    return heat_saved.moved(scale, scale * heat_after - bought_kwh, (sd * heat) ** 2)


def _of_all(heat_saved: Mixture, heat_after: float, shares: Shares, bought_kwh: float) -> Mixture:
    scale = sum(shares.kwh_per_heat.values())
    heat = heat_saved.mean + heat_after
    return heat_saved.moved(scale, scale * heat_after - bought_kwh, (shares.total_sd * heat) ** 2)


def _diverted(selection: Selection) -> float | None:
    """What was diverted in the periods after, kWh; None where it is not known for all of them."""
    known = [period.diverted_kwh for period in selection.after]
    return None if any(each is None for each in known) else sum(each or 0.0 for each in known)


def _or_no_more_than(heat_saved: Mixture, diverted_kwh: float) -> Mixture:
    """What was saved, or, about as likely, only what the hardware can have given: something else changed besides."""
    given, spread = 0.8 * diverted_kwh, max(0.15 * diverted_kwh, 1.0)
    return Mixture(
        np.append(heat_saved.weights / 2, 0.5),
        np.append(heat_saved.means, given),
        np.append(heat_saved.variances, spread**2),
    )


def _about_raw(heat_saved: Mixture, raw: float, shares: Shares) -> Mixture:
    """Where nothing but totals is known: the bare difference, with the model's range and their disagreement besides."""
    heat = raw / sum(shares.kwh_per_heat.values())
    off = heat - heat_saved.mean
    return heat_saved.moved(1.0, off, off**2)
