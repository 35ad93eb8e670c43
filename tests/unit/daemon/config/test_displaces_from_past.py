"""Shares by the home's own past, in the home file."""

import pytest

from accounting.valuation.historical_shares import by_past
from daemon.config.build import books_settings
from tests.support.homes import SMALL, home, told

SIGNALS = """
[signals.topup_wh]
topic = "hut/topup"
[signals.boiler_wh]
topic = "hut/boiler"
"""
TANK = """
[tank]
volume_l = 200
boiler = { counts = "heat", efficiency = 0.9, price = 0.08 }
"""
BUY = """
[tariffs.buy]
direction = "import"
[[tariffs.buy.periods]]
from = 2026-01-01
bands = [{ name = "night", from = "01:00", to = "06:00", price = 0.10 }, { name = "day", price = 0.30 }]
"""
SOURCES = """
[[displaces]]
source = "electricity"
share = 0.5
price = 0.20
recorded = "grid"
[[displaces]]
source = "gas boiler"
share = 0.5
price = 0.10
recorded = "boiler"
"""
PAST = '[books]\nattribute = false\ndisplaces_from = "past"\n'
WHOLE = SMALL + SIGNALS + TANK + BUY + SOURCES + PAST


def test_the_books_go_by_the_past_where_the_file_says_so() -> None:
    made = books_settings(home(WHOLE))
    assert made.past_timezone == "Europe/Lisbon"
    assert [source.recorded for source in made.displaces] == ["grid", "boiler"]
    assert all(source.shares is not None for source in by_past(made, {}).displaces)
    stated = books_settings(home(WHOLE.replace('displaces_from = "past"', 'displaces_from = "stated"')))
    assert stated.past_timezone is None
    assert by_past(stated, {}) is stated


@pytest.mark.parametrize(
    ("was", "becomes", "says"),
    [
        (TANK, "", "books.displaces_from: expected a [tank] table and a signal of its level"),
        (TANK, "", "displaces[gas boiler].recorded: expected a [tank.boiler] table and a signal boiler_wh"),
        ('[signals.boiler_wh]\ntopic = "hut/boiler"\n', "", "displaces[gas boiler].recorded: expected a [tank.boiler]"),
        (
            '[signals.topup_wh]\ntopic = "hut/topup"\n',
            "",
            "displaces[electricity].recorded: expected a signal topup_wh, or books.attribute",
        ),
        (
            'recorded = "boiler"\n',
            "",
            "books.displaces_from: expected at least two displaced sources with `recorded`, got one",
        ),
        (
            '"grid"',
            '"grid:nihgt"',
            'displaces[electricity].recorded: expected a band of the import tariff, got "grid:nihgt"',
        ),
        ('"boiler"', '"grid:night"', 'expected what displaces[electricity] does not stand for, got "grid:night"'),
        ('"boiler"', '"grid"', 'expected what displaces[electricity] does not stand for, got "grid"'),
        ('"boiler"', '"sun"', 'displaces[gas boiler].recorded: expected "boiler", "grid", or "grid:NAME"'),
        (
            'recorded = "boiler"',
            "only = { months = [1] }",
            "displaces[gas boiler].only: expected no times of its own",
        ),
        (
            'source = "gas boiler"\nshare = 0.5\nprice = 0.10\n',
            'source = "nothing"\nshare = 0.5\n',
            'displaces[nothing].recorded: expected no record beside source = "nothing"',
        ),
        (
            'displaces_from = "past"',
            'displaces_from = "history"',
            'books.displaces_from: expected "stated" or "past", got "history"',
        ),
    ],
)
def test_what_the_past_cannot_tell_is_refused(was: str, becomes: str, says: str) -> None:
    assert was in WHOLE
    found = told(WHOLE.replace(was, becomes))
    assert any(says in problem for problem in found), found


def test_a_band_of_the_import_tariff_stands_for_its_own_heat() -> None:
    bands = WHOLE.replace('recorded = "grid"', 'recorded = "grid:night"').replace('"boiler"', '"grid:day"')
    assert told(bands) == []
