"""The demo's sun and clouds: what falls on a level roof, W/m²."""

from math import cos, exp, pi, radians, sin

from daemon.simulation.house.chance import source

KNOT_S = 300
DAY_S = 86400

# Kinds of day: lowest and highest share of the clear sky, how often a passing cloud, share left under it.
_KINDS = ((0.86, 1.00, 0.06, 0.35), (0.60, 0.95, 0.35, 0.25), (0.15, 0.40, 0.20, 0.12))
_HOW_OFTEN = (50, 35, 15)


def sine_of_elevation(utc_s: float, latitude_deg: float, longitude_deg: float) -> float:
    """Sine of the sun's height above the horizon, below 0 at night, to about a degree.

    longitude_deg: east positive. Declination by Cooper's formula (Solar Energy 12, 1969), equation of time by Spencer's
    series cut to its usual three terms (9.87 sin 2B - 7.53 cos B - 1.5 sin B); both from memory.
    """
    day = (utc_s // DAY_S) % 365.25 + 1
    declination = radians(23.45) * sin(2 * pi * (284 + day) / 365)
    b = 2 * pi * (day - 81) / 364
    equation_min = 9.87 * sin(2 * b) - 7.53 * cos(b) - 1.5 * sin(b)
    solar_h = (utc_s % DAY_S) / 3600 + longitude_deg / 15 + equation_min / 60
    hour_angle = radians(15 * (solar_h - 12))
    latitude = radians(latitude_deg)
    return sin(latitude) * sin(declination) + cos(latitude) * cos(declination) * cos(hour_angle)


def clear_sky_w_per_m2(sine: float) -> float:
    """Global irradiance on the level under a cloudless sky: Haurwitz (Journal of Meteorology 2, 1945; from memory)."""
    return 1098 * sine * exp(-0.059 / sine) if sine > 0.01 else 0.0


class Sky:
    """The weather over one place; a function of the seed and the time alone."""

    def __init__(self, seed: int, latitude_deg: float, longitude_deg: float) -> None:
        self._seed = seed
        self._latitude_deg = latitude_deg
        self._longitude_deg = longitude_deg
        self._knot = -1
        self._shares = (0.0, 0.0)

    def irradiance_w_per_m2(self, utc_s: float) -> float:
        """What falls on a level square metre at that second."""
        clear = clear_sky_w_per_m2(sine_of_elevation(utc_s, self._latitude_deg, self._longitude_deg))
        return clear * self._share(utc_s) if clear else 0.0

    def _share(self, utc_s: float) -> float:
        """Share of the clear sky that comes through: straight lines between one chance value every five minutes."""
        knot, into_s = divmod(utc_s, KNOT_S)
        if knot != self._knot:
            self._knot = int(knot)
            self._shares = self._at_knot(self._knot), self._at_knot(self._knot + 1)
        before, after = self._shares
        return before + (after - before) * into_s / KNOT_S

    def _at_knot(self, knot: int) -> float:
        day = source(self._seed, "day", knot * KNOT_S // DAY_S)
        lowest, highest, cloudy, under = day.choices(_KINDS, _HOW_OFTEN)[0]
        chance = source(self._seed, "cloud", knot)
        return under if chance.random() < cloudy else chance.uniform(lowest, highest)
