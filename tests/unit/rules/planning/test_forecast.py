"""A forecast brought to the home's measure, or left out with a reason."""

import pytest

from rules.planning.forecast import Expected, expected, fit


@pytest.mark.parametrize(
    ("forecast_wh", "record", "said"),
    [
        (float("nan"), [], "no amount of sun"),
        (-5.0, [], "no amount of sun"),
        (90_000.0, [(8000.0, 5000.0)], "more than 3 times"),
    ],
)
def test_a_silly_forecast_is_left_out_with_a_reason(
    forecast_wh: float, record: list[tuple[float, float]], said: str
) -> None:
    answer = expected(forecast_wh, record)
    assert isinstance(answer, str)
    assert said in answer


def test_without_a_record_it_is_taken_as_it_is_with_a_wide_spread() -> None:
    answer = expected(5000.0, [])
    assert isinstance(answer, Expected)
    assert answer.surplus_wh == pytest.approx(5000.0)
    assert answer.spread == pytest.approx(0.45)


def test_a_source_that_always_says_twice_as_much_is_corrected_and_trusted_more() -> None:
    answer = expected(6000.0, [(2.0 * came, came) for came in range(2000, 8000, 100)])
    assert isinstance(answer, Expected)
    assert 2900 < answer.surplus_wh < 3600
    assert answer.spread < 0.25


def test_days_near_the_forecast_fit_it_best() -> None:
    forecast = Expected(5000.0, 0.3)
    assert fit(5000.0, 4000.0, forecast) == pytest.approx(1.0)
    assert fit(5000.0, 4000.0, forecast) > fit(3000.0, 4000.0, forecast) > fit(0.0, 4000.0, forecast) > 0.0
