"""The night game's own cells: homes × tariffs × with and without a boiler, written as CASE.toml with a CSV beside it.

Three homes are for tuning the planner and three are held out; each is played on four tariffs. Two homes are halves of
the recorded year (tests/recorded); four are invented and drawn with a fixed seed. Every tariff and price is invented.
"""

import csv
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from math import acos, cos, exp, isnan, pi, radians, sin, tan
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

from tests.support import recorded_sources as recorded

HALF_HOUR = timedelta(minutes=30)
CACHE = Path(__file__).parents[1] / ".cache" / "night-game"


@dataclass(frozen=True, slots=True)
class Home:
    """A house and what it did. rows: (UTC start, surplus Wh, drawn Wh) of each half hour."""

    name: str
    timezone: str
    capacity_wh: float
    power_w: float
    loss_per_half_hour: float
    rows: tuple[tuple[datetime, float, float], ...]


@dataclass(frozen=True, slots=True)
class Cell:
    name: str
    held_out: bool
    home: Callable[[], Home]
    tariff: str
    boiler_price: float


# --- homes -----------------------------------------------------------------------------------------------------------


@cache
def _recorded() -> tuple[list[float], list[float], list[float]]:
    """The recorded year's load, water heating and PV, W by minute."""
    return (*recorded.household(), recorded.solar())


def recorded_home(name: str, first_day: int, days: int) -> Home:
    """Days of the recorded year. The recorded water heating stands for the draws; the surplus leaves it out.

    What was not recorded is taken from the same half hour of the latest day that has it.
    """
    load_w, heater_w, pv_w = _recorded()
    latest = dict.fromkeys(range(48), (0.0, 0.0))
    rows = []
    for minute in range(first_day * 1440, (first_day + days) * 1440, 30):
        span = range(minute, minute + 30)
        surplus = [max(pv_w[m] - (load_w[m] - heater_w[m]), 0.0) for m in span if not isnan(pv_w[m] - load_w[m])]
        drawn = [heater_w[m] for m in span if not isnan(heater_w[m])]
        start = recorded.stamp_of(minute) - timedelta(minutes=1)
        sun_before, drawn_before = latest[minute // 30 % 48]
        half_hour = (_mean(surplus) / 2 if surplus else sun_before, _mean(drawn) / 2 if drawn else drawn_before)
        latest[minute // 30 % 48] = half_hour
        rows.append((start, *half_hour))
    return Home(name, "Europe/Paris", 9000.0, 3000.0, 0.003, tuple(rows))


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)


@dataclass(frozen=True, slots=True)
class Habit:
    """A draw that comes again: its usual local hour and Wh, how both scatter, and how likely it is on each weekday."""

    hour: float
    hour_sd: float
    wh: float
    wh_sd: float
    chance: tuple[float, float, float, float, float, float, float]


WEEK = (1.0,) * 7


def week(workday: float, saturday: float, sunday: float) -> tuple[float, float, float, float, float, float, float]:
    return (workday,) * 5 + (saturday, sunday)  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class Invented:
    """The numbers of an invented home. away: (day, days) spells without draws; persistence: of the day's cloudiness."""

    name: str
    seed: int
    timezone: str
    first: str
    days: int
    latitude: float
    solar_noon_utc_h: float
    kwp: float
    clearness: float
    persistence: float
    base_w: float
    evening_w: float
    capacity_wh: float
    power_w: float
    loss_per_half_hour: float
    habits: tuple[Habit, ...]
    away: tuple[tuple[int, int], ...] = ()


def invented_home(of: Invented) -> Home:
    """Draw the home's half hours. The same numbers every time."""
    zone, chance = ZoneInfo(of.timezone), Random(of.seed)
    day = datetime.fromisoformat(of.first).replace(tzinfo=zone)
    cloud, people = 0.0, 1.0
    rows = []
    for number in range(of.days):
        following = day + timedelta(days=1)
        cloud = of.persistence * cloud + (1 - of.persistence**2) ** 0.5 * chance.gauss(0, 1)
        people = 0.5 * people + 0.5 + chance.gauss(0, 0.1)
        clear = min(max(of.clearness + 0.27 * cloud, 0.05), 1.0)
        away = any(begin <= number < begin + length for begin, length in of.away)
        draws = [] if away else _draws(of.habits, day.weekday(), max(people, 0.3), chance)
        start, flicker = day.astimezone(UTC), 0.0
        while start < following.astimezone(UTC):
            flicker = 0.6 * flicker + 0.8 * chance.gauss(0, 1)
            pv_w = of.kwp * 850 * _height(of, start) * min(max(clear + (1 - clear) * clear * 0.9 * flicker, 0.03), 1.05)
            local = start.astimezone(zone)
            hour = local.hour + local.minute / 60
            load_w = of.base_w * (0.4 if away else 1) * exp(0.35 * chance.gauss(0, 1))
            load_w += 0 if away else of.evening_w * exp(-(((hour - 18.5) / 2.5) ** 2)) * exp(0.3 * chance.gauss(0, 1))
            drawn = sum(wh for at, wh in draws if hour <= at < hour + 0.5)
            rows.append((start, max(pv_w - load_w, 0.0) / 2, drawn))
            start += HALF_HOUR
        day = following
    return Home(of.name, of.timezone, of.capacity_wh, of.power_w, of.loss_per_half_hour, tuple(rows))


def _draws(habits: tuple[Habit, ...], weekday: int, people: float, chance: Random) -> list[tuple[float, float]]:
    found = []
    for habit in habits:
        drawn, at, wh = chance.random(), chance.gauss(habit.hour, habit.hour_sd), chance.gauss(habit.wh, habit.wh_sd)
        if drawn < habit.chance[weekday]:
            found.append((min(max(at, 0.0), 23.99), max(wh, 50.0) * people))
    return found


def _height(of: Invented, start: datetime) -> float:
    """Share of the summer noon's clear-sky power on a south roof, 0–1; a plain bell over the daylight."""
    year_day = start.timetuple().tm_yday
    declination = radians(23.45) * sin(2 * pi * (284 + year_day) / 365)
    sunset = acos(min(max(-tan(radians(of.latitude)) * tan(declination), -1.0), 1.0)) * 12 / pi
    hour = (start.hour + start.minute / 60 + 0.25 - of.solar_noon_utc_h + 12) % 24 - 12
    if abs(hour) >= sunset:
        return 0.0
    noon = max(sin(pi / 2 - radians(of.latitude) + declination), 0.0) ** 0.6
    return noon * cos(pi / 2 * hour / sunset) ** 1.3


FAMILY = Invented(
    "family", 11, "Europe/Berlin", "2023-03-01", 150, 50.0, 11.4, 5.0, 0.55, 0.45, 350, 900, 10_000, 3000, 0.0035,
    (
        Habit(6.6, 0.3, 1500, 400, week(0.95, 0.3, 0.2)), Habit(7.3, 0.4, 1300, 400, week(0.8, 0.4, 0.3)),
        Habit(9.3, 0.8, 2200, 700, week(0.05, 0.8, 0.8)), Habit(12.5, 0.5, 350, 150, WEEK),
        Habit(18.7, 0.6, 600, 200, WEEK), Habit(19.8, 0.5, 2300, 700, week(0.45, 0.6, 0.8)),
        Habit(21.8, 0.6, 900, 300, week(0.6, 0.4, 0.5)),
    ),
    away=((96, 9),),
)  # fmt: skip
COUPLE = Invented(
    "couple", 12, "Europe/London", "2023-09-01", 130, 52.0, 12.1, 3.6, 0.45, 0.35, 220, 600, 6500, 2800, 0.004,
    (
        Habit(6.2, 0.3, 1200, 350, week(0.6, 0.2, 0.1)), Habit(10.5, 1.5, 1200, 400, week(0.3, 0.7, 0.8)),
        Habit(13.2, 0.8, 250, 100, WEEK), Habit(17.5, 0.5, 1200, 300, week(0.45, 0.3, 0.2)),
        Habit(19.0, 0.7, 500, 200, WEEK), Habit(22.0, 0.6, 1100, 400, week(0.5, 0.6, 0.6)),
    ),
)  # fmt: skip
SINGLE = Invented(
    "single", 21, "Europe/Madrid", "2024-04-15", 140, 41.0, 12.2, 3.0, 0.7, 0.55, 180, 450, 7000, 2000, 0.005,
    (
        Habit(7.6, 0.5, 1500, 500, week(0.7, 0.4, 0.5)), Habit(14.5, 0.6, 400, 150, WEEK),
        Habit(18.8, 1.2, 1500, 500, week(0.35, 0.5, 0.3)), Habit(21.5, 0.5, 400, 150, WEEK),
    ),
    away=((30, 3), (84, 14)),
)  # fmt: skip
LARGE = Invented(
    "large", 22, "Europe/Stockholm", "2024-01-08", 150, 56.0, 11.0, 8.0, 0.5, 0.5, 450, 1200, 14_000, 3500, 0.003,
    (
        Habit(6.3, 0.25, 1600, 500, week(0.9, 0.2, 0.2)), Habit(6.9, 0.3, 1600, 500, week(0.9, 0.4, 0.3)),
        Habit(7.4, 0.3, 1200, 400, week(0.7, 0.5, 0.4)), Habit(9.5, 1.0, 2500, 800, week(0.1, 0.8, 0.8)),
        Habit(12.8, 0.6, 500, 200, WEEK), Habit(17.8, 0.7, 900, 300, WEEK),
        Habit(19.3, 0.6, 4200, 900, week(0.3, 0.5, 0.7)),
        Habit(20.7, 0.5, 1500, 500, week(0.7, 0.6, 0.7)),
    ),
)  # fmt: skip


# --- tariffs: (import, export) per kWh of each half hour -------------------------------------------------------------


def flat(home: Home) -> Iterator[tuple[float, float]]:
    for _ in home.rows:
        yield 0.29, 0.07


def night(home: Home) -> Iterator[tuple[float, float]]:
    zone = ZoneInfo(home.timezone)
    for start, _, _ in home.rows:
        local = start.astimezone(zone)
        yield (0.12 if 1 <= local.hour < 5 else 0.31), 0.08


def high_export(home: Home) -> Iterator[tuple[float, float]]:
    zone = ZoneInfo(home.timezone)
    for start, _, _ in home.rows:
        yield (0.14 if start.astimezone(zone).hour < 6 else 0.30), 0.19


def dynamic(home: Home) -> Iterator[tuple[float, float]]:
    """A price of its own each half hour: two peaks a day, a level that wanders, cheap noons, at times negative."""
    zone, chance = ZoneInfo(home.timezone), Random(f"prices of {home.name}")
    level, noon, today = 0.0, 0.0, None
    for start, _, _ in home.rows:
        local = start.astimezone(zone)
        if local.date() != today:
            today = local.date()
            level = 0.7 * level + 0.035 * chance.gauss(0, 1)
            noon = 0.5 * noon + 0.035 * chance.gauss(0, 1)
            weekend = 0.02 if local.weekday() >= 5 else 0.0
        hour = local.hour + local.minute / 60
        market = 0.09 + level - weekend + 0.05 * exp(-(((hour - 8) / 1.7) ** 2)) + 0.08 * exp(-(((hour - 19) / 2) ** 2))
        market -= max(0.04 + noon, 0) * exp(-(((hour - 13.3) / 2.5) ** 2)) + 0.02 * (hour < 6)
        market += 0.008 * chance.gauss(0, 1)
        yield round(1.1 * market + (0.16 if 16 <= hour < 20 else 0.05), 4), round(market - 0.01, 4)


TARIFFS: dict[str, Callable[[Home], Iterator[tuple[float, float]]]] = {
    "flat": flat, "night": night, "dynamic": dynamic, "high-export": high_export,
}  # fmt: skip
GAS, NO_BOILER = 0.11, 0.6
"""Price of a boiler's kWh of heat, and what stands for a cold tap where there is none: twice the dear import."""

HOMES: dict[str, tuple[bool, Callable[[], Home]]] = {
    "recorded-1": (False, lambda: recorded_home("recorded-1", 0, 182)),
    "family": (False, lambda: invented_home(FAMILY)),
    "couple": (False, lambda: invented_home(COUPLE)),
    "recorded-2": (True, lambda: recorded_home("recorded-2", 182, 183)),
    "single": (True, lambda: invented_home(SINGLE)),
    "large": (True, lambda: invented_home(LARGE)),
}
BOILERS = {"boiler": GAS, "none": NO_BOILER}
WITH_BOILER = {
    "recorded-1": "flat dynamic", "family": "night high-export", "couple": "dynamic",
    "recorded-2": "night", "single": "dynamic flat", "large": "high-export dynamic",
}  # fmt: skip


def cells() -> list[Cell]:
    """All cells: each home on each tariff, with a boiler where WITH_BOILER says so."""
    return [
        Cell(f"{name}-{tariff}-{boiler}", held_out, home, tariff, BOILERS[boiler])
        for name, (held_out, home) in HOMES.items()
        for tariff in TARIFFS
        for boiler in ["boiler" if tariff in WITH_BOILER[name].split() else "none"]
    ]


def write(cell: Cell, folder: Path) -> Path:
    """Write the cell's CASE.toml and its CSV into a folder; returns the CASE.toml's path."""
    folder.mkdir(parents=True, exist_ok=True)
    home = cell.home()
    with (folder / f"{cell.name}.csv").open("w", newline="", encoding="ascii") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(("time", "surplus_wh", "drawn_wh", "import_price", "export_price"))
        for (start, surplus, drawn), (buy, sell) in zip(home.rows, TARIFFS[cell.tariff](home), strict=True):
            out.writerow((f"{start:%Y-%m-%dT%H:%M:%SZ}", f"{surplus:.1f}", f"{drawn:.1f}", buy, sell))
    path = folder / f"{cell.name}.toml"
    path.write_text(
        f'readings = "{cell.name}.csv"\ntimezone = "{home.timezone}"\ncapacity_wh = {home.capacity_wh}\n'
        f"power_w = {home.power_w}\nloss_per_half_hour = {home.loss_per_half_hour}\n"
        f"boiler_price = {cell.boiler_price}\nstart_wh = {home.capacity_wh / 2}\n",
        encoding="ascii",
    )
    return path
