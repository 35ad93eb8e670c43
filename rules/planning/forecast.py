"""A forecast of the sun, brought to this home's measure by how former forecasts turned out."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, isfinite, log, sqrt

USUAL_SPREAD = 0.45
"""Standard deviation of ln(came ÷ forecast) to assume before there is a record. Common practice, no source."""
TRUSTED_PAIRS = 7
"""How many pairs of forecast and outcome weigh as much as what is assumed."""
LEAST_SPREAD = 0.15
HIGHEST = 3.0
"""A forecast of more than this many times the highest on record, forecast or come true, is not used."""


@dataclass(frozen=True, slots=True)
class Expected:
    """Of a local day: the surplus to expect, Wh, and the standard deviation of its logarithm."""

    surplus_wh: float
    spread: float


def expected(forecast_wh: float, record: Sequence[tuple[float, float]]) -> Expected | str:
    """The surplus to expect from a forecast, or why the forecast is not used.

    forecast_wh: of the sun of a day, Wh, in whatever measure the source has, as long as it stays the same; record:
    (what was forecast, the surplus that followed) of past days, Wh. Without a record the forecast counts as the
    surplus.
    """
    if not isfinite(forecast_wh) or forecast_wh < 0:
        return f"the forecast of {forecast_wh} Wh is no amount of sun"
    pairs = [(ahead, real) for ahead, real in record if isfinite(ahead) and isfinite(real) and ahead > 0 and real >= 0]
    most = max((max(pair) for pair in pairs), default=0.0)
    if most and forecast_wh > HIGHEST * most:
        return f"the forecast of {forecast_wh:.0f} Wh is more than {HIGHEST:g} times the {most:.0f} Wh known so far"
    # A tenth of the usual day added to both keeps dull days from counting as wild misses.
    floor = 0.1 * (sum(real for _, real in pairs) / len(pairs) if pairs else forecast_wh) or 1.0
    misses = [log((real + floor) / (ahead + floor)) for ahead, real in pairs]
    trust = len(misses) / (len(misses) + TRUSTED_PAIRS)
    mean = sum(misses) / len(misses) if misses else 0.0
    bias = mean * trust
    own_variance = sum((miss - mean) ** 2 for miss in misses) / len(misses) if misses else 0.0
    spread = sqrt(trust * own_variance + (1 - trust) * USUAL_SPREAD**2)
    surplus_wh = max((forecast_wh + floor) * exp(bias) - floor, 0.0)
    return Expected(surplus_wh, max(spread, LEAST_SPREAD))


def fit(day_wh: float, usual_wh: float, forecast: Expected) -> float:
    """How well a past day's surplus fits the forecast, 0–1. usual_wh: the mean day's."""
    floor = 0.1 * usual_wh or 1.0
    miss = log((day_wh + floor) / (forecast.surplus_wh + floor)) / forecast.spread
    return exp(-0.5 * min(miss * miss, 50.0))
