"""The demo house as a whole: its energy adds up, its days look like days, its readings are what it did."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from daemon.simulation.house.simulated import DEMO, DemoHouse
from daemon.simulation.house.spec import BatterySpec, ElementSpec, RoofSpec, TankSpec, TimerSpec
from rules.tank.cylinder import stored_wh

MIDNIGHT = datetime(2026, 6, 10, tzinfo=DEMO.timezone).timestamp()
DAY_S = 86400


def _live(house: DemoHouse, seconds: int, dt_s: int = 10, each: Callable[[DemoHouse], None] | None = None) -> None:
    for _ in range(seconds // dt_s):
        house.advance(dt_s)
        if each:
            each(house)


class StopAtFull:
    """A ruler for the diverter: permits below 95 %, again below 88 %."""

    def __init__(self) -> None:
        self.full = False
        self.stops_c: list[float] = []

    def __call__(self, house: DemoHouse) -> None:
        if house.level_pct >= 95 and not self.full:
            self.full = True
            self.stops_c.append(max(house.tank.temps_c))
        elif house.level_pct < 88:
            self.full = False
        house.obey(b"no" if self.full else b"yes")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_step_what_comes_in_goes_somewhere(seed: int) -> None:
    house = DemoHouse(seed, MIDNIGHT)
    rule = StopAtFull()
    seen: set[str] = set()

    def check(house: DemoHouse) -> None:
        rule(house)
        f = house.flows
        importing, exporting = max(f.grid_w, 0.0), max(-f.grid_w, 0.0)
        charging, discharging = max(f.battery_w, 0.0), max(-f.battery_w, 0.0)
        sources_w = f.pv_w + importing + discharging
        assert abs(sources_w - (f.load_w + f.diverted_w + f.topup_w + exporting + charging)) < 1e-6
        assert min(f.pv_w, f.load_w, f.diverted_w, f.topup_w) >= 0
        if f.diverted_w:
            seen.add("diverted")
            assert discharging == 0, "the battery must not heat the water"
            assert importing == 0
        if charging and exporting > 1e-6:
            seen.add("more than the battery can take")
            assert charging == pytest.approx(house.spec.battery.most_w) or house.battery.level_pct > 99.9

    _live(house, 4 * DAY_S, each=check)
    assert "diverted" in seen


def test_the_tanks_heat_and_the_meters_energy_add_up_over_days() -> None:
    house = DemoHouse(2, MIDNIGHT)
    tank_wh, battery_wh = stored_wh(house.tank.cylinder, house.tank.temps_c, DEMO.tank.cold_c), house.battery.stored_wh
    net_battery_wh = [0.0]
    rule = StopAtFull()

    def each(house: DemoHouse) -> None:
        rule(house)
        net_battery_wh[0] += house.flows.battery_w * 10 / 3600

    _live(house, 4 * DAY_S, each=each)
    t = house.totals
    gained_wh = stored_wh(house.tank.cylinder, house.tank.temps_c, DEMO.tank.cold_c) - tank_wh
    assert t.topup_wh > 100
    assert t.diverted_wh + t.topup_wh == pytest.approx(gained_wh + t.drawn_wh + t.lost_wh, abs=1e-6)
    assert t.pv_wh + t.import_wh == pytest.approx(
        t.load_wh + t.diverted_wh + t.topup_wh + t.export_wh + net_battery_wh[0], abs=1e-6
    )
    assert house.battery.stored_wh != battery_wh
    assert t.drawn_wh <= t.wanted_wh


def test_two_june_days_of_the_seed_the_demo_shows() -> None:
    house = DemoHouse(2, MIDNIGHT)
    rule = StopAtFull()
    _live(house, DAY_S, each=rule)
    first_wh = house.totals.diverted_wh
    morning: list[float] = []
    _live(house, DAY_S, each=lambda h: (rule(h), morning.append(h.level_pct))[0])

    assert 3000 < first_wh < 8000
    assert 3000 < house.totals.diverted_wh - first_wh < 8000
    assert rule.stops_c, "the first day fills the tank"
    assert all(temp < 60.0 for temp in rule.stops_c), "stopped by its level, well before the thermostat at 65 °C"
    assert morning[6 * 360] - morning[9 * 360] > 15, "morning draws bring the level down"


def test_the_tank_is_full_by_mid_afternoon_of_a_sunny_day() -> None:
    house = DemoHouse(2, MIDNIGHT)
    rule = StopAtFull()
    while not rule.stops_c:
        _live(house, 600, each=rule)
    assert 13 <= datetime.fromtimestamp(house.now_s, DEMO.timezone).hour < 17


def test_without_the_rule_the_thermostat_ends_it_and_the_cut_out_stays_closed() -> None:
    house = DemoHouse(2, MIDNIGHT)
    hottest: list[float] = []
    _live(house, DAY_S, each=lambda h: (h.obey(b"yes"), hottest.append(max(h.tank.temps_c)))[0])
    assert 65.0 <= max(hottest) < 66.0
    assert not house.lower.tripped


def test_with_the_thermostat_stuck_the_cut_out_ends_it_for_good() -> None:
    house = DemoHouse(2, MIDNIGHT)
    house.lower.spec = replace(DEMO.lower, thermostat_c=200.0)
    house.tank.temps_c = (76.0,) * len(house.tank.temps_c)
    permits = lambda h: h.obey(b"yes")  # noqa: E731
    _live(house, 14 * 3600, each=permits)
    assert house.lower.tripped
    assert max(house.tank.temps_c) < 81.0
    diverted_wh = house.totals.diverted_wh
    _live(house, DAY_S, each=permits)
    assert house.totals.diverted_wh == diverted_wh


def test_nothing_is_diverted_without_an_order_and_a_permit_lapses() -> None:
    house = DemoHouse(2, MIDNIGHT)
    _live(house, DAY_S)
    assert house.totals.diverted_wh == 0.0

    house = DemoHouse(2, MIDNIGHT)
    _live(house, 13 * 3600)
    house.obey(b"yes")
    _live(house, 170)
    assert house.flows.diverted_w > 500
    _live(house, 20)
    assert house.flows.diverted_w == 0.0


def test_a_night_top_up_runs_on_the_cheap_hours_alone() -> None:
    house = DemoHouse(3, MIDNIGHT)
    house.tank.temps_c = (12.0,) * len(house.tank.temps_c)
    hours: set[int] = set()
    _live(
        house,
        DAY_S,
        each=lambda h: hours.add(datetime.fromtimestamp(h.now_s - 1, DEMO.timezone).hour) if h.flows.topup_w else None,
    )
    assert hours
    assert hours <= {2, 3, 4}


def test_the_same_seed_and_orders_give_the_same_bytes() -> None:
    first, second = DemoHouse(5, MIDNIGHT), DemoHouse(5, MIDNIGHT)
    for house in (first, second):
        _live(house, 14 * 3600, each=StopAtFull())
    assert first.readings() == second.readings()
    other = DemoHouse(6, MIDNIGHT)
    _live(other, 14 * 3600, each=StopAtFull())
    assert other.readings() != first.readings()


def test_readings_carry_their_time_and_what_the_step_did() -> None:
    house = DemoHouse(2, MIDNIGHT)
    _live(house, 13 * 3600, each=StopAtFull())
    said = {topic: json.loads(payload) for topic, payload in house.readings().items()}

    at = datetime(2026, 6, 10, 12, tzinfo=UTC)
    assert all(datetime.fromisoformat(member["t"]) == at for member in said.values())
    f, t = house.flows, house.totals
    assert f.diverted_w > 0
    assert said["house/meter"] == {
        "w": round(f.grid_w),
        "in_wh": int(t.import_wh),
        "out_wh": int(t.export_wh),
        "t": "2026-06-10T12:00:00Z",
    }
    assert said["house/roof"]["w"] == round(f.pv_w)
    assert said["house/battery"]["w"] == round(f.battery_w)
    assert said["house/battery"]["charge"] == pytest.approx(house.battery.level_pct, abs=0.05)
    assert said["house/tank"]["level"] == pytest.approx(house.level_pct, abs=0.05)
    assert said["house/tank"]["top_c"] == pytest.approx(house.tank.temps_c[-1], abs=0.005)
    assert (said["house/diverter"]["w"], said["house/diverter"]["wh"]) == (round(f.diverted_w), int(t.diverted_wh))
    assert said["house/topup"]["wh"] == int(t.topup_wh)


def test_the_level_sensor_shows_no_more_than_100() -> None:
    house = DemoHouse(2, MIDNIGHT)
    house.tank.temps_c = (64.0,) * len(house.tank.temps_c)
    assert house.level_pct == 100.0


@pytest.mark.parametrize("dt_s", [0.0, -1.0, 60.1, float("nan")])
def test_steps_that_would_blur_the_day_are_refused(dt_s: float) -> None:
    with pytest.raises(ValueError, match="a step above 0"):
        DemoHouse(2, MIDNIGHT).advance(dt_s)


def test_another_house_lives_by_its_own_sizes_and_its_energy_adds_up() -> None:
    """No battery, more roof, a larger tank, a timer at noon, elements half as strong."""
    spec = replace(
        DEMO,
        roof=RoofSpec(kwp=8.0, inverter_most_w=6000.0),
        battery=BatterySpec(capacity_wh=0.0, most_w=0.0, reserve_wh=0.0, stored_wh=0.0),
        tank=TankSpec(volume_l=300.0, layers=20),
        lower=ElementSpec(1400.0, 0, 65.0),
        upper=ElementSpec(1000.0, 12, 60.0),
        timer=TimerSpec(12, 14),
    )
    house, demo = DemoHouse(2, MIDNIGHT, spec), DemoHouse(2, MIDNIGHT)
    before_wh = stored_wh(house.tank.cylinder, house.tank.temps_c, spec.tank.cold_c)
    hours: set[int] = set()
    most_w = [0.0, 0.0]

    def each(living: DemoHouse) -> None:
        living.obey(b"yes")
        if living.flows.topup_w:
            hours.add(datetime.fromtimestamp(living.now_s - 1, spec.timezone).hour)
            most_w[1] = max(most_w[1], living.flows.topup_w)
        most_w[0] = max(most_w[0], living.flows.diverted_w)

    _live(house, 24 * 3600, dt_s=30, each=each)
    _live(demo, 24 * 3600, dt_s=30)
    assert most_w == [1400.0, 1000.0]
    assert hours == {12, 13}
    assert house.totals.pv_wh > 1.5 * demo.totals.pv_wh
    assert house.totals.load_wh == demo.totals.load_wh
    assert house.battery.level_pct == 0.0
    t = house.totals
    gained_wh = stored_wh(house.tank.cylinder, house.tank.temps_c, spec.tank.cold_c) - before_wh
    assert t.diverted_wh + t.topup_wh == pytest.approx(gained_wh + t.drawn_wh + t.lost_wh, abs=1e-3)
    assert t.pv_wh + t.import_wh == pytest.approx(t.load_wh + t.diverted_wh + t.topup_wh + t.export_wh, abs=1e-3)
