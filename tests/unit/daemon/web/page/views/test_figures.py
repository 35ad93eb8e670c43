"""Figures as the page sets them."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.web.page.views import figures

DUBLIN = ZoneInfo("Europe/Dublin")


@pytest.mark.parametrize(
    ("value", "places", "sign", "told"),
    [
        (1234.5, 2, False, "1,234.50"),
        (-0.004, 2, True, "0.00"),
        (-0.006, 2, True, "−0.01"),
        (0.0, 3, True, "0.000"),
        (0.53, 2, True, "+0.53"),
        (None, 2, False, "–"),
    ],
)
def test_a_figure_has_its_places_and_nothing_has_no_sign(
    value: float | None, places: int, sign: bool, told: str
) -> None:
    assert figures.fixed(value, places, sign=sign) == told


@pytest.mark.parametrize(("value", "told"), [(1.0, "100 %"), (0.99999, "99.9 %"), (0.0, "0 %"), (0.6, "60 %")])
def test_a_share_never_reads_as_whole_before_it_is(value: float, told: str) -> None:
    assert figures.share(value) == told


@pytest.mark.parametrize(
    ("name", "value", "words", "told"),
    [
        ("tank_level_pct", 94.36, "tank level", "94.4 %"),
        ("tank_level_pct", 94.0, "tank level", "94 %"),
        ("grid_w", -2163.4, "grid", "−2,163 W"),
        ("diverted_wh_upper", 12.0, "diverted energy, upper", "12 Wh"),
        ("tank_top_c", 57.25, "tank top", "57.2 °C"),
        ("import_price", 0.326, "import price", "0.3260 per kWh"),
        ("grid_kg_per_kwh", 0.24, "grid carbon", "0.240 kg/kWh"),
        ("no_such_signal", 3.0, "no such signal", "3.00"),
    ],
)
def test_a_signal_is_told_in_words_with_its_unit(name: str, value: float, words: str, told: str) -> None:
    assert figures.signal_words(name, ("upper",)) == words
    assert figures.signal_value(name, value, ("upper",)) == told


def test_a_time_carries_its_day_where_it_is_not_todays() -> None:
    now = datetime(2026, 6, 10, 12, tzinfo=UTC)
    for at, told in (
        (datetime(2026, 6, 10, 0, 5, tzinfo=UTC), "01:05"),  # summer time
        (datetime(2026, 6, 9, 22, 30, tzinfo=UTC), "yesterday, 23:30"),
        (datetime(2026, 6, 1, 12, tzinfo=UTC), "Mon 1 Jun, 13:00"),
        (datetime(2025, 12, 24, 12, tzinfo=UTC), "Wed 24 Dec 2025, 12:00"),
    ):
        assert figures.when(at, DUBLIN, now) == told


@pytest.mark.parametrize(
    ("by", "told"),
    [("day", "Wed 30 Dec 2026"), ("week", "week 53"), ("month", "December 2026"), ("year", "2026")],
)
def test_a_period_is_named(by: str, told: str) -> None:
    assert figures.period("2026-12-30T00:00:00+00:00", by, 2027 if by == "day" else 2026) == told
