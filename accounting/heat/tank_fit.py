"""The home's own tank, from its recorded minutes: its active volume, what it loses, what its taps draw and when.

Each figure has a range in which it lies with 95 % confidence, by how runs or days differ. Cold water's temperature and
the room's are taken as the home file states them. Drawn is what went in less what was lost and what stayed.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import hypot, sqrt
from statistics import fmean, stdev
from typing import NamedTuple
from zoneinfo import ZoneInfo

from accounting.heat.loss_fit import Loss, fit_tape, student
from accounting.heat.metered_heat import MeteredHeat
from accounting.heat.scale_fit import Scale, fit_scale
from accounting.ledger.tape import Row
from accounting.model.periods import local_day
from accounting.valuation.settings import TankBooks
from rules.model.signals import TEMPERATURES
from rules.tank.charge import mean_c
from rules.tank.cylinder import WH_PER_L_K

LEAST_DAYS = 6
"""Days with readings from start to end that a figure for draws takes."""
_EVEN_K = 1.0
_WARM_C = 45.0
_FINEST_K = 0.2
"""What three sensors leave open of a mean, whatever the number of days (common practice, no source)."""
_WHOLE_DAY_S = 23 * 3600
_UNMETERED = 0.1
"""Where hours gain so much heat that nothing metered gave, as a share of what the others draw, draws are not seen."""
HOURS = 24


@dataclass(frozen=True, slots=True)
class Figure:
    """A fitted figure and where it lies with 95 % confidence."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class TankFit:
    """What the tape shows of the tank; None where it shows nothing.

    full_kwh: heat between an empty and a full level; hot_c: the temperature throughout at which the level is full (it
    takes three temperatures); volume_l: what of the tank takes part; ua_w_per_k: standing loss; loss: what that rests
    on; drawn_kwh: heat a day at the taps; by_hour: its share in each hour of the local day; days: how many it rests on.
    """

    full_kwh: Figure | None
    hot_c: Figure | None
    volume_l: Figure | None
    ua_w_per_k: Figure | None
    loss: Loss | None
    drawn_kwh: Figure | None
    by_hour: tuple[float, ...] | None
    days: int

    @property
    def by_hour_wh(self) -> tuple[float, ...] | None:
        """Heat drawn in each hour of the local day, Wh."""
        if self.drawn_kwh is None or self.by_hour is None:
            return None
        return tuple(1000 * self.drawn_kwh.value * share for share in self.by_hour)


class LevelForecast(NamedTuple):
    """How far the forecast level was from the recorded one, hour by hour.

    rms_pct: root mean square, % of a full tank; mean_pct: forecast less recorded; yesterday_pct: for comparison, the
    root mean square if the level of the same hour a day before is the forecast; days: how many.
    """

    rms_pct: float
    mean_pct: float
    yesterday_pct: float
    days: int


@dataclass(frozen=True, slots=True)
class Fitted:
    """A fit and what it sets. set: keys of the home file, as text; stated: the tank as the home file has it;
    forecast: how another fit, without the last days, did on these (None: too few)."""

    fit: TankFit
    set: Mapping[str, str]
    stated: TankBooks
    forecast: LevelForecast | None


def fit_tank(rows: Sequence[Row], tank: TankBooks, zone: ZoneInfo) -> TankFit:
    """Fit the tank to recorded minutes. tank: as the home file states it."""
    about_w = tank.ua_w_per_k * max((tank.cold_c + tank.hot_c) / 2 + 10.0 - tank.ambient_c, 0.0)
    scale = fit_scale(rows, tank, about_w) if tank.level else None
    hot_c = _hot_c(rows, tank, zone)
    volume_l = _volume(scale, hot_c, tank) if scale is not None else None
    fitted = replace(
        tank,
        volume_l=volume_l.value if volume_l is not None else tank.volume_l,
        hot_c=hot_c.value if hot_c is not None else tank.hot_c,
    )
    loss = fit_tape(rows, fitted, zone)
    ua = _ua(loss, volume_l) if loss is not None else None
    drawn, by_hour, days = _draws(rows, replace(fitted, ua_w_per_k=ua.value) if ua is not None else fitted, zone)
    full = Figure(scale.full_wh / 1000, scale.low_wh / 1000, scale.high_wh / 1000) if scale is not None else None
    return TankFit(full, hot_c, volume_l, ua, loss, drawn, by_hour, days)


def _hot_c(rows: Iterable[Row], tank: TankBooks, zone: ZoneInfo) -> Figure | None:
    """The temperature of a full tank, from days' moments at which its three temperatures agree.

    Below the lowest sensor the water may be colder then, so that the level is lower than the temperatures suggest. So
    only the moments of each day with the highest level count.
    """
    if set(tank.temperatures) != set(TEMPERATURES) or not tank.level:
        return None
    by_day: dict[object, list[float]] = {}
    for at_s, values in rows:
        temps_c = [values[name] for name in TEMPERATURES if name in values]
        level = values.get("tank_level_pct")
        if level is None or len(temps_c) < len(TEMPERATURES) or not 20 < level < 99.5:
            continue
        if max(temps_c) - min(temps_c) <= _EVEN_K and min(temps_c) >= _WARM_C:
            hot_c = tank.cold_c + 100.0 * (fmean(temps_c) - tank.cold_c) / level
            by_day.setdefault(local_day(at_s, zone), []).append(hot_c)
    return _by_days([sorted(found)[len(found) // 10] for found in by_day.values()], _FINEST_K)


def _volume(scale: Scale, hot_c: Figure | None, tank: TankBooks) -> Figure:
    span_k = (hot_c.value if hot_c is not None else tank.hot_c) - tank.cold_c
    volume_l = scale.full_wh / (WH_PER_L_K * span_k)
    of_span = (hot_c.high - hot_c.value) / span_k if hot_c is not None else 0.0
    within = volume_l * hypot((scale.high_wh - scale.full_wh) / scale.full_wh, of_span)
    return Figure(volume_l, volume_l - within, volume_l + within)


def _ua(loss: Loss, volume_l: Figure | None) -> Figure | None:
    """The loss with what its heat per kelvin leaves open beside what the cooling does."""
    ua = loss.ua_w_per_k
    if loss.high_w_per_k is None or ua <= 0:
        return None
    of_volume = (volume_l.high - volume_l.value) / volume_l.value if volume_l is not None else 0.0
    within = ua * hypot((loss.high_w_per_k - ua) / ua, of_volume)
    return Figure(ua, ua - within, ua + within)


def _by_days(found: Sequence[float], finest: float) -> Figure | None:
    """The mean of days' figures with Student's interval. finest: the least standard error that is believed."""
    if len(found) < LEAST_DAYS:
        return None
    within = student(len(found) - 1) * max(stdev(found) / sqrt(len(found)), finest)
    mean = fmean(found)
    return Figure(mean, mean - within, mean + within)


def _draws(rows: Iterable[Row], tank: TankBooks, zone: ZoneInfo) -> tuple[Figure | None, tuple[float, ...] | None, int]:
    """Heat drawn a day, kWh; its share by hour; the days."""
    latest: dict[str, float] = {}
    heat = MeteredHeat(tank)
    days: dict[object, list[float]] = {}
    covered_s: dict[object, int] = {}
    before: tuple[int, float] | None = None
    for at_s, values in rows:
        gained_wh = sum(wh for _, wh in heat.gains(values))
        latest.update(values)
        warm_c = _warm_c(values, latest, tank)
        if warm_c is None:
            continue
        stored_wh = WH_PER_L_K * tank.volume_l * (warm_c - tank.cold_c)
        local = datetime.fromtimestamp(at_s - 1, zone)
        hours = days.setdefault(local.date(), [0.0] * HOURS)
        hours[local.hour] += gained_wh
        if before is not None and at_s - before[0] <= tank.stale_after_s:
            lost_wh = tank.ua_w_per_k * (warm_c - tank.ambient_c) * (at_s - before[0]) / 3600.0
            hours[local.hour] -= lost_wh + stored_wh - before[1]
            covered_s[local.date()] = covered_s.get(local.date(), 0) + at_s - before[0]
        before = at_s, stored_wh
    whole = [hours for day, hours in days.items() if covered_s.get(day, 0) >= _WHOLE_DAY_S]
    drawn = _by_days([sum(hours) / 1000 for hours in whole], 0.0)
    if drawn is None:
        return None, None, len(whole)
    by_hour = [fmean(hours[hour] for hours in whole) for hour in range(HOURS)]
    means = [max(wh, 0.0) for wh in by_hour]
    total = sum(means)
    if total - sum(by_hour) > _UNMETERED * total:
        return None, None, len(whole)
    return drawn, tuple(mean / total for mean in means) if total > 0 else None, len(whole)


def _warm_c(values: dict[str, float], latest: dict[str, float], tank: TankBooks) -> float | None:
    """The tank's mean temperature, where the minute has it: by its temperatures, else by its level."""
    if len(tank.temperatures) > 1 or not tank.level:
        if not any(name in values for name in tank.temperatures):
            return None
        return mean_c(*(latest.get(name) if name in tank.temperatures else None for name in TEMPERATURES))
    level = values.get("tank_level_pct")
    return None if level is None else tank.cold_c + level / 100 * (tank.hot_c - tank.cold_c)
