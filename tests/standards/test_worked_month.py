"""A month of an invented house's tank, worked by hand at weighted average cost (IAS 2): worked_month.csv beside this.

The month opens with 6 kWh that cost 0.48. Each line is a day, to be followed with a pencil:

    night heat costs 0.10 a kWh, the sun's 0.055 (the export income it gives up)
    average_cost = (the day before's stock_cost + night_kwh × 0.10 + sun_kwh × 0.055)
                   / (the day before's stock_kwh + night_kwh + sun_kwh)
    stock_kwh    = the day before's + night_kwh + sun_kwh − drawn_kwh − lost_kwh
    stock_cost   = stock_kwh × average_cost

Day 1: (0.48 + 3 × 0.055) / (6 + 3) = 0.645 / 9 = 0.071667; 9 − 5 − 1 = 3 kWh; 3 × 0.071667 = 0.215.
"""

import csv
from decimal import Decimal
from pathlib import Path

import pytest

from accounting.heat.inventory import total
from accounting.model.entry import Posting, TankEntry
from accounting.reports.heat_stock import average_cost, walk
from tests.support.prices import TANK, utc

DAYS = list(csv.DictReader(Path(__file__).with_name("worked_month.csv").read_text("ascii").splitlines()))
FIRST_S = utc("2026-06-01T12:00Z")
DAY_S = 86_400
ROUNDING_MICRO = 31
"""Half a millionth for each account of each day."""


def wh(text: str) -> int:
    return int(Decimal(text) * 1000)


def entries() -> list[TankEntry]:
    """The day before the first a night's 6 kWh for 0.48; then the table's days, an interval each."""
    made = [TankEntry(FIRST_S - DAY_S, 1800, 1800, 6000, postings=_lines(night=6000, night_micro=480_000, tank=6000))]
    stock_wh = 6000
    for place, day in enumerate(DAYS):
        night, sun, drawn, lost = (wh(day[f"{name}_kwh"]) for name in ("night", "sun", "drawn", "lost"))
        change = night + sun - drawn - lost
        stock_wh += change
        lines = _lines(night, night * 100, sun, sun * 55, change, drawn, lost)
        made.append(TankEntry(FIRST_S + place * DAY_S, 1800, 1800, stock_wh, postings=lines))
    return made


def _lines(
    night: int = 0, night_micro: int = 0, sun: int = 0, sun_micro: int = 0, tank: int = 0, drawn: int = 0, lost: int = 0
) -> tuple[Posting, ...]:
    return (
        Posting("grid:night", -night, -night_micro),
        Posting("sun", -sun, -sun_micro),
        Posting("tank", tank),
        Posting("drawn", drawn),
        Posting("lost", lost),
    )


def test_each_day_closes_with_the_stock_and_cost_of_the_table() -> None:
    cuts = [FIRST_S - 3600 + place * DAY_S for place in range(len(DAYS) + 1)]
    rows = walk(entries(), cuts, TANK)
    assert len(rows) == len(DAYS) == 30
    for day, row in zip(DAYS, rows, strict=True):
        closing = total(row.closing.values())
        assert closing.wh == wh(day["stock_kwh"])
        assert closing.micro == pytest.approx(float(day["stock_cost"]) * 1e6, abs=ROUNDING_MICRO)
        cost = average_cost(row.closing)
        if cost is not None:
            assert float(cost) == pytest.approx(float(day["average_cost"]), abs=2e-5)
            assert cost * closing.wh * 1000 == closing.micro, "the average is the whole cost over the stock"
        assert total(row.drawn.values()).wh == wh(day["drawn_kwh"])
        assert total(row.lost.values()).wh == wh(day["lost_kwh"])


def test_the_month_adds_up_and_what_was_drawn_bears_its_cost() -> None:
    (month,) = walk(entries(), [FIRST_S - 3600, FIRST_S + 30 * DAY_S], TANK)
    night, sun = (sum(wh(day[f"{name}_kwh"]) for day in DAYS) for name in ("night", "sun"))
    assert {source: lot.wh for source, lot in month.received.items()} == {"grid:night": night, "sun": sun}
    assert (night, sun) == (76_000, 97_000)
    opening, received, drawn, lost, closing = (
        total(lots.values()) for lots in (month.opening, month.received, month.drawn, month.lost, month.closing)
    )
    assert (opening.wh, opening.micro) == (6000, 480_000)
    assert opening + received - drawn - lost == closing
    assert (closing.wh, closing.micro) == (2000, pytest.approx(153_399, abs=ROUNDING_MICRO))
    gone = month.drawn["sun"].wh + month.lost["sun"].wh
    assert month.used is not None
    assert float(month.used) == pytest.approx(month.drawn["sun"].wh / gone)
