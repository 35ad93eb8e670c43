"""Measures of before and after against published ones, and against independent programs."""

import numpy as np
import numpy_financial
import pytest
import statsmodels.api as sm
from scipy import stats

from accounting.verdict.climate import latitude_of, month_shares, sunshine_mj
from accounting.verdict.finance import irr, npv
from accounting.verdict.mixture import Mixture
from accounting.verdict.priors import Facts
from accounting.verdict.regression import (
    MONTHLY_CV_LIMIT,
    MONTHLY_NMBE_LIMIT,
    fit_measures,
    fractional_savings_uncertainty,
    option_c,
)
from accounting.verdict.selection import select
from tests.support.verdict_homes import RECIPES, draw


def test_fractional_savings_uncertainty_as_worked() -> None:
    """A worked example of Guideline 14: adjusted baseline 42, measured 43, CV 0.5, p 2, n = m = 12, 80 %: t 1.37218."""
    share = (42 - 43) / 42
    assert fractional_savings_uncertainty(0.5, share, 12, 12, 2, confidence=0.8) == pytest.approx(11.3210, abs=5e-5)


@pytest.mark.parametrize(("autocorrelation", "fsu"), [(0.0, 0.4747), (0.2, 0.6018), (0.4, 0.7912)])
def test_fractional_savings_uncertainty_by_month(autocorrelation: float, fsu: float) -> None:
    """Guideline 14's formula at 90 %, n = m = 12, CV 0.10, F 0.15, t 1.8125 (10 degrees of freedom)."""
    found = fractional_savings_uncertainty(0.10, 0.15, 12, 12, 2, 0.9, autocorrelation)
    assert found == pytest.approx(fsu, abs=5e-5)


@pytest.mark.parametrize(("autocorrelation", "fsu"), [(0.0, 0.2726), (0.5, 0.4748)])
def test_fractional_savings_uncertainty_by_day(autocorrelation: float, fsu: float) -> None:
    """The same with n = m = 365, CV 0.25, F 0.10."""
    found = fractional_savings_uncertainty(0.25, 0.10, 365, 365, 2, 0.9, autocorrelation)
    assert found == pytest.approx(fsu, abs=1e-4)


def test_the_limits_of_guideline_14() -> None:
    """Monthly models: CV(RMSE) 15 % and NMBE 5 %."""
    assert (MONTHLY_CV_LIMIT, MONTHLY_NMBE_LIMIT) == (0.15, 0.05)


def test_option_c_is_the_regression_of_an_independent_program() -> None:
    """statsmodels' ordinary least squares on the same drivers."""
    home = draw(RECIPES["12+12"], 4)
    selection = select(home.history, home.installed)
    ours = option_c(selection, Facts())
    assert not isinstance(ours, str)
    rows = [
        (
            period.days - (period.away_days or 0),
            (period.water_l or 0) * 1.163e-3 * (60 - (period.inlet_c or 0)),
            (period.electricity_kwh or 0) + (period.gas_kwh or 0),
        )
        for period in selection.periods
    ]
    table = np.array(rows, dtype=float)
    fit = sm.OLS(table[:12, 2], table[:12, :2]).fit()
    assert ours.coefficients == pytest.approx(fit.params)
    assert ours.cv_rmse == pytest.approx(np.sqrt(fit.mse_resid) / table[:12, 2].mean())
    assert ours.adjusted_kwh == pytest.approx(fit.predict(table[12:, :2]).sum())
    assert ours.nmbe == pytest.approx(fit.resid.sum() / (10 * table[:12, 2].mean()))


def test_measures_of_a_fit_by_hand() -> None:
    """Residuals 1, −1, 1, −1, 2 of a mean of 10 with p 2: √(8/3)/10 and 2/(3·10)."""
    measured = np.array([11.0, 9.0, 11.0, 9.0, 10.0])
    fitted = measured - np.array([1.0, -1.0, 1.0, -1.0, 2.0])
    cv, nmbe = fit_measures(measured, fitted, 2)
    assert (cv, nmbe) == (pytest.approx((8 / 3) ** 0.5 / 10), pytest.approx(2 / 30))


@pytest.mark.parametrize("seed", range(20))
def test_rates_and_values_agree_with_an_independent_program(seed: int) -> None:
    """numpy-financial's irr and npv on random flows that spend once and then earn."""
    rng = np.random.default_rng(seed)
    flows = [-float(rng.uniform(200, 900)), *(float(each) for each in rng.uniform(5, 160, 12))]
    assert npv(0.035, flows) == pytest.approx(numpy_financial.npv(0.035, flows))
    assert irr(flows) == pytest.approx(numpy_financial.irr(flows), abs=1e-8)


def test_a_mixture_of_normals_has_the_quantiles_of_an_independent_program() -> None:
    """scipy.stats' normal laws, weighed."""
    mixture = Mixture(np.array([0.7, 0.3]), np.array([0.0, 4.0]), np.array([1.0, 9.0]))
    for share in (0.01, 0.05, 0.5, 0.95, 0.99):
        value = mixture.quantile(share)
        weighed = 0.7 * stats.norm.cdf(value, 0, 1) + 0.3 * stats.norm.cdf(value, 4, 3)
        assert weighed == pytest.approx(share, abs=1e-9)


def test_sunshine() -> None:
    """FAO Irrigation and Drainage Paper 56, example 8: 20° south on 3 September (day 246), 32.2 MJ/m² outside the air
    (from memory)."""
    assert sunshine_mj(246, -20) / 0.75 == pytest.approx(32.2, abs=0.05)
    assert sum(month_shares(51.5)) == pytest.approx(1)
    assert max(month_shares(51.5)) == month_shares(51.5)[5]
    assert min(month_shares(-33.9)) == month_shares(-33.9)[5]
    assert sunshine_mj(355, 70) == 0


@pytest.mark.parametrize(
    ("zone", "latitude"), [("Europe/Dublin", 53.33), ("Australia/Sydney", -33.87), ("Etc/UTC", None)]
)
def test_latitudes_of_zones(zone: str, latitude: float | None) -> None:
    """zone.tab of the tz database."""
    found = latitude_of(zone)
    assert found == (None if latitude is None else pytest.approx(latitude, abs=0.01))
