"""Plug-ins by entry point: the two examples as they are published, and what a bad one can do: nothing."""

import sys
from datetime import UTC, date, datetime
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from accounting.pricing.series import read_rows
from daemon.assembly.prepared_home import feeds
from daemon.inputs.plug_ins import FORECAST_SOURCES, PRICE_SOURCES, forecast_days, load, price_payload
from daemon.inputs.price_feeds import Feeds
from daemon.neighbours.readers.forecast import Forecast
from daemon.neighbours.readers.polling import ReadFailed
from tests.support.homes import SMALL, home
from tests.support.plug_ins import example, installed

DAY = date(2026, 6, 10)
OPTIONS = 'night = 0.11, day = "0.29", timezone = "Europe/Dublin"'
PLUGGED = f"""
[tariffs.buy]
direction = "import"
live = {{ kind = "plugin", source = "SOURCE", minutes = 60, options = {{ {OPTIONS} }} }}
"""


def made(tmp_path: Path, source: str, more: str = "") -> Feeds:
    ledger = f'\n[ledger]\npath = "{tmp_path / "books.sqlite"}"\n'
    return Feeds(feeds(home(SMALL + PLUGGED.replace("SOURCE", source).replace("minutes", f"{more}minutes") + ledger)))


def asked(found: Feeds) -> str:
    found.look(0.0, DAY)
    found.work()
    return " ".join(found.faults)


def test_the_example_of_a_price_source_gives_a_tariff_its_rows(tmp_path: Path) -> None:
    with example(tmp_path, "price_source"):
        found = made(tmp_path, "night_and_day")
        assert asked(found) == ""
    rows = dict(read_rows(tmp_path / "books.tariffs.buy.csv"))
    noon, night = (int(datetime(2026, 6, 10, hour, tzinfo=UTC).timestamp()) for hour in (11, 23))
    assert (rows[noon], rows[night]) == (Fraction("0.29"), Fraction("0.11"))


def test_a_key_is_told_from_its_file_and_the_home_files_options_are_exact(tmp_path: Path) -> None:
    text = "def rows(day, options):\n    seen.append(options)\n    return []\nseen = []\n"
    secret = tmp_path / "key"
    secret.write_text("k3y\n")
    secret.chmod(0o600)
    with installed(tmp_path, {PRICE_SOURCES: {"mine": "mine:rows"}}, {"mine": text}):
        fault = asked(made(tmp_path, "mine", f'secret_file = "{secret}", '))
        assert sys.modules["mine"].seen == [
            {"night": Decimal("0.11"), "day": "0.29", "timezone": "Europe/Dublin", "secret": "k3y"}
        ]
    assert fault == "prices of tariffs.buy: expected 1 to 50000 rows, got 0"


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("raise RuntimeError('k3y')", "reading it failed: RuntimeError"),
        ("raise ValueError('the supplier says no')", "the supplier says no"),
        ("return [(day, 1)]", "expected rows of an aware datetime and a price, got (datetime.date(2026, 6, 10), 1)"),
        ("return [(datetime(2026, 6, 10), 1)]", "expected rows of an aware datetime and a price"),
        ("return [(datetime(2026, 6, 10, tzinfo=UTC), float('nan'))]", "row 1: expected a number"),
        ("return [(datetime(2026, 6, 10, tzinfo=UTC), '1e5')]", "row 1: expected at most 10000 per kWh"),
        ("return 7", "reading it failed: TypeError"),
        ("raise SystemExit(3)", "it tried to end the program"),
        ("raise OSError('no\\nanswer ' + 'x' * 1000)", "no answer xxx"),
    ],
)
def test_what_is_wrong_with_a_plug_in_is_its_own_fault_and_the_rows_before_stay(
    tmp_path: Path, body: str, said: str, caplog: pytest.LogCaptureFixture
) -> None:
    text = f"from datetime import UTC, datetime\ndef rows(day, options):\n    {body}\n"
    with installed(tmp_path, {PRICE_SOURCES: {"mine": "mine:rows"}}, {"mine": text}):
        found = made(tmp_path, "mine")
        kept = tmp_path / "books.tariffs.buy.csv"
        kept.write_text("time,price\n2026-06-09T00:00:00Z,0.2\n")
        before = kept.read_text()
        assert said in asked(found)
        assert kept.read_text() == before
    assert "k3y" not in caplog.text, "a trace would hold what the error says, an address with its key perhaps"


def test_a_key_that_stands_in_an_address_is_in_no_fault(tmp_path: Path) -> None:
    """HTTP libraries put the whole address into the text of their errors, which are OSErrors."""
    text = (
        "from urllib.parse import quote\n"
        "def rows(day, options):\n"
        "    raise ConnectionError(f\"no answer: /prices?key={quote(options['secret'])} and {options['secret']}\")\n"
    )
    secret = tmp_path / "key"
    secret.write_text("k3y+ü/7\n")
    secret.chmod(0o600)
    points = {PRICE_SOURCES: {"mine": "mine:rows"}, FORECAST_SOURCES: {"mine": "mine:rows"}}
    with installed(tmp_path, points, {"mine": text}):
        fault = asked(made(tmp_path, "mine", f'secret_file = "{secret}", '))
        with pytest.raises(ReadFailed) as failed:
            Forecast("mine", lambda: DAY, lambda: {"secret": "k3y+ü/7"}).read()
    said = "no answer: /prices?key=<key> and <key>"
    assert fault == f"prices of tariffs.buy: {said}"
    assert str(failed.value) == f"forecast mine: {said}"


def test_one_that_is_not_there_or_cannot_be_imported_is_named(tmp_path: Path) -> None:
    points = {PRICE_SOURCES: {"other": "other:rows", "broken": "broken:rows"}}
    with installed(tmp_path, points, {"other": "", "broken": "import nothing_of_that_name"}):
        assert "got: broken, other" in asked(made(tmp_path, "mine"))
        assert "reading it failed: ModuleNotFoundError" in asked(made(tmp_path, "broken"))
    with pytest.raises(ValueError, match="got: none"):
        load(PRICE_SOURCES, "mine")


def test_a_source_without_end_is_cut_off(tmp_path: Path) -> None:
    text = "from datetime import *\ndef rows(day, options):\n    while True:\n        yield datetime.now(UTC), 1\n"
    with installed(tmp_path, {PRICE_SOURCES: {"mine": "mine:rows"}}, {"mine": text}):
        assert price_payload("mine", DAY, {}).count(b"time") == 50_000


def test_the_example_of_a_forecast_source_is_read_like_a_device(tmp_path: Path) -> None:
    options: dict[str, Any] = {"latitude_deg": Decimal("53.3"), "area_m2": 18}
    with example(tmp_path, "forecast_source"):
        told = Forecast("clear_sky", lambda: DAY, lambda: options).read()
        winter = forecast_days("clear_sky", date(2026, 12, 21), options)
        sunlight = sys.modules["clear_sky"].extraterrestrial_mj_per_m2
        # FAO Irrigation and Drainage Paper 56, example 8, from memory: 20° S on 3 September (day 246): 32.2 MJ/m².
        assert sunlight(-20.0, 246) == pytest.approx(32.2, abs=0.05)
        assert sunlight(80.0, 355) == 0.0
    assert told.keys() == {"today", "tomorrow"}
    assert 15_000 < told["today"] < 25_000
    assert max(winter.values()) < told["today"] / 4


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("return [(day, -1)]", "expected rows of a date and 0 to 1e"),
        ("return [(day, float('nan'))]", "expected rows of a date"),
        ("raise RuntimeError('k3y')", "forecast mine: reading it failed: RuntimeError"),
    ],
)
def test_a_bad_forecast_is_none(tmp_path: Path, body: str, said: str) -> None:
    text = f"def days(day, options):\n    {body}\n"
    points = {FORECAST_SOURCES: {"mine": "mine:days"}}
    with installed(tmp_path, points, {"mine": text}), pytest.raises(ReadFailed) as refused:
        Forecast("mine", lambda: DAY, dict).read()
    assert said in str(refused.value)
    assert "k3y" not in str(refused.value)
