"""Which periods count, and what is refused because it cannot be believed or compared."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from accounting.verdict.history import History, Period
from accounting.verdict.selection import Exclude, select
from rules.model.errors import BrimfulError

INSTALLED = date(2025, 4, 1)


def history(count: int = 6, **values: float) -> History:
    """Periods of 30 days, half of them before 1 April 2025."""
    first = INSTALLED - timedelta(days=30 * (count // 2))
    periods = [
        Period(first + timedelta(days=30 * place), first + timedelta(days=30 * (place + 1)), place + 2, gas_kwh=150.0)
        for place in range(count)
    ]
    return History("past.csv", tuple(replace(period, **values) for period in periods), ("from", "to"))


def changed(place: int, **values: object) -> History:
    whole = history()
    periods = [replace(each, **values) if at == place else each for at, each in enumerate(whole.periods)]  # type: ignore[arg-type]
    return replace(whole, periods=tuple(periods))


def refusal(of: History, installed: date = INSTALLED) -> str:
    with pytest.raises(BrimfulError) as refused:
        select(of, installed)
    return str(refused.value)


def test_the_day_of_installation_parts_them() -> None:
    found = select(history(), INSTALLED)
    assert (len(found.before), len(found.after), found.carriers) == (3, 3, ("gas",))
    assert found.left_out == ()


def test_a_period_that_holds_the_day_is_left_out() -> None:
    found = select(history(), INSTALLED + timedelta(days=5))
    assert (len(found.before), len(found.after)) == (3, 2)
    assert found.left_out[0].period.line == 5
    assert "within it, on 2025-04-06" in found.left_out[0].why


def test_excluded_days_leave_the_period_out_by_date_and_reason() -> None:
    days = [Exclude(date(2025, 5, 3), date(2025, 5, 10), "guests")]
    found = select(history(), INSTALLED, days)
    assert [each.why for each in found.left_out] == ["guests (2025-05-03 to 2025-05-09)"]
    assert len(found.after) == 2


def test_a_period_without_what_was_bought_is_left_out() -> None:
    assert select(changed(4, gas_kwh=None), INSTALLED).left_out[0].why == "its gas is not known"


@pytest.mark.parametrize(
    ("of", "installed", "says"),
    [
        (history(), date(2026, 1, 1), "past.csv line 7, column from: expected a period that begins on 2026-01-01"),
        (history(), date(2024, 1, 1), "past.csv line 2, column to: expected periods that end by 2024-01-01"),
        (
            history(1),
            INSTALLED,
            "past.csv line 2, column from: expected periods before and after the hardware, got one",
        ),
        (history(2), INSTALLED, "past.csv line 2, column to: expected at least 2 periods before 2025-04-01, got 1"),
        (
            history(estimated=True),
            INSTALLED,
            "past.csv line 2, column estimated: expected at least one real read before",
        ),
    ],
    ids=["no after", "no before", "one period", "one before", "all estimated"],
)
def test_what_cannot_be_compared(of: History, installed: date, says: str) -> None:
    assert says in refusal(of, installed)


@pytest.mark.parametrize(
    ("of", "where", "hint"),
    [
        (changed(1, gas_kwh=150_000.0), "line 3, column gas_kwh", "Wh where kWh is meant"),
        (history(gas_kwh=150_000.0), "line 2, column gas_kwh", "Wh where kWh is meant"),
        (history(gas_kwh=0.15), "line 2, column gas_kwh", "MWh where kWh is meant?"),
        (changed(1, gas_kwh=0.15), "line 3, column gas_kwh", "MWh"),
        (history(water_l=4.1), "line 2, column water_l", "m³ where L is meant?"),
        (changed(2, water_l=4_100_000.0), "line 4, column water_l", "mL where L is meant"),
        (changed(4, diverted_kwh=60_000.0), "line 6, column diverted_kwh", "Wh where kWh is meant"),
    ],
)
def test_units_wrong_by_a_thousand(of: History, where: str, hint: str) -> None:
    text = refusal(of)
    assert f"past.csv {where}:" in text
    assert hint in text


def test_a_whole_house_may_take_more_than_hot_water_does() -> None:
    heated = history(gas_kwh=5000.0)
    assert "column gas_kwh" in refusal(heated)
    assert len(select(heated, INSTALLED, meter="house").before) == 3


def test_a_sunny_month_that_bought_nothing_is_believed() -> None:
    assert len(select(changed(4, gas_kwh=0.0), INSTALLED).after) == 3
