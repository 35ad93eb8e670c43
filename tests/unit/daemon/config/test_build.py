"""From the home file to what rules and books are set up with."""

from datetime import UTC, datetime
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest

from daemon.config.build import books_settings, rule_settings
from rules.model.errors import BrimfulError
from rules.model.settings import Battery, Heater, Limit, Worth, Yield
from tests.support.homes import EXAMPLE, SMALL, TWO_HEATERS, home

TERN = home(EXAMPLE.read_text())


def utc(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def test_rules_are_asked_with_what_the_file_says() -> None:
    made = rule_settings(TERN)
    assert made.heaters == (Heater("main", "gate", 3000, 100),)
    assert made.limit == Limit(68, 64)
    assert (made.full.stop_at_pct, made.full.resume_below_pct) == (94, 86)
    assert (made.surplus.start_w, made.surplus.stop_w, made.surplus.over_s) == (250, 0, 90)
    assert made.battery == Battery(85, 150)
    assert made.yields == Yield("car_w", 500, 120)
    assert made.worth == Worth(True, 0.01, 0)
    assert (made.rest.minimum_on_s, made.rest.minimum_off_s) == (120, 120)
    assert (made.timezone, made.currency) == ("Europe/London", "GBP")
    assert made.temperatures == ("tank_top_c",)
    assert made.stale_after_s["grid_w"] == 30
    assert made.stale_after_s["tank_top_c"] == 900


def test_the_tank_bounds_its_level() -> None:
    """315 L by 50 K at 1.163 Wh/(kg K); 74.5 W at 65 °C in 20 °C are 1.656 W/K, at 60 °C 66.2 W (EN 12897)."""
    tank = rule_settings(home(TWO_HEATERS)).tank
    assert tank is not None
    assert (tank.volume_l, tank.full_wh, tank.loss_w) == (315, pytest.approx(18_317.25), pytest.approx(66.22, abs=0.01))
    unlabelled = rule_settings(home(SMALL + "[tank]\nvolume_l = 200\n")).tank
    assert unlabelled is not None
    assert unlabelled.loss_w == pytest.approx(86.01 * 40 / 45, abs=0.01)  # class C at 200 L: (EU) 812/2013
    assert rule_settings(home(SMALL)).tank is None


def test_heaters_come_in_the_order_of_preference() -> None:
    made = rule_settings(home(TWO_HEATERS))
    assert made.heaters == (
        Heater("upper", "gate", 1200, 0, (), True),
        Heater("lower", "modulated", 3600, 300, (600, 1200, 3600), True),
    )
    assert not made.together
    assert made.stale_after_s["tank_level_pct"] == 900, "a level made of temperatures grows old too"


def test_the_battery_is_not_asked_where_no_signal_tells_of_one() -> None:
    text = SMALL + "[rules.battery]\nminimum_level_pct = 90\nmaximum_discharge_w = 100\n"
    assert rule_settings(home(text)).battery == Battery(None, None)


def test_resume_follows_stop_unless_it_is_set() -> None:
    made = rule_settings(home(SMALL + "[rules.full]\nstop_at_pct = 80\n[rules.limit]\nmaximum_c = 60\n"))
    assert (made.full.resume_below_pct, made.limit.resume_below_c) == (73, 57)


def test_absences_are_local_and_merged_where_they_touch() -> None:
    """Lisbon is at UTC+1 in summer and at UTC in winter (IANA)."""
    periods = (
        "{ from = 2026-12-24T12:00:00, to = 2026-12-27 }, { from = 2026-08-05, to = 2026-08-09 }, "
        "{ from = 2026-08-01, to = 2026-08-05 }, { from = 2026-08-02, to = 2026-08-03 }"
    )
    made = rule_settings(home(f"{SMALL}[rules.away]\nperiods = [{periods}]\n"))
    assert made.away.periods == (
        (utc("2026-07-31T23:00"), utc("2026-08-08T23:00")),
        (utc("2026-12-24T12:00"), utc("2026-12-27T00:00")),
    )


def test_books_are_kept_by_what_the_file_says() -> None:
    made = books_settings(TERN)
    assert (made.interval_s, made.late_s, made.used) == (1800, 120, Fraction(9, 10))
    (heater,) = made.heaters
    assert (heater.counter, heater.power, heater.rated_w) == ("diverted_wh", "diverted_w", 3000)
    assert (heater.gap_s, heater.resolution_wh, heater.stale_after_s) == (3600, 10, 60)
    assert made.grid is not None
    assert made.grid.kg_per_kwh == Fraction(1, 5)
    night, gas = made.displaces
    assert (night.share, night.band, night.efficiency) == (Fraction(7, 10), "night", 1)
    assert (gas.share, gas.band, gas.efficiency) == (Fraction(3, 10), None, Fraction(84, 100))
    assert sum(source.share for source in made.displaces) == 1


def test_prices_reach_the_books_exactly() -> None:
    """By hand from the example: its buying tariff keeps UTC, its selling tariff local time; 2026-10-05 is a Monday."""
    made = books_settings(TERN)
    assert made.imports is not None
    assert made.export is not None
    assert made.imports.price_at(utc("2026-07-01T00:30")) == Fraction(Decimal("0.0850"))
    assert made.imports.price_at(utc("2026-07-01T05:30")) == Fraction(Decimal("0.2890"))
    assert made.export.price_at(utc("2026-07-01T12:00")) == Fraction(Decimal("0.0410"))
    assert made.export.price_at(utc("2026-10-05T15:00")) == Fraction(Decimal("0.2200")), "16:00 in London"
    assert made.export.price_at(utc("2026-10-04T15:00")) == Fraction(Decimal("0.0750")), "a Sunday"


def test_each_heater_has_its_own_meter() -> None:
    text = TWO_HEATERS.replace('series = "prices.csv"', PERIODS).replace('series = "carbon.csv"', "kg_per_kwh = 0.2")
    upper, lower = books_settings(home(text)).heaters
    assert (upper.name, upper.counter, upper.power, upper.stale_after_s) == ("upper", None, "diverted_w_upper", 45)
    assert (lower.name, lower.counter, lower.power) == ("lower", "diverted_wh_lower", None)
    assert (lower.gap_s, lower.resolution_wh) == (1800, 1)


PERIODS = 'periods = [{ from = 2026-01-01, bands = [{ name = "all", price = 0.3 }] }]'


def test_series_are_read_beside_the_home_file(tmp_path: Path) -> None:
    (tmp_path / "prices.csv").write_text("time,price\n2026-01-01T00:00Z,0.10\n2026-01-01T01:00Z,0.20\n")
    (tmp_path / "carbon.csv").write_text("time,kg_per_kwh\n2026-01-01T00:00Z,0.4\n")
    made = books_settings(home(TWO_HEATERS, tmp_path / "home.toml"))
    assert made.imports is not None
    assert made.imports.price_at(utc("2026-01-01T01:30")) == Fraction(1, 5)
    assert made.grid is not None
    assert made.grid.at(utc("2026-01-01T00:00"), utc("2026-01-01T00:30")) == Fraction(2, 5)


def test_a_series_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(BrimfulError, match=r"prices\.csv"):
        books_settings(home(TWO_HEATERS, tmp_path / "home.toml"))
