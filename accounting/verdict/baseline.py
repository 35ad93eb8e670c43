"""Energy for hot water as a linear model with priors: water × (hot − inlet) + standing loss × occupied days."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from accounting.verdict.climate import mains_swing_k, season_over, sun_over
from accounting.verdict.history import Period
from accounting.verdict.priors import (
    ESTIMATED,
    UNKNOWN_AWAY,
    UNKNOWN_INLET,
    UNKNOWN_WATER,
    USUAL_HEAT_KWH_PER_DAY,
    WH_PER_L_K,
    Facts,
)
from accounting.verdict.ranges import Array, Flags
from accounting.verdict.selection import Selection
from rules.model.wording import say, say_many

_ENOUGH_KNOWN = 0.5
_SCALE_SD = 0.25  # of the heat per litre: where in the house it is measured, how it is mixed
_HOT_SD_K, _MAINS_SD_K, _SWING_SD_K = 5.0, 2.5, 2.0
_LOSS_SD, _AWAY_LOSS, _AWAY_LOSS_SD = 0.4, 0.3, 0.35  # shares of the standing loss
_SEASON_SD = 0.12  # of the heat drawn on a day, where no water is measured


@dataclass(frozen=True)
class Term:
    """A column of the model and what is expected of its coefficient. name: for people, "" for a correction."""

    name: str
    column: Array
    mean: float
    sd: float


@dataclass(frozen=True)
class Baseline:
    """The periods' energy without the hardware: terms, and each period's uncertainty (N, a share of its energy).

    method: "water", "occupied days", "totals" or "whole house". drivers: the columns it goes by.
    """

    method: str
    terms: tuple[Term, ...]
    uncertain: Array
    drivers: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def design(self) -> Array:
        return np.column_stack([term.column for term in self.terms])

    @property
    def means(self) -> Array:
        return np.array([term.mean for term in self.terms])

    @property
    def sds(self) -> Array:
        return np.array([term.sd for term in self.terms])


def days_of(periods: Sequence[Period]) -> Array:
    return np.array([float(period.days) for period in periods])


def sun_of(periods: Sequence[Period], latitude: float | None) -> Array:
    """The clear-sky sun of each period against the year's mean, less 1."""
    return np.array([sun_over(period.first, period.until, latitude) for period in periods]) - 1.0


def water_baseline(selection: Selection, facts: Facts) -> Baseline:
    """The model for energy that was bought for hot water alone, by what the history holds."""
    periods = selection.periods
    days = days_of(periods)
    uncertain = np.where([period.estimated for period in periods], ESTIMATED, 0.0)
    notes: list[str] = []
    away_known = _known_on_both_sides(selection, "away_days")
    water_known = _known_on_both_sides(selection, "water_l")
    away = _filled(periods, "away_days", days) if away_known else np.zeros(len(days))
    home = days - away
    if away_known:
        missing = _missing(periods, "away_days")
        uncertain = np.hypot(uncertain, np.where(missing, UNKNOWN_AWAY / (4 if water_known else 1), 0.0))
        if missing.any():
            notes.append(
                say(
                    "away_days is empty in {missing}; the mean of the others is used.",
                    missing=_periods(missing),
                )
            )
    seasons = np.array([season_over(period.first, period.until, facts.latitude) for period in periods])
    swing_k = mains_swing_k(facts.latitude)
    inlet, inlet_known = _inlet(periods, facts.cold_c + swing_k * seasons)
    if not inlet_known.all():
        uncertain = np.hypot(uncertain, np.where(inlet_known, 0.0, UNKNOWN_INLET))
    loss = facts.loss_kwh_per_day
    drivers = ["days", *(["away_days"] if away_known else [])]
    drivers += ["inlet_c"] if inlet_known.all() else ["mains temperature by month (modelled)"]
    loss_sd = loss * (_LOSS_SD if facts.loss_w is None else _LOSS_SD * 0.75)
    terms = [Term("standing loss, kWh a day at home", home, loss, loss_sd)]
    if away.any():
        terms.append(Term("standing loss, kWh a day away", away, _AWAY_LOSS * loss, _AWAY_LOSS_SD * loss))
    if water_known:
        water, missing = _water(periods, home)
        uncertain = np.hypot(uncertain, np.where(missing, UNKNOWN_WATER, 0.0))
        if missing.any():
            notes.append(
                say(
                    "water_l is empty in {missing}; the others' litres per day at home are used.",
                    missing=_periods(missing),
                )
            )
        kwh_per_k = water * WH_PER_L_K / 1000
        terms.append(Term("heat drawn, against hot − inlet", kwh_per_k * (facts.hot_c - inlet), 1.0, _SCALE_SD))
        offset_sd = _HOT_SD_K if inlet_known.all() else float(np.hypot(_HOT_SD_K, _MAINS_SD_K))
        terms.append(Term("", kwh_per_k * 10.0, 0.0, offset_sd / 10.0))
        if not inlet_known.all():
            terms.append(Term("", np.where(inlet_known, 0.0, kwh_per_k * seasons * _SWING_SD_K), 0.0, 1.0))
        return Baseline("water", tuple(terms), uncertain, ("water_l", *drivers), tuple(notes))
    rise = (facts.hot_c - inlet) / (facts.hot_c - facts.cold_c)
    usual = USUAL_HEAT_KWH_PER_DAY
    terms.append(Term("heat drawn, kWh a day at home", home * rise, usual, usual))
    terms.append(Term("", home * seasons * usual, 0.0, _SEASON_SD))
    method = "occupied days" if away_known else "totals"
    return Baseline(method, tuple(terms), uncertain, tuple(drivers), tuple(notes))


def house_baseline(selection: Selection, facts: Facts) -> Baseline:
    """The model for energy that the whole house bought: days, days at home, heating by the outdoor temperature."""
    periods = selection.periods
    days = days_of(periods)
    uncertain = np.where([period.estimated for period in periods], ESTIMATED, 0.0)
    usual = _mean_per_day(selection)
    terms = [Term("the house, kWh a day", days, usual, 2 * usual)]
    drivers, notes = ["days"], []
    if _known_on_both_sides(selection, "away_days"):
        away = _filled(periods, "away_days", days)
        terms.append(Term("less, kWh a day away", -away, 0.5 * usual, 0.3 * usual))
        drivers.append("away_days")
    if _known_on_both_sides(selection, "outdoor_c"):
        outdoor = _filled(periods, "outdoor_c", np.ones(len(days)))
        degree_days = days * np.maximum(0.0, 15.5 - outdoor)
        terms.append(Term("heating, kWh a degree-day below 15.5 °C", degree_days, 0.05 * usual, 0.2 * usual))
        drivers.append("outdoor_c")
    else:
        notes.append(say("outdoor_c is not known: heating goes by the season alone, which widens the range."))
        uncertain = np.hypot(uncertain, 0.08)
    seasons = np.array([season_over(period.first, period.until, facts.latitude) for period in periods])
    terms.append(Term("the season, kWh a day", -days * seasons, 0.1 * usual, 0.3 * usual))
    if _known_on_both_sides(selection, "water_l"):
        water, missing = _water(periods, days)
        uncertain = np.hypot(uncertain, np.where(missing, UNKNOWN_WATER / 4, 0.0))
        inlet, _ = _inlet(periods, facts.cold_c + mains_swing_k(facts.latitude) * seasons)
        heat = water * WH_PER_L_K / 1000 * (facts.hot_c - inlet)
        terms.append(Term("heat drawn, against hot − inlet", heat, 1.0, 0.4))
        drivers.append("water_l")
    return Baseline("whole house", tuple(terms), uncertain, tuple(drivers), tuple(notes))


def heat_of(period: Period, efficiency: float) -> float:
    """What was bought in a period, as heat: electricity gives all of its energy, gas the boiler's share, kWh."""
    return (period.electricity_kwh or 0.0) + efficiency * (period.gas_kwh or 0.0)


def _mean_per_day(selection: Selection) -> float:
    before = selection.before
    total = sum((period.electricity_kwh or 0.0) + (period.gas_kwh or 0.0) for period in before)
    return max(total / sum(period.days for period in before), 0.1)


def _known_on_both_sides(selection: Selection, column: str) -> bool:
    """Whether enough periods on each side know a column for it to drive the comparison."""
    sides = (selection.before, selection.after)
    return all(
        sum(getattr(period, column) is not None for period in side) >= _ENOUGH_KNOWN * len(side) for side in sides
    )


def _missing(periods: Sequence[Period], column: str) -> Flags:
    return np.array([getattr(period, column) is None for period in periods])


def _periods(missing: Flags) -> str:
    return say_many("one period", "{n} periods", int(missing.sum()))


def _filled(periods: Sequence[Period], column: str, weight: Array) -> Array:
    """The column with the mean of what is known, per unit of weight, where a cell is empty."""
    values = np.array([float("nan") if (v := getattr(period, column)) is None else v for period in periods])
    known = ~np.isnan(values)
    mean = values[known].sum() / max(weight[known].sum(), 1e-9)
    return np.where(known, values, mean * weight)


def _water(periods: Sequence[Period], home: Array) -> tuple[Array, Flags]:
    return _filled(periods, "water_l", home), _missing(periods, "water_l")


def _inlet(periods: Sequence[Period], modelled: Array) -> tuple[Array, Flags]:
    """Mains water's temperature in each period, and whether it was measured. The modelled swing is moved to fit."""
    measured = np.array([np.nan if period.inlet_c is None else period.inlet_c for period in periods])
    known = ~np.isnan(measured)
    shift = float((measured[known] - modelled[known]).mean()) if known.any() else 0.0
    return np.where(known, measured, modelled + shift), known
