"""A forecast source for brimful: what the sun would bring on a day of average haze, by the calendar alone.

Options: `latitude_deg` (north +), `area_m2` of the panels, `yield` (share of the sunlight outside the air that comes
out as electricity; 0.1 unless given: an assumption, no source).

    [readers.sun]
    kind = "forecast"
    source = "clear_sky"
    options = { latitude_deg = 53.3, area_m2 = 18 }

    [signals.forecast_pv_wh]
    topic = "reader:sun"
    pointer = "/tomorrow"
    stale_after_s = 86400

A real one would ask a weather service here. Only the measure must stay the same: brimful learns how former forecasts
turned out. Source of the formula: FAO Irrigation and Drainage Paper 56, equations 21 and 23 to 25.
"""

from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from math import acos, cos, pi, radians, sin, tan
from typing import Any

SOLAR_MJ_PER_M2_MIN = 0.0820
"""Solar constant."""
WH_PER_MJ = 1e6 / 3600


def extraterrestrial_mj_per_m2(latitude_deg: float, day_of_year: int) -> float:
    """Sunlight on a level square metre outside the air, MJ a day."""
    latitude, angle = radians(latitude_deg), 2 * pi * day_of_year / 365
    distance, declination = 1 + 0.033 * cos(angle), 0.409 * sin(angle - 1.39)
    sunset = acos(max(-1.0, min(1.0, -tan(latitude) * tan(declination))))
    height = sunset * sin(latitude) * sin(declination) + cos(latitude) * cos(declination) * sin(sunset)
    return 24 * 60 / pi * SOLAR_MJ_PER_M2_MIN * distance * height


def days(day: date, options: Mapping[str, Any]) -> Iterator[tuple[date, float]]:
    """Today and tomorrow: the date, and Wh."""
    share = float(options["area_m2"]) * float(options.get("yield", 0.1)) * WH_PER_MJ
    for at in (day, day + timedelta(days=1)):
        sun_mj = extraterrestrial_mj_per_m2(float(options["latitude_deg"]), at.timetuple().tm_yday)
        yield at, share * sun_mj
