"""The demo's home file fits the demo's house: topics, orders, sizes, and prices at which the worth rule matters."""

from datetime import datetime
from pathlib import Path

import pytest

import daemon.demo
from daemon.config.load import load
from daemon.config.model import Home
from daemon.inputs.decode import Decoded, Source, decode
from daemon.simulation.house.simulated import DEMO, ORDER_TOPIC, DemoHouse
from rules.tank.standing_loss import label_loss_w, ua_w_per_k


@pytest.fixture(scope="module")
def home() -> Home:
    return load(Path(daemon.demo.__file__).with_name("home.toml"))


def test_every_signal_is_heard_with_its_value_and_time(home: Home) -> None:
    house = DemoHouse(2, datetime(2026, 6, 10, 12, 50, tzinfo=DEMO.timezone).timestamp())
    house.battery.stored_wh = DEMO.battery.capacity_wh
    house.tank.temps_c = (30.0,) * 8 + (50.25,) * 12
    house.obey(b"yes")
    for _ in range(60):
        house.obey(b"yes")
        house.advance(10)
    f, t = house.flows, house.totals
    assert f.diverted_w > 0
    t.topup_wh = 1234.5
    expected = {
        "grid_w": round(f.grid_w),
        "import_wh": int(t.import_wh),
        "export_wh": int(t.export_wh),
        "pv_w": round(f.pv_w),
        "battery_w": round(f.battery_w),
        "battery_level_pct": pytest.approx(house.battery.level_pct, abs=0.05),
        "tank_level_pct": pytest.approx(house.level_pct, abs=0.05),
        "tank_top_c": pytest.approx(house.tank.temps_c[-1], abs=0.005),
        "tank_mid_c": pytest.approx(house.tank.temps_c[10], abs=0.005),
        "tank_bottom_c": pytest.approx(house.tank.temps_c[3], abs=0.005),
        "diverted_w": round(f.diverted_w),
        "diverted_wh": int(t.diverted_wh),
        "topup_wh": 1234,
    }
    readings = house.readings()
    heard = {}
    for name, signal in home.signals.items():
        source = Source(name, signal.topic, signal.pointer, signal.scale, signal.offset, signal.time_pointer)
        said = decode(readings[signal.topic], source)
        assert isinstance(said, Decoded), (name, said)
        assert said.at_s == house.now_s
        heard[name] = said.value
    assert heard == expected
    assert {signal.topic for signal in home.signals.values()} == set(readings), "nothing is said for nobody"


def test_its_orders_are_the_diverters_and_its_sizes_the_houses(home: Home) -> None:
    heater = home.heaters["main"]
    assert heater.kind == "gate"
    assert (heater.topic, heater.rated_w, heater.refresh_s) == (
        ORDER_TOPIC,
        DEMO.lower.rated_w,
        DEMO.diverter.lapses_after_s / 3,
    )
    house = DemoHouse(2, 0.0)
    assert house.obey(heater.orders.surplus.encode())
    assert house.diverter.permitted(0.0)
    assert house.obey(heater.orders.withhold.encode())
    assert not house.diverter.permitted(0.0)

    tank = home.tank
    assert tank is not None
    its = DEMO.tank
    assert (tank.volume_l, tank.cold_c, tank.hot_c, tank.ambient_c) == (
        its.volume_l,
        its.cold_c,
        its.hot_c,
        its.ambient_c,
    )
    assert tank.label_class is not None
    assert ua_w_per_k(label_loss_w(tank.label_class, tank.volume_l)) == its.ua_w_per_k
    assert (DEMO.gauge.cold_c, DEMO.gauge.hot_c) == (its.cold_c, its.hot_c)
    assert home.home.timezone == str(DEMO.timezone)
    night = home.tariffs["import"].periods[0].bands[0]
    assert (night.from_, night.to) == (f"{DEMO.timer.from_hour:02}:00", f"{DEMO.timer.to_hour:02}:00")
    assert home.rules.full.stop_at_pct < 100
    assert home.rules.full.stop_at_pct / 100 * (its.hot_c - its.cold_c) + its.cold_c < DEMO.lower.thermostat_c


def test_heat_is_worth_more_than_export_by_day_and_less_in_the_evening(home: Home) -> None:
    evening, rest = home.tariffs["export"].periods[0].bands
    prices = {"import": home.tariffs["import"].periods[0].bands[0], "gas": home.tariffs["gas"].periods[0].bands[0]}
    heat = sum(s.share * prices[s.tariff or ""].price / s.efficiency for s in home.displaces)
    assert sum(s.share for s in home.displaces) == 1
    assert rest.price < heat < evening.price
    assert home.rules.worth.enabled
