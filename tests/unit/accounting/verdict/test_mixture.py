"""The quadrature: with many values and weak priors it is the ordinary regression, and its mixture is one."""

import numpy as np
import pytest
import statsmodels.api as sm

from accounting.verdict.mixture import Mixture, Problem, solve


def problem(count: int = 120, scatter: float = 0.03, seed: int = 1, bad: int | None = None) -> tuple[Problem, float]:
    """Two drivers, and a saving of 30 in each of the last third; the true sum saved besides."""
    rng = np.random.default_rng(seed)
    design = np.column_stack([rng.uniform(20, 31, count), rng.uniform(50, 150, count)])
    level = design @ np.array([2.0, 1.2])
    after = np.arange(count) >= 2 * count // 3
    values = level * (1 + scatter * rng.standard_normal(count)) - 30.0 * after
    if bad is not None:
        values[bad] *= 1.6
    saving = np.where(after, 1.0, 0.0)
    return (
        Problem(
            values=values,
            design=np.column_stack([design, -saving]),
            prior_mean=np.array([1.0, 1.0, 0.0]),
            prior_sd=np.array([10.0, 10.0, 1000.0]),
            level=level,
            days=np.full(count, 30.4),
            fixed_variance=np.zeros(count),
            after=after,
            target=np.array([0.0, 0.0, float(after.sum())]),
            scatter_median=0.05,
            scatter_spread=0.8,
            outlier_share=0.02,
            outlier_sd=0.5,
            step_share=0.1,
            step_share_after=0.1,
            step_sd=0.15,
        ),
        30.0 * float(after.sum()),
    )


def test_it_is_the_weighted_regression_where_there_is_much_to_go_by() -> None:
    """statsmodels' weighted least squares, its standard error too."""
    given, truth = problem()
    found = solve(given)
    fit = sm.WLS(given.values, given.design, weights=given.level**-2.0).fit()
    count = given.after.sum()
    assert found.target.mean == pytest.approx(fit.params[2] * count, rel=0.05)
    assert found.target.sd == pytest.approx(fit.bse[2] * count, rel=0.4)
    assert found.coefficients[:2] == pytest.approx(fit.params[:2], rel=0.05)
    assert found.scatter == pytest.approx(0.03, rel=0.25)
    assert abs(found.target.mean - truth) < 3 * found.target.sd


def test_a_single_value_after_is_as_uncertain_as_its_own_scatter() -> None:
    """One value shows nothing of how values scatter after: what it lacks may be its scatter as well as a saving."""
    given, _ = problem(count=60, scatter=0.05)
    kept = np.append(np.arange(40), 59)
    one = Problem(
        **{
            **vars(given),
            **{name: getattr(given, name)[kept] for name in ("values", "level", "days", "fixed_variance", "after")},
            "design": given.design[kept],
            "target": np.array([0.0, 0.0, 1.0]),
        }
    )
    found = solve(one)
    assert found.target.sd > 0.9 * 0.05 * one.level[-1]
    varied = solve(Problem(**{**vars(one), "prior_sd": np.array([10.0, 10.0, 1e-6])}))
    assert varied.target.sd > 0.3 * 0.05 * one.level[-1]  # all of the saving is then the value's own


def test_a_wrong_value_is_found() -> None:
    given, _ = problem(count=18, bad=4)
    found = solve(given)
    assert found.outliers.argmax() == 4
    assert found.outliers[4] > 0.8


def test_a_step_is_found_where_it_lies() -> None:
    given, _ = problem(count=24)
    values = given.values.copy()
    values[8:] *= 0.8
    stepped = Problem(**{**vars(given), "values": values})
    found = solve(stepped)
    assert found.stepped.argmax() == 8
    assert found.stepped.sum() > 0.8


def test_quantiles_rise_and_scale() -> None:
    mixture = Mixture(np.array([0.5, 0.5]), np.array([-1.0, 3.0]), np.array([1.0, 4.0]))
    values = [mixture.quantile(share) for share in (0.05, 0.3, 0.5, 0.7, 0.95)]
    assert values == sorted(values)
    assert mixture.mean == 1.0
    assert mixture.sd == pytest.approx((0.5 * (1 + 4) + 0.5 * (4 + 4)) ** 0.5)
    moved = mixture.moved(2.0, 10.0)
    assert moved.quantile(0.3) == pytest.approx(2 * mixture.quantile(0.3) + 10)
    assert mixture.moved(1.0, 0.0, 100.0).sd > mixture.sd
