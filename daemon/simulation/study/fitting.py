"""A study's tank fitted to the home's own tape, and how well it forecasts days that the fit has not seen.

The twin is given what the heaters took in each minute, and draws by the fitted pattern of the day; each day begins with
the level as recorded. What it forecasts is the level at the end of each hour.
"""

from collections.abc import Sequence
from datetime import datetime
from math import sqrt
from pathlib import Path
from zoneinfo import ZoneInfo

from accounting.heat.metered_heat import MeteredHeat
from accounting.heat.tank_fit import Fitted, LevelForecast, TankFit, fit_tank
from accounting.ledger.tape import Row
from accounting.model.periods import local_day
from accounting.valuation.settings import TankBooks
from daemon.config.build import books_settings
from daemon.config.load import load
from daemon.config.varied import varied
from daemon.simulation.study.closed_loop import TAP_C
from daemon.simulation.study.opening import open_recorded
from daemon.simulation.study.studied_home import OP, StudiedHome, studied
from rules.model.errors import BrimfulError
from rules.tank.standing_loss import TEST_K

HELD_OUT = 0.25
"""Share of the days, the last ones, that a second fit does without, to be tried on them."""
LEAST_HELD_OUT = 3
_DAY_S, _HOUR_S, _MINUTE_S = 86_400, 3600, 60


def fitted(path: Path, readings: Path) -> Fitted:
    """Fit a home's tank to its recorded minutes. path: the home file. Raises BrimfulError."""
    home = load(path)
    tank = books_settings(home).tank
    if tank is None:
        hint = "and in [signals] tank_level_pct or the tank's temperatures"
        raise BrimfulError(OP, "--fit", f"expected a table [tank] in {home.file.name}, got none", hint)
    zone = ZoneInfo(home.home.timezone)
    with open_recorded(readings, home.heater_names) as file:
        rows: list[Row] = [
            (round(at_s), {reading.signal: reading.value for reading in found})
            for at_s, found in file.rows(file.signals)
        ]
    found = fit_tank(rows, tank, zone)
    values = keys_of(found)
    if not values and found.by_hour is None:
        hint = "it takes a week of tank_level_pct and diverted_wh, the demo's ledger for one"
        raise BrimfulError(OP, "--fit", f"nothing in {readings.name} shows the tank's figures", hint)
    return Fitted(found, values, tank, _tried(path, rows, tank, zone))


def keys_of(fit: TankFit) -> dict[str, str]:
    """The keys of the home file that a fit sets."""
    found = {}
    if fit.volume_l is not None:
        found["tank.volume_l"] = f"{fit.volume_l.value:.1f}"
    if fit.hot_c is not None:
        found["tank.hot_c"] = f"{fit.hot_c.value:.1f}"
    if fit.ua_w_per_k is not None:
        found["tank.loss_w"] = f"{fit.ua_w_per_k.value * TEST_K:.1f}"
    return found


def _tried(path: Path, rows: Sequence[Row], tank: TankBooks, zone: ZoneInfo) -> LevelForecast | None:
    """The same fit without the last days, tried on these."""
    if not rows:
        return None
    cut_s = rows[0][0] + (1 - HELD_OUT) * (rows[-1][0] - rows[0][0])
    before = [row for row in rows if row[0] <= cut_s]
    fit = fit_tank(before, tank, zone)
    values = keys_of(fit)
    if fit.by_hour_wh is None or not tank.level:
        return None
    home = studied(varied(path, values) if values else load(path))
    return forecast_levels(home, rows, cut_s, fit.by_hour_wh, tank)


def forecast_levels(
    home: StudiedHome, rows: Sequence[Row], from_s: float, drawn_wh: Sequence[float], tank: TankBooks
) -> LevelForecast | None:
    """Try the twin on the local days after from_s. drawn_wh: in each hour of a day. None where they are too few.

    A level that was not heard within the tank's stale_after_s is compared with nothing."""
    zone = home.zone
    names = [heater.name for heater in home.made.rules.heaters]
    levels: dict[int, float] = {}
    heat = MeteredHeat(tank)
    twin, level, level_s, since_s = None, None, 0, 0
    days, off, yesterday = set(), list[float](), list[float]()
    for at_s, row_values in rows:
        watts = [0.0] * (len(names) + 1)
        for name, gained_wh in heat.gains(row_values):
            watts[_source(name, names)] += gained_wh * _HOUR_S / _MINUTE_S
        if "tank_level_pct" in row_values:
            level, level_s = row_values["tank_level_pct"], at_s
        elif at_s - level_s > tank.stale_after_s:
            level = None
        local = datetime.fromtimestamp(at_s, zone)
        on_the_hour = local.minute == 0
        if twin is not None and at_s - since_s <= 2 * _MINUTE_S:
            hour = datetime.fromtimestamp(since_s, zone).hour
            twin.advance(at_s - since_s, watts, drawn_wh[hour] * (at_s - since_s) / _HOUR_S, TAP_C)
            if on_the_hour and level is not None:
                off.append(home.gauge.level_pct(twin.temps_c) - level)
                days.add(local_day(since_s, zone))
                if at_s - _DAY_S in levels:
                    yesterday.append(levels[at_s - _DAY_S] - level)
        elif twin is not None:
            twin = None  # a gap: the day is left
        if on_the_hour and level is not None:
            levels[at_s] = level
            if local.hour == 0 and at_s >= from_s:
                twin = home.twin(level)
        since_s = at_s
    if len(days) < LEAST_HELD_OUT or not yesterday:
        return None
    return LevelForecast(_rms(off), sum(off) / len(off), _rms(yesterday), len(days))


def _source(name: str, heaters: Sequence[str]) -> int:
    """The place among the twin's sources that a counter is of: a heater's, or the last for all else."""
    if not name.startswith("diverted_wh"):
        return len(heaters)
    own = name.removeprefix("diverted_wh").lstrip("_")
    return heaters.index(own) if own in heaters else 0


def _rms(values: Sequence[float]) -> float:
    return sqrt(sum(value * value for value in values) / len(values))
