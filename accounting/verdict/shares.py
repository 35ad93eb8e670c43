"""How the heat was divided between electricity and gas before, and so would have been after."""

from dataclasses import dataclass

import numpy as np

from accounting.verdict.baseline import heat_of
from accounting.verdict.climate import season_over
from accounting.verdict.priors import Facts
from accounting.verdict.selection import Selection

_SEASON_SD = 0.2  # how far the share may swing over the year
_SCATTER, _SCATTER_WEIGHT = (
    0.05,
    2.0,
)  # what is expected of its scatter between periods, and for how many periods that counts


@dataclass(frozen=True)
class Shares:
    """kwh_per_heat: kWh of each carrier bought for a kWh of heat; sd: its standard deviation; total_sd: their sum's."""

    kwh_per_heat: dict[str, float]
    sd: dict[str, float]
    total_sd: float


def carrier_shares(selection: Selection, facts: Facts, efficiency: float, *, house: bool) -> Shares:
    """Electricity's share of the heat, with its season, from the periods before; gas has the rest.

    house: whether the energy is the whole house's, for which nothing is converted to heat.
    """
    if len(selection.carriers) == 1:
        name = selection.carriers[0]
        kwh = 1.0 if name == "electricity" or house else 1.0 / efficiency
        return Shares({name: kwh}, {name: 0.0}, 0.0)
    heats = np.array([heat_of(period, efficiency) for period in selection.before])
    electric = np.array([period.electricity_kwh or 0.0 for period in selection.before])
    used = heats > 0
    share = np.where(used, electric / np.where(used, heats, 1.0), 0.0)[used]
    weight = heats[used] / heats[used].mean() if used.any() else heats[used]

    def terms(periods: tuple[object, ...]) -> "np.ndarray[tuple[int, int], np.dtype[np.float64]]":
        seasons = [season_over(p.first, p.until, facts.latitude) for p in periods]  # type: ignore[attr-defined]
        return np.column_stack([np.ones(len(seasons)), seasons])

    design = terms(selection.before)[used]
    mean = float((share * weight).sum() / max(weight.sum(), 1e-9))
    prior = np.diag([0.5**-2, _SEASON_SD**-2])
    scatter = _SCATTER
    fit = np.zeros(2)
    for _ in range(3):
        matrix = (design.T * weight) @ design / scatter**2 + prior
        fit = np.linalg.solve(matrix, (design.T * weight) @ (share - mean) / scatter**2)
        rest = share - mean - design @ fit
        free = max(len(share) - 1.5, 0.0)
        scatter = float(np.sqrt((_SCATTER**2 * _SCATTER_WEIGHT + (weight * rest**2).sum()) / (_SCATTER_WEIGHT + free)))
    after = terms(selection.after)
    days = np.array([float(period.days) for period in selection.after])
    row = (days / days.sum()) @ after
    covariance = np.linalg.inv((design.T * weight) @ design / scatter**2 + prior)
    variance = float(row @ covariance @ row) + scatter**2 * float(((days / days.sum()) ** 2).sum())
    electricity = float(np.clip(mean + row @ fit, 0.0, 1.0))
    sd = variance**0.5 if 0 < mean < 1 else 0.0
    gas = 1.0 if house else 1.0 / efficiency
    return Shares(
        {"electricity": electricity, "gas": (1 - electricity) * gas},
        {"electricity": sd, "gas": sd * gas},
        sd * abs(1 - gas),
    )
