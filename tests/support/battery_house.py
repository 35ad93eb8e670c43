"""An invented house with a battery, a tank and a diverter, lived through from March to September with and without the
diverter: what the bills then differ by is the truth that the books are held against.

Steps of a quarter of an hour, energies in Wh. The tank is fully mixed; a timer heats it at night to a level. With the
diverter its heater takes the surplus before the battery does (ahead) or after it. Nothing here is the program's own.
"""

import csv
import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

STEP_S = 900
STEPS_H = 3600 // STEP_S
FIRST = datetime(2026, 3, 1, tzinfo=UTC)
DAYS = 214
NIGHT_HOURS = range(2, 5)

HOME = """
[home]
name = "Sedge Barn"
timezone = "UTC"
currency = "EUR"

[signals.grid_w]
topic = "barn/grid"
{battery}
[signals.tank_level_pct]
topic = "barn/level"

[signals.diverted_wh]
topic = "barn/diverted"
resolution = 1

[signals.topup_wh]
topic = "barn/topup"
resolution = 1

[heaters.main]
kind = "gate"
rated_w = 3000
topic = "barn/permit"
orders = {{ withhold = "0", surplus = "1" }}

[tank]
volume_l = 180
cold_c = 10
hot_c = 60
loss_w = 75
ambient_c = 19

[tariffs.import]
direction = "import"
[[tariffs.import.periods]]
from = 2026-01-01
bands = [{{ name = "night", from = "02:00", to = "05:00", price = {night} }}, {{ name = "day", price = {day} }}]

[tariffs.export]
direction = "export"
[[tariffs.export.periods]]
from = 2026-01-01
bands = [{{ name = "all", price = {export} }}]

[[displaces]]
source = "night electricity"
share = 1
tariff = "import"
when = "next night"
{books}
"""
BATTERY = '[signals.battery_w]\ntopic = "barn/battery"\n\n[signals.battery_level_pct]\ntopic = "barn/charge"\n'


@dataclass(frozen=True)
class House:
    """What is invented of it. Prices per kWh."""

    kwp: float = 4.0
    battery_wh: float = 6000.0
    charge_w: float = 2500.0
    round_trip: float = 0.9
    ahead: bool = True
    load_w: float = 420.0
    drawn_wh: float = 4200.0
    night: float = 0.1137
    day: float = 0.2763
    export: float = 0.0583
    seed: int = 5


@dataclass
class Lived:
    """What came of it: the bill, and the readings."""

    bill: float = 0.0
    diverted_wh: float = 0.0
    battery_wh: float = 0.0
    stock_wh: float = 0.0
    rows: list[tuple[str, float, float, float, float, float, float]] = field(default_factory=list)


def _weather(house: House, days: int) -> Iterator[tuple[datetime, float, float, float]]:
    """Time, PV Wh, load Wh and draw Wh of each step; the same whether there is a diverter or not."""
    chance = random.Random(house.seed)
    for day in range(days):
        season = math.sin(math.pi * (day + 60) / 330)
        clear = min(1.0, max(0.12, chance.gauss(0.62, 0.28)))
        hours = 11 + 5.5 * season
        for number in range(24 * STEPS_H):
            at = FIRST + timedelta(days=day, seconds=number * STEP_S)
            hour = number / STEPS_H
            height = math.sin(math.pi * (hour - 12.5 + hours / 2) / hours) if abs(hour - 12.5) < hours / 2 else 0.0
            cloud = clear * chance.uniform(0.55, 1.2)
            pv = 1000 * house.kwp * 0.86 * (0.55 + 0.4 * season) * max(height, 0.0) ** 1.25 * cloud / STEPS_H
            evening = 1.9 if 17 <= hour < 23 else 1.2 if 7 <= hour < 9 else 0.75 if hour < 6 else 0.85
            load = house.load_w * evening * chance.uniform(0.6, 1.4) / STEPS_H
            draw = house.drawn_wh * (0.4 / STEPS_H if 7 <= hour < 8 else 0.6 / (2 * STEPS_H) if 19 <= hour < 21 else 0)
            yield at, pv, load, draw


def live(house: House, *, diverter: bool, days: int = DAYS) -> Lived:
    """So many days in the house."""
    full_wh = 180 * 1.163 * 50
    loss_per_wh = 75 / 45 / (180 * 1.163) / STEPS_H
    ambient_wh = 180 * 1.163 * 9
    most, one_way = house.charge_w / STEPS_H, math.sqrt(house.round_trip)
    lived = Lived(battery_wh=house.battery_wh * 0.3, stock_wh=full_wh * 0.6)
    counter = topup_counter = 0.0
    bought_day = bought_night = sold = 0.0
    for at, pv, load, draw in _weather(house, days):
        lived.stock_wh -= (lived.stock_wh - ambient_wh) * loss_per_wh + min(draw, lived.stock_wh)
        topup = 0.0
        if at.hour in NIGHT_HOURS and lived.stock_wh < 0.62 * full_wh:
            topup = min(2800 / STEPS_H, 0.62 * full_wh - lived.stock_wh)
        room = max(0.0, 0.97 * full_wh - lived.stock_wh - topup)
        surplus = pv - load - topup
        heater = charge = 0.0
        can_charge = min(most, (house.battery_wh - lived.battery_wh) / one_way)
        if surplus > 0:
            first = min(surplus, 3000 / STEPS_H, room) if diverter and house.ahead else 0.0
            charge = min(surplus - first, can_charge)
            left = surplus - first - charge
            heater = first if house.ahead else min(left, 3000 / STEPS_H, room) if diverter else 0.0
            grid = -(surplus - heater - charge)
        else:
            charge = -min(-surplus, most, lived.battery_wh * one_way) if at.hour not in NIGHT_HOURS else 0.0
            grid = -surplus + charge
        lived.battery_wh += charge * one_way if charge > 0 else charge / one_way
        lived.stock_wh += heater + topup
        counter, topup_counter = counter + heater, topup_counter + topup
        lived.diverted_wh += heater
        if grid > 0 and at.hour in NIGHT_HOURS:
            bought_night += grid
        elif grid > 0:
            bought_day += grid
        else:
            sold -= grid
        lived.rows.append(
            (
                at.isoformat().replace("+00:00", "Z"),
                round(grid * STEPS_H, 1),
                round(charge * STEPS_H, 1),
                round(100 * lived.battery_wh / house.battery_wh, 1),
                round(100 * lived.stock_wh / full_wh, 2),
                # A counter shows at the step's start what went before it; the powers are those of the step.
                round(counter - heater),
                round(topup_counter - topup),
            )
        )
    lived.bill = (bought_day * house.day + bought_night * house.night - sold * house.export) / 1000
    return lived


class Saved(NamedTuple):
    """The home's files, and by how much its bill is lower with the diverter."""

    home: Path
    readings: Path
    money: float


def write(folder: Path, house: House, *, battery: bool = True, books: str = "", days: int = DAYS) -> Saved:
    """A home file, the readings with the diverter, and what the diverter saved: the difference of the two bills, with
    what was left in tank and battery credited at the night's price. books: the table [books]."""
    having, lacking = (live(house, diverter=diverter, days=days) for diverter in (True, False))
    saved = lacking.bill - having.bill
    stock_wh = having.stock_wh - lacking.stock_wh + having.battery_wh - lacking.battery_wh
    home, readings = folder / "home.toml", folder / "readings.csv"
    prices = {"night": house.night, "day": house.day, "export": house.export}
    home.write_text(HOME.format(battery=BATTERY if battery else "", books=books, **prices))
    with readings.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(
            ("time", "grid_w", "battery_w", "battery_level_pct", "tank_level_pct", "diverted_wh", "topup_wh")
        )
        writer.writerows(having.rows)
    return Saved(home, readings, saved + stock_wh * house.night / 1000)
