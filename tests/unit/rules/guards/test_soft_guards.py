"""Away, battery, yield, worth: the guards about money and comfort."""

import pytest

from rules.model.orders import Order
from rules.model.settings import Away, Battery, Settings, Worth, Yield
from rules.model.snapshot import Prices
from tests.support.rules_case import START_UTC_S, House, ruling, settings

ON = (Order.SURPLUS, "surplus")


def off(guard: str) -> tuple[Order, str]:
    return Order.WITHHOLD, guard


def test_away_from_its_first_second_to_its_last() -> None:
    it = House(settings(away=Away(((START_UTC_S + 10, START_UTC_S + 90), (START_UTC_S + 7200, START_UTC_S + 9000)))))
    assert ruling(it.at(9.9)) == ON
    assert ruling(it.at(10)) == off("away")
    assert ruling(it.at(89.9)) == off("away")
    assert it.why().text == "Heater off: away until 13:01; resumes at 13:01"
    assert ruling(it.at(90)) == ON
    assert ruling(it.at(7200)) == off("away")
    assert ruling(it.at(9000)) == ON


@pytest.fixture
def battery() -> Settings:
    return settings(battery=Battery(minimum_level_pct=90, maximum_discharge_w=100))


@pytest.mark.parametrize(
    ("known", "expected", "sentence"),
    [
        ({"battery_level": 90.0, "battery": -100.0}, ON, ""),
        ({"battery_level": 89.9, "battery": 0.0}, off("battery"), "battery 89.9 %; resumes from 90 %"),
        (
            {"battery_level": 95.0, "battery": -101.0},
            off("battery"),
            "battery is discharging at 101 W; resumes when it discharges at 100 W or less",
        ),
        (
            {"battery": 0.0},
            off("battery"),
            "the battery's charge has not been heard yet; resumes with its next reading",
        ),
        (
            {"battery_level": 95.0},
            off("battery"),
            "the battery's power has not been heard yet; resumes with its next reading",
        ),
        (
            {"battery_level": 95.0, "battery": 0.0, "seen": {"battery_w": 940.0}},
            off("battery"),
            "the battery's power has not been heard lately; resumes with its next reading",
        ),
        (
            {"battery_level": 95.0, "battery": 0.0, "seen": {"battery_level_pct": 400.0}},
            off("battery"),
            "the battery's charge has not been heard lately; resumes with its next reading",
        ),
    ],
)
def test_battery(battery: Settings, known: dict[str, object], expected: tuple[Order, str], sentence: str) -> None:
    it = House(battery)
    assert ruling(it.at(1000, **known)) == expected
    if sentence:
        assert it.why().text == f"Heater off: {sentence}"


def test_a_battery_without_limits_is_not_asked() -> None:
    assert ruling(House().at(0, battery=-5000.0, battery_level=1.0)) == ON


def test_yield_while_the_other_load_draws_and_for_a_time_after() -> None:
    it = House(settings(yields=Yield("car_w", 500, 120)))
    assert ruling(it.at(0, car=500.0)) == ON
    assert ruling(it.at(10, car=501.0, car_above_s=10.0)) == off("yield")
    assert it.why().text == (
        "Heater off: car charger's draw 501 W, above 500 W: it goes first; resumes once it is at most 500 W for 2 min"
    )
    assert ruling(it.at(129.9, car=0.0, car_above_s=10.0)) == off("yield")
    assert it.why().change == "resumes in 1 s"
    assert ruling(it.at(130, car=0.0, car_above_s=10.0)) == ON


def test_a_silent_or_unheard_load_does_not_block_for_ever() -> None:
    it = House(settings(yields=Yield("car_w", 500, 0)))
    assert ruling(it.at(0)) == ON
    assert ruling(it.at(10, car=3000.0, car_above_s=10.0)) == off("yield")
    assert ruling(it.at(69.9, car=3000.0, car_above_s=10.0, seen={"car_w": 10.0})) == off("yield")
    assert ruling(it.at(70, car=3000.0, car_above_s=10.0, seen={"car_w": 10.0})) == ON
    finding = next(f for f in it.why().findings if f.guard == "yield")
    assert finding.sentence == "car charger's draw not heard lately, assumed to draw nothing"


def prices(export: float | None, heat: float | None, **more: float) -> dict[str, object]:
    return {"prices": Prices(export_price=export, heat_value=heat, **more)}


def test_worth_diverts_at_the_same_price_and_not_above() -> None:
    it = House(settings(worth=Worth(enabled=True)))
    assert ruling(it.at(0, **prices(0.11, 0.11))) == ON
    assert ruling(it.at(1, **prices(0.185, 0.11))) == off("worth")
    assert it.why().text == (
        "Heater off: selling brings 0.1850 EUR per kWh, heat is worth 0.1100 EUR per kWh;"
        " resumes when selling brings at most 0.1100 EUR per kWh"
    )


def test_worth_asks_for_its_margin() -> None:
    it = House(settings(worth=Worth(enabled=True, margin=0.02)))
    assert ruling(it.at(0, **prices(0.08, 0.11))) == ON
    assert ruling(it.at(1, **prices(0.1, 0.11))) == off("worth")


def test_worth_counts_carbon_on_both_sides() -> None:
    rules = settings(worth=Worth(enabled=True, carbon_price_per_t=200.0))
    # 0.10 + 0.1 kg × 0.2 = 0.12 against 0.09 + 0.25 kg × 0.2 = 0.14
    assert ruling(House(rules).at(0, **prices(0.10, 0.09, export_kg=0.1, heat_kg=0.25))) == ON
    assert ruling(House(rules).at(0, **prices(0.10, 0.09, export_kg=0.25, heat_kg=0.1))) == off("worth")
    it = House(rules)
    assert ruling(it.at(0, **prices(0.10, 0.09, heat_kg=0.25))) == off("worth")
    assert "carbon left out" in it.why().text


@pytest.mark.parametrize(
    ("export", "heat", "unknown"), [(None, 0.1, "the export price"), (0.5, None, "the heat's value")]
)
def test_worth_allows_what_it_cannot_weigh_and_says_so(export: float, heat: float, unknown: str) -> None:
    it = House(settings(worth=Worth(enabled=True)))
    assert ruling(it.at(0, **prices(export, heat))) == ON
    finding = next(f for f in it.why().findings if f.guard == "worth")
    assert finding.sentence == f"{unknown} is not known, so heat is not compared with export"


def test_worth_is_asked_only_where_it_is_enabled() -> None:
    assert ruling(House().at(0, **prices(0.5, 0.1))) == ON
