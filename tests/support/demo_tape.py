"""Recorded minutes of the demo's house, whose tank is known, with a diverter that stops at 95 %."""

from datetime import datetime
from typing import NamedTuple

from accounting.ledger.tape import Row
from daemon.simulation.house.simulated import DEMO, DemoHouse

START_S = datetime(2026, 5, 10, tzinfo=DEMO.timezone).timestamp()


class Recorded(NamedTuple):
    """rows: minutes as a tape has them; drawn_kwh: heat at the taps a day, by the house's own account."""

    rows: list[Row]
    drawn_kwh: float


def record(seed: int, days: int) -> Recorded:
    """Days of the house from a May midnight on."""
    house, full = DemoHouse(seed, START_S), False
    middle, low = DEMO.sensors
    rows: list[Row] = []
    for _ in range(days * 1440):
        house.advance(60.0)
        level_pct, temps_c, flows, totals = house.level_pct, house.tank.temps_c, house.flows, house.totals
        full = level_pct >= (88.0 if full else 95.0)
        house.obey(b"no" if full else b"yes")
        values = {
            "grid_w": float(round(flows.grid_w)),
            "pv_w": float(round(flows.pv_w)),
            "battery_w": float(round(flows.battery_w)),
            "tank_level_pct": round(level_pct, 1),
            "tank_top_c": round(temps_c[-1], 2),
            "tank_mid_c": round(temps_c[middle], 2),
            "tank_bottom_c": round(temps_c[low], 2),
            "diverted_w": float(round(flows.diverted_w)),
            "diverted_wh": float(int(totals.diverted_wh)),
            "topup_wh": float(int(totals.topup_wh)),
        }
        rows.append((round(house.now_s), values))
    return Recorded(rows, house.totals.drawn_wh / 1000 / days)
