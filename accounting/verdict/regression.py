"""The trade's own figures beside the model: IPMVP option C's regression, and ASHRAE Guideline 14's measures of it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from accounting.verdict.baseline import days_of
from accounting.verdict.priors import WH_PER_L_K, Facts
from accounting.verdict.ranges import Array
from accounting.verdict.selection import Selection, bought
from rules.model.wording import say, with_and

MONTHLY_CV_LIMIT, MONTHLY_NMBE_LIMIT = 0.15, 0.05
"""What Guideline 14-2014 allows a model of monthly figures: 15 % and 5 %."""

_SPARE = 4  # periods before, beyond the coefficients, from which a regression is worth showing


@dataclass(frozen=True, slots=True)
class Regression:
    """An ordinary regression of the energy bought before on its drivers, applied to the time after.

    saved_kwh: adjusted baseline less what was bought; fsu: the half-width of its range as a share of it, at
    `confidence` (None: nothing was saved by it, so that there is no share). cv_rmse, nmbe: shares of the mean.
    """

    drivers: tuple[str, ...]
    coefficients: tuple[float, ...]
    saved_kwh: float
    adjusted_kwh: float
    cv_rmse: float
    nmbe: float
    fsu: float | None

    @property
    def half_width_kwh(self) -> float:
        return abs(self.saved_kwh) * self.fsu if self.fsu is not None else float("inf")

    @property
    def within_limits(self) -> bool:
        return self.cv_rmse <= MONTHLY_CV_LIMIT and abs(self.nmbe) <= MONTHLY_NMBE_LIMIT


def fit_measures(measured: Array, fitted: Array, coefficients: int) -> tuple[float, float]:
    """(CV(RMSE), NMBE) of n values, as shares of their mean.

    √[Σ(y−ŷ)²/(n−p)]/ȳ and Σ(y−ŷ)/[(n−p)ȳ]: ASHRAE Guideline 14-2014. n must be above p.
    """
    free, mean = len(measured) - coefficients, float(measured.mean())
    rest = measured - fitted
    return float((rest @ rest / free) ** 0.5) / mean, float(rest.sum()) / (free * mean)


def fractional_savings_uncertainty(
    cv_rmse: float,
    saved_share: float,
    before: int,
    after: int,
    coefficients: int,
    confidence: float = 0.9,
    autocorrelation: float = 0.0,
) -> float:
    """The half-width of the saving's range as a share of the saving: ASHRAE Guideline 14-2014.

    FSU = 1.26·t·(CV/F)·√[(n/n′)(1+2/n′)/m] with n′ = n(1−ρ)/(1+ρ). saved_share: F, saving over adjusted baseline;
    before: n; after: m; coefficients: p; t is Student's, two-sided, with n′−p degrees of freedom where ρ is 0.
    """
    effective = before * (1 - autocorrelation) / (1 + autocorrelation)
    t = float(stdtrit(before - coefficients, 0.5 + confidence / 2))
    return float(1.26 * t * cv_rmse / abs(saved_share) * ((before / effective) * (1 + 2 / effective) / after) ** 0.5)


def option_c(selection: Selection, facts: Facts, confidence: float = 0.9) -> Regression | str:
    """The regression, or why there is none, in words."""
    drivers, columns = _columns(selection, facts)
    before = len(selection.before)
    design = np.column_stack(columns)
    if before < len(drivers) + _SPARE:
        return say(
            "a regression on {drivers} needs {needed} periods before, got {before}",
            drivers=with_and(drivers),
            needed=len(drivers) + _SPARE,
            before=before,
        )
    values = np.array([sum(bought(period, name) or 0.0 for name in selection.carriers) for period in selection.periods])
    if np.linalg.matrix_rank(design[:before]) < len(drivers):
        return say(
            "in the periods before, {drivers} move together: a regression cannot separate them",
            drivers=with_and(drivers),
        )
    coefficients, *_ = np.linalg.lstsq(design[:before], values[:before], rcond=None)
    fitted = design @ coefficients
    cv, nmbe = fit_measures(values[:before], fitted[:before], len(drivers))
    adjusted = float(fitted[before:].sum())
    saved = adjusted - float(values[before:].sum())
    fsu = None
    if saved and adjusted > 0:
        after = len(selection.after)
        fsu = fractional_savings_uncertainty(cv, saved / adjusted, before, after, len(drivers), confidence)
    return Regression(tuple(drivers), tuple(float(c) for c in coefficients), saved, adjusted, cv, nmbe, fsu)


def _columns(selection: Selection, facts: Facts) -> tuple[list[str], list[Array]]:
    periods = selection.periods
    days = days_of(periods)
    drivers, columns = ["days"], [days]
    away = _known(periods, "away_days")
    if away is not None:
        drivers, columns = [say("days at home")], [days - away]
    water = _known(periods, "water_l")
    inlet = _known(periods, "inlet_c")
    outdoor = _known(periods, "outdoor_c")
    if water is not None:
        rise = facts.hot_c - (inlet if inlet is not None else facts.cold_c)
        drivers.append(say("heat of the water"))
        columns.append(water * WH_PER_L_K / 1000 * rise)
    elif outdoor is not None:
        drivers.append(say("outdoor temperature"))
        columns.append(days * outdoor)
    return drivers, columns


def _known(periods: Sequence[object], column: str) -> Array | None:
    values = [getattr(period, column) for period in periods]
    return None if any(value is None for value in values) else np.array(values, dtype=float)
