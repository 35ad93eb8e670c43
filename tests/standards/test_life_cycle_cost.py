"""Life-cycle cost against published figures: NIST Handbook 135, its sample, numpy-financial's documented vectors."""

from math import log

import pytest

from accounting.verdict.finance import airr, irr, npv, payback_years, sir, spv, upv


@pytest.mark.parametrize(
    ("rate", "years", "printed"),
    [
        (0.03, 5, 4.580),
        (0.03, 10, 8.530),
        (0.03, 15, 11.938),
        (0.03, 20, 14.877),
        (0.035, 10, 8.317),
        (0.035, 20, 14.212),
    ],
)
def test_uniform_present_value(rate: float, years: int, printed: float) -> None:
    """[1−(1+r)^−n]/r, the formula of NIST Handbook 135."""
    assert upv(rate, years) == pytest.approx(printed, abs=5e-4)
    assert upv(rate, years) == pytest.approx(sum(spv(rate, year) for year in range(1, years + 1)))


def test_the_sample_building_of_nist() -> None:
    """NIST BLCC, sample "heat pump": 15 years, 3 % real, end of year; to the printed figures.

    Existing: residual 10 % of 1,500, a fan of 600 in year 10 with a residual of 50 %, 50 a year, cleaning of 200 in
    year 10, energy 13,784 (present value). New: 3,000 with a residual of 25 %, 100 a year, an overhaul of 600 in year
    8, energy 9,419. The existing system has to be paid for in either case, so that the difference invested is what the
    new costs more; that is the reading under which every printed figure comes out.
    """
    rate, years = 0.03, 15
    old_investment = 1500 + 600 * spv(rate, 10) - (150 + 300) * spv(rate, years)
    new_investment = 3000 - 750 * spv(rate, years)
    old_running = 50 * upv(rate, years) + 200 * spv(rate, 10) + 13_784
    new_running = 100 * upv(rate, years) + 600 * spv(rate, 8) + 9_419
    saved = old_running - new_running
    invested = new_investment - old_investment
    assert saved - invested == pytest.approx(2582, abs=0.5)
    ratio = saved / invested
    assert ratio == pytest.approx(4.00, abs=5e-3)
    assert airr(rate, ratio, years) == pytest.approx(0.1297, abs=5e-5)
    per_year = (13_784 - 9_419) / upv(rate, years) + 50 - 100  # the energy's present value spread evenly
    simple, discounted = (payback_years([1500 - 3000, *[per_year] * years], each) for each in (0, rate))
    assert simple is not None
    assert discounted is not None
    assert 4 < simple <= 5
    assert 5 < discounted <= 6


@pytest.mark.parametrize(
    ("flows", "rate"),
    [
        ([-100, 39, 59, 55, 20], 0.28095),
        ([-250_000, 100_000, 150_000, 200_000, 250_000, 300_000], 0.5672303),
        ([-150_000, 15_000, 25_000, 35_000, 45_000, 60_000], 0.0524),
        ([-100, 0, 0, 74], -0.0955),
        ([-5, 10.5, 1, -8, 1], 0.0886),
    ],
)
def test_internal_rate_of_return(flows: list[float], rate: float) -> None:
    """numpy-financial's documented vectors, to the digits that are printed."""
    found = irr(flows)
    assert found == pytest.approx(rate, abs=5.1e-5)
    assert npv(found or 0.0, flows) == pytest.approx(0, abs=1e-6 * max(abs(flow) for flow in flows))


@pytest.mark.parametrize("flows", [[100, 39], [-100, -39], [0, 0], [-1, 0, 0]])
def test_flows_of_one_sign_have_no_rate(flows: list[float]) -> None:
    assert irr(flows) is None


def test_net_present_value() -> None:
    """numpy-financial's documented vectors."""
    assert npv(0.08, [-40_000, 5000, 8000, 12_000, 30_000]) == pytest.approx(3065.22267, abs=5e-6)
    assert npv(0.05, [-15_000, 1500, 2500, 3500, 4500, 6000]) == pytest.approx(122.89, abs=5e-3)


def test_discounted_pay_back() -> None:
    """n = −ln(1−C·r/S)/ln(1+r): 500 spent, 80 a year at 3.5 % is back after 7.176 years, undiscounted after 6.25."""
    level_years = -log(1 - 500 * 0.035 / 80) / log(1.035)
    assert level_years == pytest.approx(7.176, abs=5e-4)
    assert payback_years([-500, *[80.0] * 10]) == pytest.approx(6.25)
    assert payback_years([-500, *[80.0] * 10], 0.035) == pytest.approx(
        level_years, abs=0.01
    )  # within a year by proportion
    assert payback_years([-500, *[80.0] * 6], 0.035) is None


def test_a_cost_that_comes_later_undoes_a_pay_back() -> None:
    assert payback_years([-100, 110, -60, 30, 30]) == pytest.approx(3 + 20 / 30)


def test_ratios() -> None:
    """NIST's sample prints SIR 4.00 and AIRR 12.97 % for 15 years at 3 %."""
    assert airr(0.03, 4.00, 15) == pytest.approx(0.1297, abs=5e-5)
    assert sir(0.03, 500, [80.0] * 10) == pytest.approx(80 * 8.530 / 500, abs=1e-3)
    assert sir(0.03, 0, [80.0]) is None
    assert airr(0.03, -0.2, 15) is None
