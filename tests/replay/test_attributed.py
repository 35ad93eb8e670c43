"""A replay whose home file asks who gave the energy."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from daemon.cli.main import commands
from tests.support.homes import SMALL

MONEY = """
[tariffs.buy]
direction = "import"
[[tariffs.buy.periods]]
from = 2026-01-01
bands = [{ name = "all", price = 0.30 }]

[tariffs.sell]
direction = "export"
[[tariffs.sell.periods]]
from = 2026-01-01
bands = [{ name = "all", price = 0.05 }]

[[displaces]]
source = "night electricity"
share = 1
price = 0.10

[books]
"""


TAXED = "battery = { price = 0.15, tax_included = false, tax_pct = 20 }\n"


def replayed(tmp_path: Path, books: str) -> dict[str, float]:
    """The rules look at surplus_w here, so that grid_w is heard for the books' sake alone."""
    home = tmp_path / "home.toml"
    signals = '[signals.battery_w]\ntopic = "hut/battery"\n[signals.surplus_w]\ntopic = "hut/surplus"\n'
    home.write_text(SMALL + signals + MONEY + books)
    rows = ["time,grid_w,battery_w,tank_level_pct,diverted_wh"]
    for minute in range(60):
        # 1,200 W throughout; half of it is imported for the first half hour, and the battery gives 300 W for the rest.
        grid_w, battery_w = (600, 0) if minute < 30 else (-400, -300)
        rows.append(f"2026-06-01T12:{minute:02}:00Z,{grid_w},{battery_w},50,{1000 + 20 * minute}")
    rows.append("2026-06-01T13:00:00Z,-400,0,50,2200")
    (tmp_path / "readings.csv").write_text("\n".join(rows) + "\n")
    result = CliRunner().invoke(commands, ["replay", str(home), str(tmp_path / "readings.csv"), "--json"])
    assert result.exit_code == 0, result.output
    total: dict[str, float] = json.loads(result.stdout)["value"]["total"]
    return total


@pytest.mark.parametrize("books", ["attribute = false\n", "attribute = false\nused = 1\n"])
def test_the_plain_figures_stand_where_they_are_asked_for(tmp_path: Path, books: str) -> None:
    total = replayed(tmp_path, books)
    assert (total["diverted_kwh"], total["given_up"], total["avoided"], total["net"]) == (1.2, 0.06, 0.12, 0.06)
    assert "bought" not in total


@pytest.mark.parametrize(("more", "battery_price"), [("", 0.30), ("battery_price = 0.20\n", 0.20), (TAXED, 0.18)])
def test_wherever_the_signals_allow_grid_and_battery_are_priced_as_such(
    tmp_path: Path, more: str, battery_price: float
) -> None:
    total = replayed(tmp_path, more)
    assert total == replayed(tmp_path, "attribute = true\n" + more)
    assert (total["diverted_kwh"], total["grid_kwh"], total["battery_kwh"]) == (1.2, 0.3, 0.15)
    assert total["given_up"] == 0.0375
    assert total["bought"] == round(0.3 * 0.30 + 0.15 * battery_price, 6)
    assert total["net"] == round(0.12 - 0.0375 - total["bought"], 6)


def test_used_of_one_alone_keeps_the_plain_figures_of_a_home_without_a_battery(tmp_path: Path) -> None:
    """And says how much of it may have been the grid's, where a heater was ordered to heat."""
    home = tmp_path / "home.toml"
    text = SMALL.replace("[signals.tank", '[signals.surplus_w]\ntopic = "hut/surplus"\n\n[signals.tank') + MONEY
    rows = ["time,grid_w,tank_level_pct,diverted_wh"]
    rows += [f"2026-06-01T12:{minute:02}:00Z,600,50,{1000 + 20 * minute}" for minute in range(60)]
    rows.append("2026-06-01T13:00:00Z,0,50,2200")
    (tmp_path / "readings.csv").write_text("\n".join(rows) + "\n")
    grid = {}
    for books in ("", "used = 1\n", "used = 0.9\n"):
        home.write_text(text + books)
        result = CliRunner().invoke(commands, ["replay", str(home), str(tmp_path / "readings.csv"), "--json"])
        total = json.loads(result.stdout)["value"]["total"]
        grid[books] = total.get("grid_kwh"), total["given_up"]
    assert grid == {"": (0.6, 0.03), "used = 1\n": (None, 0.06), "used = 0.9\n": (0.6, 0.03)}
