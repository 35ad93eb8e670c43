"""The tables of the verdict: what they take, what they refuse, and what holds where nothing is given."""

from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest

from daemon.config.load import ConfigError, parse
from daemon.config.model import Home
from tests.support.homes import EXAMPLE, SMALL

TABLES = """
[[hardware]]
name = "diverter"
bought = 2025-04-14
cost = 420.50
life_years = 10
replaced = [{ after_years = 5, cost = 40 }]

[[hardware]]
name = "cable"
cost = 90

[verdict]
history = "past.csv"
installed = 2025-04-20
discount = 0.02
growth = { gas = -0.01 }
exclude = [{ from = 2025-06-01, to = 2025-06-15, why = "guests" }]
boiler_efficiency = 0.84
"""


def loaded(text: str) -> Home:
    return parse(f"{SMALL}\n{text}".encode(), Path("home.toml"))


def test_what_is_given_is_kept() -> None:
    home = loaded(TABLES)
    diverter, cable = home.hardware
    assert (diverter.cost, diverter.bought, diverter.fitting) == (Decimal("420.50"), date(2025, 4, 14), 0)
    assert diverter.replaced[0].after_years == 5
    assert (cable.life_years, cable.embodied_kg, cable.standby_w) == (15, None, None)
    assert home.verdict.growth.gas == Decimal("-0.01")
    assert (home.verdict.exclude[0].from_, home.verdict.exclude[0].why) == (date(2025, 6, 1), "guests")


def test_nothing_is_needed() -> None:
    home = loaded("")
    assert home.hardware == ()
    assert (home.verdict.meter, home.verdict.discount, home.verdict.history) == ("water", Decimal("0.035"), None)


def test_the_example_has_them() -> None:
    assert parse(EXAMPLE.read_bytes(), EXAMPLE).hardware[0].name == "diverter"


@pytest.mark.parametrize(
    ("was", "becomes", "says"),
    [
        ("cost = 90", "cost = -90", "hardware[cable].cost: expected 0–1000000, got -90"),
        ("cost = 90", "price = 90", "hardware[cable].price: expected a known key"),
        ("cost = 90", "", "hardware[cable].cost: expected"),
        ("life_years = 10", "life_years = 0", "hardware[diverter].life_years: expected 1–100"),
        ("after_years = 5", "after_years = 12", "expected less than life_years 10, got 12"),
        ("to = 2025-06-15", "to = 2025-05-15", "expected a day after 2025-06-01, got 2025-05-15"),
        ("discount = 0.02", "discount = 3.5", "verdict.discount: expected 0–1, got 3.5"),
        ("gas = -0.01", "oil = 0.01", "verdict.growth.oil: expected a known key"),
        ('history = "past.csv"', 'meter = "flat"', "verdict.meter: expected"),
        ("installed = 2025-04-20", 'installed = "20/4/2025"', "verdict.installed: expected a date"),
    ],
)
def test_a_refusal_names_the_key(was: str, becomes: str, says: str) -> None:
    assert was in TABLES
    with pytest.raises(ConfigError) as refused:
        loaded(TABLES.replace(was, becomes, 1))
    assert says in str(refused.value)
