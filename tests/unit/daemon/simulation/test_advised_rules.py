"""A rule is advised only if the home's own tape shows what it would have done; and the verdict reckoned apart."""

from dataclasses import replace
from pathlib import Path

import pytest

from accounting.ledger import Batch, Ledger, LedgerWriter
from accounting.ledger.tape import Row, pack
from accounting.model.entry import Entry, Posting
from daemon.assembly.endpoints import facts
from daemon.config.load import load
from daemon.config.model import Home
from daemon.documents.verdict_reckoning import reckon
from daemon.simulation.advised_rules import advised_rules, reckon_apart
from rules.model.errors import BrimfulError
from tests.support.homes import SMALL
from tests.support.ledgers import START_S, entry
from tests.support.verdict_files import HARDWARE, history_file, home_file, ledger_file

PRICES = """
[tariffs.out]
direction = "export"
periods = [{ from = 2020-01-01, bands = [{ name = "all", price = 0.30 }] }]
[[displaces]]
source = "gas boiler"
share = 1
price = 0.08
[ledger]
path = "hut.sqlite"
"""


DIVERTED = replace(entry(24, 700), given_up_micro=210_000, avoided_micro=56_000, export_price_micro=300_000)
PARTS = (Posting("sun", -600, -180_000), Posting("grid", -100, -30_000), Posting("tank", 700, 210_000))
BOUGHT = replace(DIVERTED, grid_wh=100, given_up_micro=180_000, bought_micro=30_000, postings=PARTS)


def made(folder: Path, *, tape: bool = True, prices: str = PRICES, more: str = "", each: Entry = DIVERTED) -> Home:
    """Twelve hours of diverting at a dear export price, from noon."""
    file = folder / "home.toml"
    file.write_text(SMALL + prices + more)
    home = load(file)
    entries = tuple(replace(each, start_s=START_S + (24 + place) * each.interval_s) for place in range(12))
    rows: list[Row] = [
        (START_S + 12 * 3600 + 60 * n, {"grid_w": -2500.0, "tank_level_pct": 40.0, "diverted_wh": 1000.0 + 20 * n})
        for n in range(360)
    ]
    with LedgerWriter.open(home.path_of(home.ledger.path), facts(home)) as ledger:
        ledger.commit(Batch(entries[-1].end_s, entries, tape=pack(rows) if tape else None))
    return home


def asked(home: Home) -> tuple[list[dict[str, object]], list[str]]:
    with Ledger.open_reader(home.path_of(home.ledger.path)) as ledger:
        return advised_rules(home, ledger)


def test_what_the_tape_shows_is_advised_with_what_the_ledger_lost(tmp_path: Path) -> None:
    (advice,), notes = asked(made(tmp_path))
    assert notes == []
    assert "[rules.worth] enabled = true" in str(advice["say"])
    assert advice["per_year"] == 12 * (210_000 - 56_000) / 1e6
    assert advice["at_most"], "the replay shows that it withholds, not how much of the year"


CARBON = """
[carbon.grid]
kg_per_kwh = 0.2
basis = "average"
source = "x"
year = 2026
[carbon.gas]
kg_per_kwh = 0.18
basis = "average"
source = "x"
year = 2026
"""


def test_its_carbon_is_given_where_carbon_is_counted(tmp_path: Path) -> None:
    for name, prices, more in (
        ("without", PRICES, ""),
        ("with", PRICES.replace("share = 1\n", 'share = 1\ncarbon = "gas"\n'), CARBON),
    ):
        (tmp_path / name).mkdir()
        (advice,), _ = asked(made(tmp_path / name, prices=prices, more=more))
        lost_kg = 12 * (DIVERTED.given_up_mg - DIVERTED.avoided_mg) / 1e6
        assert advice["kg_per_year"] == (pytest.approx(lost_kg) if more else None)


def test_what_the_grid_gave_is_no_loss_that_the_rule_would_stop(tmp_path: Path) -> None:
    (advice,), _ = asked(made(tmp_path, each=BOUGHT))
    assert advice["per_year"] == pytest.approx(12 * (180_000 - 48_000) / 1e6)


def test_without_a_tape_it_is_not_advised_and_that_is_said(tmp_path: Path) -> None:
    advice, (note,) = asked(made(tmp_path, tape=False))
    assert advice == []
    assert "could not be replayed" in note


def test_what_the_replay_does_not_show_is_not_advised(tmp_path: Path) -> None:
    cheap_now = PRICES.replace("0.30", "0.03")
    advice, (note,) = asked(made(tmp_path, prices=cheap_now))
    assert advice == []
    assert "would not have stopped it" in note


def test_a_rule_that_is_on_is_not_advised(tmp_path: Path) -> None:
    assert asked(made(tmp_path, more="[rules.worth]\nenabled = true\n")) == ([], [])


def test_apart_or_here_it_is_the_same(tmp_path: Path) -> None:
    _, drawn = history_file(tmp_path)
    file = home_file(tmp_path, f'{HARDWARE}history = "past.csv"\ninstalled = {drawn.installed}\n')
    ledger_file(tmp_path, 90)
    document = reckon_apart(file)
    assert document == reckon(load(file), None, None, None)
    assert set(document["why_not"]) == {"fair_comparison"}


def test_what_prevents_it_is_said(tmp_path: Path) -> None:
    (tmp_path / "past.csv").write_text("from,to,gas_kwh\n2025-01-01,2025-02-01,-4\n")
    file = home_file(tmp_path, f'{HARDWARE}history = "past.csv"\n')
    with pytest.raises(BrimfulError, match=r"past\.csv line 2, column gas_kwh"):
        reckon_apart(file)
    with pytest.raises(BrimfulError, match="expected a home file"):
        reckon_apart(tmp_path / "none.toml")
