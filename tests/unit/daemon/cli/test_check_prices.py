"""What `check` says of prices."""

from pathlib import Path

import pytest

from daemon.cli.check_prices import price_lines
from tests.support.homes import EXAMPLE, SMALL, home
from tests.support.prices import utc

NOW = utc("2026-06-10T12:00+01:00")
SELL = '[tariffs.sell]\ndirection = "export"\nseries = "sell.csv"\n'


def lines(text: str, path: Path = Path("home.toml"), now: int = NOW) -> list[tuple[bool, str]]:
    return list(price_lines(home(text, path), now))


def test_a_tariff_says_its_price_band_supplier_and_next_change() -> None:
    assert lines(EXAMPLE.read_text()) == [
        (True, "buy: 0.2763 GBP per kWh now (day, Sandpiper Supply); from 00:15 tomorrow 0.1137 GBP per kWh"),
        (True, "sell: 0.0583 GBP per kWh now (all); from 00:00 on Thu 1 Oct 0.0917 GBP per kWh"),
        (True, "gas: 0.0718 GBP per kWh now (all)"),
    ]
    told = lines(EXAMPLE.read_text(), now=utc("2026-03-01T12:00Z"))
    assert told[0] == (False, "buy: no price is known now: what is diverted counts as unpriced")


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("2026-06-10T10:00Z,0.05\n2026-06-10T11:00Z,-0.02", "−0.0200 EUR per kWh now; known until 13:00"),
        ("2026-01-01T00:00Z,0.05", "0.0500 EUR per kWh now"),
        (
            "2026-06-09T10:00Z,0.05\n2026-06-09T11:00Z,\n2026-06-09T13:00Z,0.05\n2026-06-10T13:00Z,0.05",
            "0.0500 EUR per kWh now; known until 14:00 tomorrow; a gap in the last 30 days, 2 h in all",
        ),
        (
            "2026-06-09T10:00Z,0.05\n2026-06-09T11:00Z,0.05",
            "no price is known now: what is diverted counts as unpriced; a gap in the last 30 days, 23 h in all",
        ),
    ],
)
def test_a_series_says_how_far_it_reaches_and_what_it_lacks(tmp_path: Path, rows: str, said: str) -> None:
    (tmp_path / "sell.csv").write_text(f"time,price\n{rows}\n")
    (told,) = lines(SMALL + SELL, tmp_path / "home.toml")
    assert told == ("no price" not in said, f"sell: {said}")


def test_what_is_heard_and_what_was_never_told_are_said(tmp_path: Path) -> None:
    text = SMALL + '[signals.export_price]\ntopic = "hut/price"\n[tariffs.sell]\ndirection = "export"\n'
    assert lines(text + 'signal = "export_price"\n') == [(True, "sell: as it is heard, by export_price")]
    live = 'live = { kind = "mqtt", topic = "a", time = "/t", value = "/v", minutes = 30 }\n'
    assert lines(text + live, tmp_path / "home.toml") == [
        (False, "sell: no price is known now: what is diverted counts as unpriced")
    ]


def test_carbon_that_changes_is_told_too(tmp_path: Path) -> None:
    (tmp_path / "grid.csv").write_text("time,kg\n2026-01-01T00:00Z,0.2\n")
    carbon = '[carbon.grid]\nseries = "grid.csv"\nbasis = "average"\nsource = "invented"\nyear = 2026\n'
    assert lines(SMALL + carbon, tmp_path / "home.toml") == [(True, "carbon of grid: 0.2000 kg per kWh now")]
