"""A heater ahead of the house battery: the books' net against what the bill really saved, with default settings.

The house is simulated both ways (tests/support/battery_house.py); the truth is the difference of its two bills. What
must agree is the sign and the order: within TOLERANCE of what was avoided and given up together.
"""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from daemon.cli.main import commands
from tests.support.battery_house import DAYS, House, Saved, write

TOLERANCE = 0.05
HOUSE = House()
SMALL_ROOF = replace(HOUSE, kwp=2.5)


def booked(saved: Saved) -> dict[str, Any]:
    """What `replay` says of the recorded summer."""
    result = CliRunner().invoke(commands, ["replay", str(saved.home), str(saved.readings), "--json"])
    assert result.exit_code == 0, result.output
    value: dict[str, Any] = json.loads(result.stdout)["value"]
    return value


def near(saved: Saved, value: dict[str, Any]) -> bool:
    total = value["total"]
    return bool(abs(total["net"] - saved.money) <= TOLERANCE * (total["avoided"] + total["given_up"]))


def test_a_spring_in_which_the_battery_went_short(tmp_path: Path) -> None:
    saved = write(tmp_path, SMALL_ROOF, days=40)
    value = booked(saved)
    assert saved.money < 0
    assert value["total"]["net"] < 0
    assert near(saved, value), (saved.money, value["total"])
    assert value["total"]["battery_forgone"] > value["total"]["avoided"]
    assert any("would have charged the house battery" in note for note in value["notes"])


def test_the_plain_figures_of_that_spring_flatter(tmp_path: Path) -> None:
    """They are kept for those who ask for them, and say what they leave out."""
    saved = write(tmp_path, SMALL_ROOF, days=40, books="[books]\nattribute = false\n")
    value = booked(saved)
    assert value["total"]["net"] > 0 > saved.money
    assert "battery_forgone" not in value["total"]
    assert any("would have taken counts as export given up" in note for note in value["notes"])


def test_without_its_signals_the_statement_says_that_the_battery_cannot_be_known(tmp_path: Path) -> None:
    saved = write(tmp_path, SMALL_ROOF, days=3)
    text = saved.home.read_text()
    saved.home.write_text(text.replace('[signals.battery_level_pct]\ntopic = "barn/charge"\n', ""))
    value = booked(saved)
    assert value["total"]["battery_unheard_kwh"] > 0
    (note,) = [note for note in value["notes"] if "battery_level_pct is not heard" in note]
    assert "cannot be known" in note


def test_a_battery_that_comes_first_forgoes_nothing(tmp_path: Path) -> None:
    saved = write(tmp_path, replace(HOUSE, ahead=False), days=40)
    total = booked(saved)["total"]
    assert total.get("battery_forgone_kwh", 0) < 0.02 * total["diverted_kwh"]


@pytest.mark.long
@pytest.mark.parametrize(
    "house",
    [
        HOUSE,
        SMALL_ROOF,
        replace(HOUSE, ahead=False),
        replace(HOUSE, kwp=3.0, battery_wh=12_000.0),
        replace(HOUSE, kwp=5.0, battery_wh=12_000.0, export=0.15),
        replace(HOUSE, kwp=6.0, battery_wh=3_000.0, charge_w=1_000.0),
        replace(HOUSE, seed=11, round_trip=0.8),
    ],
)
def test_a_summer_both_ways(tmp_path: Path, house: House) -> None:
    saved = write(tmp_path, house, days=DAYS)
    value = booked(saved)
    print(f"{house}: bill {saved.money:+.2f}, books {value['total']['net']:+.2f}")
    assert near(saved, value), (saved.money, value["total"])
