"""Modelled values by place and time of year, for use where nothing was measured: latitude, sunshine, mains water."""

import math
from datetime import date
from functools import cache
from importlib.resources import files

from accounting.model.periods import month_after

YEAR_DAYS = 365.2425
MAINS_SWING_K = 4.9
"""Half the yearly swing of mains water at 52° latitude, K: the first harmonic of the monthly temperature rises that
SAP 2012, table 1d, gives for hot water."""

_MAINS_PEAK_DAY = 212  # the same harmonic's peak: the end of July in the north
_SWING_LATITUDE = 52.0
_ASSUMED_LATITUDE = 50.0


@cache
def latitude_of(timezone: str) -> float | None:
    """The latitude of an IANA zone's main place, degrees north; None where the zone names no place.

    Source: zone.tab of the tz database.
    """
    table = files("tzdata").joinpath("zoneinfo", "zone.tab").read_text("utf-8")
    for line in table.splitlines():
        cells = line.split("\t")
        if not line.startswith("#") and cells[2] == timezone:
            sign, digits = cells[1][0], cells[1][1:].replace("-", "+").split("+")[0]
            degrees = int(digits[:2]) + int(digits[2:4]) / 60
            return degrees if sign == "+" else -degrees
    return None


def season(day_of_year: float, latitude: float | None) -> float:
    """How warm mains water is for the time of year: 1 at its warmest, −1 at its coldest."""
    shift = YEAR_DAYS / 2 if (latitude or 0) < 0 else 0.0
    return math.cos(2 * math.pi * (day_of_year - _MAINS_PEAK_DAY - shift) / YEAR_DAYS)


def mains_swing_k(latitude: float | None) -> float:
    """Half the yearly swing of mains water, K: less towards the equator."""
    degrees = abs(_ASSUMED_LATITUDE if latitude is None else latitude)
    return MAINS_SWING_K * min(1.0, degrees / _SWING_LATITUDE)


def sunshine_mj(day_of_year: int, latitude: float | None) -> float:
    """A clear day's sun on level ground, MJ/m².

    Source: FAO Irrigation and Drainage Paper 56, equations 21 to 25 and 37 (0.75 of the radiation outside the air).
    """
    phi = math.radians(_ASSUMED_LATITUDE if latitude is None else latitude)
    turn = 2 * math.pi * day_of_year / 365
    distance = 1 + 0.033 * math.cos(turn)
    declination = 0.409 * math.sin(turn - 1.39)
    sunset = math.acos(min(1.0, max(-1.0, -math.tan(phi) * math.tan(declination))))
    outside = (
        24
        * 60
        / math.pi
        * 0.0820
        * distance
        * (sunset * math.sin(phi) * math.sin(declination) + math.cos(phi) * math.cos(declination) * math.sin(sunset))
    )
    return 0.75 * outside


@cache
def month_shares(latitude: float | None) -> tuple[float, ...]:
    """Each month's share of a year's clear-sky sun, January first; they add up to 1."""
    months: list[float] = []
    for month in range(1, 13):
        first = date(2025, month, 1)
        days = range(first.timetuple().tm_yday, first.timetuple().tm_yday + (month_after(first) - first).days)
        months.append(sum(sunshine_mj(day, latitude) for day in days))
    return tuple(month / sum(months) for month in months)


def season_over(first: date, until: date, latitude: float | None) -> float:
    """The mean `season` of the days from first until until (not included)."""
    start, end = first.toordinal(), until.toordinal()
    step = max(1, (end - start) // 40)
    days = range(start, end, step)
    return sum(season(date.fromordinal(day).timetuple().tm_yday, latitude) for day in days) / len(days)


def sun_over(first: date, until: date, latitude: float | None) -> float:
    """The mean clear-sky sun of the days from first until until (not included), against the year's mean of 1."""
    start, end = first.toordinal(), until.toordinal()
    step = max(1, (end - start) // 40)
    days = range(start, end, step)
    mean = sum(sunshine_mj(date.fromordinal(day).timetuple().tm_yday, latitude) for day in days) / len(days)
    return mean / _year_mean(latitude)


@cache
def _year_mean(latitude: float | None) -> float:
    return sum(sunshine_mj(day, latitude) for day in range(1, 366)) / 365
