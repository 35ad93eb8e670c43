"""Tariffs as people write them: what they mean to the books, and what is refused."""

from fractions import Fraction
from pathlib import Path

import pytest

from accounting.pricing.tariffs import Priced, Tariff
from accounting.valuation.valuer import Valuer
from daemon.config.build import books_settings, rule_settings
from daemon.config.cautions import cautions
from tests.support.homes import SMALL, home, told
from tests.support.prices import utc

HOLIDAYS = "BEGIN:VCALENDAR\nBEGIN:VEVENT\nDTSTART;VALUE=DATE:20260406\nEND:VEVENT\nEND:VCALENDAR\n"
WEEKDAYS = 'days = ["mon", "tue", "wed", "thu", "fri"]'
WITH_CALENDAR = SMALL.replace('currency = "EUR"', 'currency = "EUR"\ncalendar_file = "days.ics"')


def tariff(*lines: str, direction: str = "import") -> str:
    head = f'[tariffs.buy]\ndirection = "{direction}"\n'
    return head + "".join(f"{line}\n" for line in lines)


def period(*lines: str, direction: str = "import") -> str:
    return tariff("[[tariffs.buy.periods]]", "from = 2026-01-01", *lines, direction=direction)


def imports(text: str, folder: Path = Path(".")) -> Priced:
    priced = books_settings(home(text, folder / "home.toml")).imports
    assert priced is not None
    return priced


def test_a_band_has_months_and_days_and_holidays_come_from_a_calendar(tmp_path: Path) -> None:
    (tmp_path / "days.ics").write_text(HOLIDAYS)
    peak = '{ name = "peak", from = "16:00", to = "19:00", months = [4, 5], price = 0.3, ' + WEEKDAYS + " }"
    made = imports(WITH_CALENDAR + period(f'bands = [{peak}, {{ name = "other", price = 0.1 }}]'), tmp_path)
    assert made.price_at(utc("2026-04-07T17:00+01:00")) == Fraction("0.3")
    assert made.price_at(utc("2026-04-06T17:00+01:00")) == Fraction("0.1"), "Easter Monday"
    assert made.price_at(utc("2026-06-02T17:00+01:00")) == Fraction("0.1"), "June"


@pytest.mark.parametrize(
    ("lines", "price", "standing"),
    [
        (["tax_included = false", "tax_pct = 13.5"], "0.2270", "0.5675"),
        (["tax_included = true", "tax_pct = 13.5"], "0.2", "0.5"),
        (["tax_pct = 13.5"], "0.2", "0.5"),
        ([], "0.2", "0.5"),
    ],
)
def test_tax_is_added_exactly_where_prices_are_without_it(lines: list[str], price: str, standing: str) -> None:
    body = ["[[tariffs.buy.periods]]", "from = 2026-01-01", 'bands = [{ name = "all", price = 0.2 }]']
    made = imports(SMALL + tariff(*lines, *body, "standing_per_day = 0.5"))
    assert isinstance(made, Tariff)
    assert made.price_at(utc("2026-05-01T00:00Z")) == Fraction(price)
    assert made.periods[0].standing_per_day == Fraction(standing)


def test_a_period_has_its_own_tax_where_it_says_so() -> None:
    body = [
        "tax_included = false", "tax_pct = 10",
        "[[tariffs.buy.periods]]", "from = 2026-01-01", "to = 2026-04-01", 'bands = [{ name = "all", price = 0.2 }]',
        "[[tariffs.buy.periods]]", "from = 2026-04-01", "to = 2026-07-01", 'bands = [{ name = "all", price = 0.2 }]',
        "tax_pct = 5",
        "[[tariffs.buy.periods]]", "from = 2026-07-01", 'bands = [{ name = "all", price = 0.2 }]',
        "tax_included = true", 'supplier = "Birch Light"',
    ]  # fmt: skip
    made = imports(SMALL + tariff(*body))
    assert [made.price_at(utc(f"2026-{day}T12:00Z")) for day in ("02-01", "05-01", "08-01")] == [
        Fraction("0.22"),
        Fraction("0.21"),
        Fraction("0.2"),
    ]
    assert isinstance(made, Tariff)
    assert [each.supplier for each in made.periods] == ["", "", "Birch Light"]


def test_a_series_is_taxed_too(tmp_path: Path) -> None:
    (tmp_path / "p.csv").write_text("time,price\n2026-01-01T00:00Z,-0.10\n2026-01-01T00:30Z,0.30\n")
    made = imports(SMALL + tariff('series = "p.csv"', "tax_included = false", "tax_pct = 20"), tmp_path)
    assert made.mean_price(utc("2026-01-01T00:00Z"), utc("2026-01-01T01:00Z")) == Fraction("0.12")


def test_blocks_price_by_the_one_the_month_is_assumed_to_end_in() -> None:
    blocks = "blocks = [{ up_to_kwh = 300, price = 0.2 }, { price = 0.35 }]"
    for assumed, price in ((300, "0.2"), (301, "0.35")):
        text = SMALL + period(blocks, f"assume_kwh_per_month = {assumed}")
        assert imports(text).price_at(utc("2026-05-01T00:00Z")) == Fraction(price)
        assert any(f"the block in which a month of {assumed} kWh ends" in said for said in cautions(home(text)))


def test_deemed_export_gives_up_nothing_and_says_so() -> None:
    text = SMALL + period('bands = [{ name = "all", price = 0.1 }]', "deemed_share = 0.5", direction="export")
    made = books_settings(home(text)).export
    assert made is not None
    assert made.price_at(utc("2026-05-01T00:00Z")) == 0
    assert any("50 % of the generation deemed exported" in said for said in cautions(home(text)))


def test_negative_prices_are_prices() -> None:
    bands = '{ name = "glut", from = "11:00", to = "15:00", price = -0.05 }, { name = "other", price = 0.3 }'
    text = SMALL + period(f"bands = [{bands}]")
    assert imports(text).price_at(utc("2026-05-01T12:00+01:00")) == Fraction("-0.05")
    assert cautions(home(text)) == cautions(home(SMALL)), "nothing is odd about them"


ALL = 'bands = [{ name = "all", price = 0.1 }]'
HERE = "tariffs.buy.periods[2026-01-01]"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            SMALL + period('bands = [{ name = "feast", days = ["holiday"], price = 1 }, { name = "o", price = 1 }]'),
            f"{HERE}.bands[feast].days: expected home.calendar_file beside it, got none (home.toml); "
            "it is an .ics file of the public holidays",
        ),
        (
            WITH_CALENDAR
            + period(
                f'bands = [{{ name = "week", {WEEKDAYS}, price = 1 }}, '
                '{ name = "end", days = ["sat", "sun"], price = 1 }]'
            ),
            f"{HERE}.bands: expected bands that cover every day, got none on holiday 00:00 (home.toml); "
            'on a public holiday only bands whose days hold "holiday", or bands without days, count',
        ),
        (
            SMALL + period('bands = [{ name = "winter", months = [11, 12, 1, 2], price = 1 }]'),
            f"{HERE}.bands: expected bands that cover every day, got none on mon 00:00 in Mar (home.toml); "
            "a band without times is the rest of the day",
        ),
        (
            SMALL
            + period(
                'bands = [{ name = "a", from = "22:00", to = "06:00", months = [1], price = 1 }, '
                '{ name = "b", from = "05:00", to = "07:00", months = [2], price = 1 }, { name = "o", price = 1 }]'
            ),
            f"{HERE}.bands[b]: expected bands that do not overlap, got both a and b on mon 05:00 in Feb (home.toml)",
        ),
        (
            WITH_CALENDAR
            + period(
                'bands = [{ name = "a", from = "22:00", to = "06:00", days = ["holiday"], price = 1 }, '
                '{ name = "b", from = "05:00", to = "07:00", days = ["tue"], price = 1 }, { name = "o", price = 1 }]'
            ),
            f"{HERE}.bands[b]: expected bands that do not overlap, got both a and b on tue 05:00 (home.toml)",
        ),
        (
            SMALL + period('bands = [{ name = "a", months = [13], price = 1 }]'),
            f"{HERE}.bands[a].months[#1]: expected 1–12, got 13 (home.toml)",
        ),
        (
            SMALL + tariff("tax_included = false", "[[tariffs.buy.periods]]", "from = 2026-01-01", ALL),
            f"{HERE}.tax_pct: expected the tax that is still to be added, %, got nothing (home.toml)",
        ),
        (
            SMALL + tariff("tax_included = false", 'series = "p.csv"'),
            "tariffs.buy.tax_pct: expected the tax that is still to be added, %, got nothing (home.toml)",
        ),
        (
            SMALL + period(ALL, "deemed_share = 0.5"),
            f"{HERE}.deemed_share: expected a tariff of direction export beside it, got direction import (home.toml)",
        ),
        (SMALL + period(), f"{HERE}: expected either bands or blocks, got neither (home.toml)"),
        (
            SMALL + period(ALL, "blocks = [{ price = 1 }]"),
            f"{HERE}: expected either bands or blocks, got both (home.toml)",
        ),
        (
            SMALL + period(ALL, "assume_kwh_per_month = 9"),
            f"{HERE}.assume_kwh_per_month: expected blocks beside it, got none (home.toml)",
        ),
        (
            SMALL + period("blocks = [{ up_to_kwh = 9, price = 1 }, { price = 2 }]"),
            f"{HERE}.assume_kwh_per_month: expected what a month takes in all, kWh, got nothing (home.toml); "
            "the block that a month ends in prices a kWh that need not be bought",
        ),
        (
            SMALL + period("assume_kwh_per_month = 9", "blocks = [{ up_to_kwh = 9, price = 1 }]"),
            f"{HERE}.blocks: expected a last block without up_to_kwh, got one up to 9 kWh (home.toml); "
            "what a month takes beyond it needs a price",
        ),
        (
            SMALL
            + period(
                "assume_kwh_per_month = 9",
                "blocks = [{ up_to_kwh = 9, price = 1 }, { up_to_kwh = 8, price = 1 }, { price = 1 }]",
            ),
            f"{HERE}.blocks[#2].up_to_kwh: expected more than 9 kWh, got 8 (home.toml)",
        ),
        (
            SMALL + period("assume_kwh_per_month = 9", "blocks = [{ price = 1 }]", direction="export"),
            f"{HERE}.blocks: expected bands, in a tariff of direction export, got blocks (home.toml)",
        ),
    ],
)
def test_what_does_not_fit_is_said(text: str, said: str) -> None:
    assert told(text)[0] == said


def test_absences_come_from_a_calendar_too(tmp_path: Path) -> None:
    (tmp_path / "away.ics").write_text(HOLIDAYS.replace("DTSTART;", "DURATION:P2D\nDTSTART;"))
    text = SMALL + '[rules.away]\nperiods = [{ from = 2026-04-08, to = 2026-04-09 }]\ncalendar_file = "away.ics"\n'
    made = rule_settings(home(text, tmp_path / "home.toml"))
    assert made.away.periods == ((utc("2026-04-06T00:00+01:00"), utc("2026-04-09T00:00+01:00")),)


BOILER = """
[carbon.grid]
kg_per_kwh = 0.2
basis = "average"
source = "invented"
year = 2026
marginal = { kg_per_kwh = 0.35, source = "invented too", year = 2025 }

[carbon.gas]
kg_per_kwh = 0.18
basis = "both"
source = "invented"
year = 2026

[[displaces]]
source = "gas boiler"
share = 1
price = 0.08
efficiency = 0.8
carbon = "gas"
only = { months = [1, 2, 3, 10, 11, 12] }

[[displaces]]
source = "nothing"
share = 0.25
only = { months = [4, 5, 6, 7, 8, 9] }

[[displaces]]
source = "immersion by day"
share = 0.75
price = 0.32
carbon = "grid"
only = { months = [4, 5, 6, 7, 8, 9] }
"""


def test_what_is_displaced_changes_with_the_season_and_both_bases_stand_side_by_side() -> None:
    rates = Valuer(books_settings(home(SMALL + BOILER))).rates
    winter, summer = (utc(f"2026-{day}T12:00Z") for day in ("02-01", "07-01"))
    told = rates((winter, winter + 1800), (winter, winter + 1800))
    assert (told.heat_price, told.export_kg, told.heat_kg) == (Fraction("0.1"), Fraction("0.2"), Fraction("0.225"))
    assert (told.export_marginal_kg, told.heat_marginal_kg) == (Fraction("0.35"), Fraction("0.225"))
    told = rates((summer, summer + 1800), (summer, summer + 1800))
    assert (told.heat_price, told.heat_kg, told.heat_marginal_kg) == (
        Fraction("0.24"),
        Fraction("0.15"),
        Fraction("0.2625"),
    )


def test_an_interval_over_the_change_of_season_counts_each_part_by_its_time() -> None:
    made = Valuer(books_settings(home(SMALL + BOILER)))
    change = utc("2026-04-01T00:00+01:00")
    told = made.rates((change - 600, change + 1200), (change - 600, change + 1200))
    assert told.heat_price == (Fraction("0.1") + 2 * Fraction("0.24")) / 3


def test_without_a_marginal_factor_of_every_source_none_is_counted_and_it_is_said() -> None:
    text = SMALL + BOILER.replace('basis = "both"', 'basis = "average"')
    made = Valuer(books_settings(home(text)))
    winter = utc("2026-02-01T12:00Z")
    assert made.rates((winter, winter + 1800), (winter, winter + 1800)).heat_marginal_kg is None
    assert any("carbon.gas has no marginal factor" in said for said in cautions(home(text)))
    assert not any("marginal" in said for said in cautions(home(SMALL + BOILER)))


@pytest.mark.parametrize(
    ("was", "becomes", "said"),
    [
        (
            "share = 0.75",
            "share = 0.5",
            "displaces: expected shares that add up to 1, got a sum of 0.75 on mon 00:00 in Apr (home.toml)",
        ),
        (
            "only = { months = [1, 2, 3, 10, 11, 12] }",
            'only = { from = "06:00", to = "22:00" }',
            "displaces: expected shares that add up to 1, got a sum of 0 on mon 00:00 in Jan (home.toml)",
        ),
        (
            "only = { months = [1, 2, 3, 10, 11, 12] }",
            'only = { from = "06:00" }',
            "displaces[gas boiler].only.to: expected both from and to, or neither, got one of them (home.toml)",
        ),
        (
            "only = { months = [1, 2, 3, 10, 11, 12] }",
            'only = { days = ["holiday"] }',
            "displaces[gas boiler].only.days: expected home.calendar_file beside it, got none (home.toml); "
            "it is an .ics file of the public holidays",
        ),
        (
            "share = 0.25",
            "share = 0.25\nprice = 0.1",
            'displaces[nothing].price: expected no price beside source = "nothing", got one (home.toml); '
            "heat that nothing else would have made avoids nothing",
        ),
        (
            'carbon = "gas"',
            'carbon = "gas"\ngives_up_standing = true',
            "displaces[gas boiler].gives_up_standing: expected a tariff beside it, whose standing charge would end, "
            "got none (home.toml)",
        ),
        (
            'source = "gas boiler"',
            'source = "hut, 2 boilers"',
            'displaces[hut, 2 boilers].source: expected a name without a comma, a space and a number in it, got "hut, '
            '2 boilers" (home.toml); the ledger would read two sources in it; write the number as a word, or leave out '
            "the comma",
        ),
        (
            "marginal = { kg_per_kwh = 0.35, ",
            "marginal = { ",
            "carbon.grid.marginal: expected one of kg_per_kwh, series, got none of them (home.toml)",
        ),
        (
            'basis = "both"',
            'basis = "both"\nmarginal = { kg_per_kwh = 0.35, source = "x", year = 2025 }',
            'carbon.gas.marginal: expected basis = "average" beside it, got basis both (home.toml)',
        ),
    ],
)
def test_what_does_not_fit_in_what_is_displaced_is_said(was: str, becomes: str, said: str) -> None:
    assert was in BOILER
    assert told(SMALL + BOILER.replace(was, becomes)) == [said]


HEARD = (
    SMALL
    + '[signals.export_price]\ntopic = "hut/sell"\n[signals.grid_kg_per_kwh]\ntopic = "hut/grid"\nstale_after_s = 900\n'
)
SELL = '[tariffs.sell]\ndirection = "export"\nsignal = "export_price"\n'
GRID = '[carbon.grid]\nsignal = "grid_kg_per_kwh"\nbasis = "average"\nsource = "invented"\nyear = 2026\n'


def test_prices_and_carbon_may_be_heard() -> None:
    made = books_settings(home(HEARD + SELL + "tax_included = false\ntax_pct = 10\n" + GRID))
    assert [series.signal for series in made.heard] == ["export_price", "grid_kg_per_kwh"]
    export, grid = made.heard
    export.note(0, 0.2)
    grid.note(0, 0.3)
    assert made.export is export
    assert export.price_at(3599) == Fraction("0.22"), "a price counts for an hour unless the home says otherwise"
    assert export.price_at(3600) is None
    assert made.grid is not None
    assert (made.grid.at(0, 900), made.grid.at(0, 901)) == (Fraction("0.3"), None)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            SMALL + SELL,
            "tariffs.sell.signal: expected a signal of the table [signals.export_price], got no such table (home.toml)",
        ),
        (
            HEARD + SELL.replace('"export"', '"fuel"'),
            "tariffs.sell.direction: expected export, whose price export_price is, got fuel (home.toml)",
        ),
        (
            HEARD + SELL + 'series = "sell.csv"\n',
            "tariffs.sell: expected one of periods, series, signal, live, got series and signal (home.toml)",
        ),
        (
            HEARD.replace("[signals.grid_kg_per_kwh]", "[signals.pv_w]") + GRID,
            "carbon.grid.signal: expected a signal of the table [signals.grid_kg_per_kwh], got no such table "
            "(home.toml)",
        ),
    ],
)
def test_what_does_not_fit_in_what_is_heard_is_said(text: str, said: str) -> None:
    assert told(text) == [said]


def test_a_price_heard_that_prices_nothing_asks_for_caution() -> None:
    assert any("signals.export_price is heard, but not used" in said for said in cautions(home(HEARD)))
    assert not any("priced by it" in said for said in cautions(home(HEARD + SELL + GRID)))


def test_a_fuel_given_up_for_good_is_marked(tmp_path: Path) -> None:
    gas = '[tariffs.gas]\ndirection = "fuel"\nperiods = [{ from = 2026-01-01, standing_per_day = 0.3, '
    gas += 'bands = [{ name = "all", price = 0.1 }] }]\n'
    source = '[[displaces]]\nsource = "gas"\nshare = 1\ntariff = "gas"\n'
    made = books_settings(home(f"{SMALL}{gas}{source}gives_up_standing = true\n")).displaces[0]
    assert made.gives_up_standing
    assert not books_settings(home(SMALL + gas + source)).displaces[0].gives_up_standing


def test_tax_is_added_exactly_to_prices_that_stand_alone() -> None:
    """To that of a displaced source, of the boiler and of the house battery, as to a tariff's."""
    text = SMALL + (
        '[signals.battery_w]\ntopic = "hut/battery"\n[signals.boiler_wh]\ntopic = "hut/boiler"\n'
        '[[displaces]]\nsource = "oil"\nshare = 1\nprice = 0.1\ntax_included = false\ntax_pct = 7.7\n'
        '[tank]\nvolume_l = 200\nboiler = { counts = "fuel", efficiency = 0.9, price = 0.2, tax_included = false, '
        "tax_pct = 20 }\n[books.battery]\nprice = 0.3\ntax_included = false\ntax_pct = 5\n"
    )
    made = books_settings(home(text))
    assert made.displaces[0].price == Fraction("0.1077")
    assert made.battery_price == Fraction("0.315")
    assert made.tank is not None
    assert made.tank.boiler is not None
    assert made.tank.boiler.price == Fraction("0.24")
