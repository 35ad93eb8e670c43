"""The demo's sun and clouds."""

from datetime import UTC, datetime
from math import asin, degrees

import pytest

from daemon.simulation.house.sky import Sky, clear_sky_w_per_m2, sine_of_elevation

DUBLIN = (53.3, -6.3)


def _at(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("day", "highest_deg"),
    [("2026-06-21", 90 - 53.3 + 23.44), ("2026-12-21", 90 - 53.3 - 23.44), ("2026-03-20", 90 - 53.3)],
)
def test_the_noon_sun_stands_as_high_as_the_season_says(day: str, highest_deg: float) -> None:
    # 90° - latitude + declination; the obliquity is 23.44° (from memory).
    start = _at(day)
    highest = max(sine_of_elevation(start + minute * 60, *DUBLIN) for minute in range(1440))
    assert degrees(asin(highest)) == pytest.approx(highest_deg, abs=1.0)


@pytest.mark.parametrize(
    ("day", "noon_utc_h"), [("2026-02-11", 12 + 6.3 / 15 + 14.2 / 60), ("2026-11-03", 12 + 6.3 / 15 - 16.4 / 60)]
)
def test_solar_noon_follows_longitude_and_the_equation_of_time(day: str, noon_utc_h: float) -> None:
    # The equation of time's extremes: 14.2 min behind on 11 February, 16.4 min ahead on 3 November (from memory).
    start = _at(day)
    noon = max(range(1440), key=lambda minute: sine_of_elevation(start + minute * 60, *DUBLIN))
    assert noon / 60 == pytest.approx(noon_utc_h, abs=2 / 60)


def test_midsummer_day_is_about_17_hours_long() -> None:
    start = _at("2026-06-21")
    minutes_up = sum(sine_of_elevation(start + minute * 60, *DUBLIN) > 0 for minute in range(1440))
    # cos H = -tan 53.3° tan 23.44° gives 16.74 h without refraction.
    assert minutes_up / 60 == pytest.approx(16.74, abs=0.1)


def test_clear_sky_formula() -> None:
    # Haurwitz: 1098 exp(-0.059) with the sun overhead; nothing at and below the horizon.
    assert clear_sky_w_per_m2(1.0) == pytest.approx(1035.1, abs=0.1)
    assert clear_sky_w_per_m2(0.0) == 0.0
    assert clear_sky_w_per_m2(-0.5) == 0.0


def test_weather_is_a_function_of_seed_and_time_alone() -> None:
    start = _at("2026-06-10")
    times = [start + 600 * i + 7 for i in range(144)]
    forwards = [Sky(7, *DUBLIN).irradiance_w_per_m2(t) for t in times]
    sky = Sky(7, *DUBLIN)
    backwards = [sky.irradiance_w_per_m2(t) for t in reversed(times)]
    assert forwards == backwards[::-1]
    assert forwards != [Sky(8, *DUBLIN).irradiance_w_per_m2(t) for t in times]


def test_clouds_only_take_away_and_kinds_of_day_differ() -> None:
    sky = Sky(3, *DUBLIN)
    shares = []
    for day in range(40):
        start = _at("2026-06-01") + day * 86400
        got = clear = 0.0
        for i in range(0, 86400, 300):
            most = clear_sky_w_per_m2(sine_of_elevation(start + i, *DUBLIN))
            here = sky.irradiance_w_per_m2(start + i)
            assert 0.0 <= here <= most
            got, clear = got + here, clear + most
        shares.append(got / clear)
    assert min(shares) < 0.35
    assert max(shares) > 0.85
