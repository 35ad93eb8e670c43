"""Battery, protections and diverter, each at its own terminals."""

import pytest

from daemon.simulation.house.equipment import Diverter, HouseBattery, Protections
from daemon.simulation.house.spec import BatterySpec, DiverterSpec, ElementSpec


def test_the_battery_takes_what_is_spare_up_to_its_power_and_its_room() -> None:
    battery = HouseBattery(BatterySpec(stored_wh=2000.0))
    assert battery.take(1000.0, 3600.0) == 1000.0
    assert battery.stored_wh == pytest.approx(2960.0)
    assert battery.take(9000.0, 360.0) == 2400.0
    battery.stored_wh = 4990.0
    assert battery.take(2000.0, 3600.0) == pytest.approx(10.0 / 0.96)
    assert battery.level_pct == pytest.approx(100.0)
    assert battery.take(2000.0, 3600.0) == pytest.approx(0.0)


def test_the_battery_feeds_what_is_missing_down_to_its_reserve() -> None:
    battery = HouseBattery(BatterySpec(stored_wh=2250.0))
    assert battery.take(-960.0, 3600.0) == -960.0
    assert battery.stored_wh == pytest.approx(1250.0)
    assert battery.take(-9000.0, 3600.0) == pytest.approx(-960.0)
    assert battery.stored_wh == pytest.approx(250.0)
    assert battery.take(-9000.0, 3600.0) == pytest.approx(0.0)


def test_the_thermostat_opens_at_its_setting_and_closes_five_kelvin_below() -> None:
    stat = Protections(ElementSpec(2800.0, 0, 65.0))
    assert [stat.let_through(t) for t in (64.9, 65.0, 62.0, 60.0, 59.9, 64.9)] == [
        True,
        False,
        False,
        False,
        True,
        True,
    ]
    assert not stat.tripped


def test_the_cut_out_stays_open_until_a_person_resets_it() -> None:
    stat = Protections(ElementSpec(2800.0, 0, 95.0, cut_out_c=80.0))
    assert stat.let_through(79.9)
    assert not stat.let_through(80.0)
    assert not stat.let_through(20.0)
    stat.reset_cut_out()
    assert stat.let_through(20.0)


def test_the_diverter_takes_what_is_spare_less_a_little_up_to_its_rating() -> None:
    diverter = Diverter(DiverterSpec(lapses_after_s=180.0), 2800.0)
    assert diverter.obey(b"yes", 0.0)
    assert [diverter.power_w(spare, 0.0) for spare in (-500.0, 0.0, 119.0, 120.0, 1500.0, 9000.0)] == [
        0.0,
        0.0,
        0.0,
        100.0,
        1480.0,
        2800.0,
    ]


def test_the_diverter_starts_withheld_obeys_absolute_orders_and_ignores_what_is_none() -> None:
    diverter = Diverter(DiverterSpec(lapses_after_s=180.0), 2800.0)
    assert not diverter.permitted(0.0)
    assert diverter.obey(b"yes", 0.0)
    assert diverter.obey(b"yes", 1.0)
    assert diverter.permitted(1.0)
    assert not diverter.obey(b"YES PLEASE", 2.0)
    assert not diverter.obey(b"", 2.0)
    assert diverter.permitted(2.0)
    assert diverter.obey(b"no", 3.0)
    assert not diverter.permitted(3.0)


def test_a_permit_lapses_when_no_order_comes_and_nonsense_does_not_renew_it() -> None:
    diverter = Diverter(DiverterSpec(lapses_after_s=180.0), 2800.0)
    diverter.obey(b"yes", 0.0)
    diverter.obey(b"what", 100.0)
    assert diverter.permitted(179.9)
    assert not diverter.permitted(180.0)
    assert diverter.power_w(2000.0, 180.0) == 0.0
    diverter.obey(b"yes", 200.0)
    assert diverter.permitted(379.9)
