"""How what was avoided is divided by source: by the shares and prices of the day in the middle, or not at all."""

from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from accounting.valuation.historical_shares import month_of
from daemon.config.load import load
from daemon.documents.verdict_prices import Prices
from tests.support.homes import SMALL

SOURCES = """
[tariffs.gas]
direction = "fuel"
periods = [{ from = 2026-01-01, bands = [{ name = "all", price = 0.08 }] }]
[[displaces]]
source = "gas boiler"
share = 0.5
tariff = "gas"
efficiency = 0.8
[[displaces]]
source = "immersion"
share = 0.5
price = 0.30
"""


def made(folder: Path) -> Prices:
    file = folder / "home.toml"
    file.write_text(SMALL + SOURCES)
    return Prices(load(file))


def span(year: int) -> tuple[int, int]:
    start, end = (datetime(year, month, 1, tzinfo=UTC) for month in (6, 7))
    return int(start.timestamp()), int(end.timestamp())


def test_money_is_divided_by_share_and_price(tmp_path: Path) -> None:
    prices = made(tmp_path)
    assert prices.avoided_parts(*span(2026)) == {"gas boiler": pytest.approx(0.25), "immersion": pytest.approx(0.75)}
    assert prices.gas_share(*span(2026)) == pytest.approx(0.25)


def test_where_one_source_has_no_price_nothing_is_divided(tmp_path: Path) -> None:
    prices = made(tmp_path)
    assert prices.avoided_parts(*span(2024)) == {}
    assert prices.gas_share(*span(2024)) == pytest.approx(0.5), "by the heat alone"


def test_a_months_own_shares_go_before_those_stated(tmp_path: Path) -> None:
    prices = made(tmp_path)
    june = month_of(span(2026)[0] + 86_400, ZoneInfo("Europe/Lisbon"))
    months = {june: (Fraction(1), Fraction(0))}
    assert prices.avoided_parts(*span(2026), months)["gas boiler"] == 1
    assert prices.gas_share(*span(2026), months) == 1


def test_all_is_avoided_by_the_only_source_whatever_its_price(tmp_path: Path) -> None:
    file = tmp_path / "home.toml"
    file.write_text((SMALL + SOURCES.rpartition("[[displaces]]")[0]).replace("share = 0.5", "share = 1"))
    prices = Prices(load(file))
    assert prices.avoided_parts(*span(2024)) == {"gas boiler": 1.0}
    assert prices.gas_share(*span(2024)) == 1.0
    two = made(tmp_path)
    june = month_of(span(2024)[0] + 86_400, ZoneInfo("Europe/Lisbon"))
    assert two.avoided_parts(*span(2024), {june: (Fraction(0), Fraction(1))}) == {"gas boiler": 0.0, "immersion": 1.0}
    assert two.avoided_parts(*span(2024), {june: (Fraction(1), Fraction(0))}) == {"gas boiler": 1.0, "immersion": 0.0}
