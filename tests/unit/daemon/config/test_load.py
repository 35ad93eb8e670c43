"""The home file is read strictly, and all that is wrong with it is said at once."""

import contextlib
import random
from decimal import Decimal
from pathlib import Path

import pytest

from daemon.config.load import LARGEST_BYTES, ConfigError, load, parse
from rules.model.errors import BrimfulError
from tests.support.homes import EXAMPLE, SMALL, TWO_HEATERS, home, told


def problem(path: Path) -> str:
    with pytest.raises(ConfigError) as caught:
        load(path)
    return str(caught.value)


def test_the_example_loads_and_asks_for_no_caution_but_on_coming_home() -> None:
    from daemon.config.cautions import cautions

    example = load(EXAMPLE)
    assert example.home.name == "Tern House"
    assert example.file == EXAMPLE
    assert example.path_of(example.ledger.path) == EXAMPLE.parent / "tern.sqlite"
    (away,) = cautions(example)
    assert away.startswith("While you are away the tank is not heated and cools")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[rules.hygiene]\nhold_minutes = 2000\n", "rules.hygiene.hold_minutes: expected 1–1440 minutes, got 2000"),
        ("[ledger.backup]\nevery_h = 0\n", "ledger.backup.every_h: expected 1–8760 h, got 0"),
        ("[ledger.backup]\nkeep_months = -1\n", "ledger.backup.keep_months: expected 0–1200 months, got -1"),
        ("[rules.worth]\nmargin = 20000\n", "rules.worth.margin: expected -10000 to 10000 money per kWh, got 20000"),
        (
            '[readers.m]\nkind = "telegrams"\nformat = "sml"\ndevice = "/dev/m"\nbaud = 100\n',
            "readers.m.baud: expected 300–921600 baud, got 100",
        ),
        (
            '[plan]\nforecast = { live = { kind = "http", url = "http://a.example/", time = "/t", value = "/v",'
            " minutes = 0, refresh_minutes = 1 } }\n",
            "plan.forecast.live.minutes: expected 1–1440 minutes, got 0",
        ),
        (
            '[plan]\nforecast = { live = { kind = "http", url = "http://a.example/", time = "/t", value = "/v",'
            " minutes = 60, refresh_minutes = 1 } }\n",
            "plan.forecast.live.refresh_minutes: expected 5–10080 minutes, got 1",
        ),
        (
            '[signals.diverted_wh_main]\ntopic = "t"\npulses_per_kwh = 0\n',
            "signals.diverted_wh_main.pulses_per_kwh: expected above 0 up to 1000000 pulses per kWh, got 0",
        ),
        (
            '[[hardware]]\nname = "x"\ncost = 1\nlife_years = 0\n',
            "hardware[x].life_years: expected 1–100 years, got 0",
        ),
    ],
)
def test_a_number_out_of_range_is_answered_with_its_unit(text: str, said: str) -> None:
    assert any(each.startswith(said) for each in told(SMALL + text)), told(SMALL + text)


def test_defaults_are_those_of_the_rules() -> None:
    from daemon.config.build import rule_settings
    from rules.model import settings

    made = rule_settings(home(SMALL))
    assert made.limit == settings.Limit()
    assert made.full == settings.Full()
    assert made.surplus == settings.Surplus()
    assert made.battery == settings.Battery()
    assert made.worth == settings.Worth()
    assert made.rest == settings.Rest(60, 60), "a contactor is spared unless 0 is asked for"
    assert made.tracking == settings.Tracking()
    assert made.yields is None


def test_prices_are_exact_decimals_and_whole_numbers_are_numbers_too() -> None:
    example = load(EXAMPLE)
    assert example.tariffs["buy"].periods[0].bands[0].price == Decimal("0.1137")
    text = SMALL + '[tariffs.sell]\ndirection = "export"\n[[tariffs.sell.periods]]\nfrom = 2026-01-01\n'
    whole = home(text + 'bands = [{ name = "all", price = 1 }]\n')
    assert whole.tariffs["sell"].periods[0].bands[0].price == Decimal(1)
    assert isinstance(whole.tariffs["sell"].periods[0].bands[0].price, Decimal)


def test_signals_stale_by_their_kind_unless_the_file_says() -> None:
    barn = home(TWO_HEATERS)
    assert barn.stale_after_s("surplus_w") == 60
    assert barn.stale_after_s("tank_top_c") == 900
    assert barn.stale_after_s("diverted_w_upper") == 45


def test_order_expiry_is_three_refreshes_unless_the_file_says() -> None:
    barn = home(TWO_HEATERS)
    assert barn.heaters["lower"].order_expiry_s == 60
    assert barn.heaters["upper"].order_expiry_s == 90


@pytest.mark.parametrize(
    ("was", "becomes", "said"),
    [
        (
            "rated_w = 2000",
            "rated_w = 95000",
            "heaters.main.rated_w: expected 100–6000 W, got 95000 (home.toml); kW given where W is meant?",
        ),
        (
            "rated_w = 2000",
            "rated_w = 2.8",
            "heaters.main.rated_w: expected 100–6000 W, got 2.8 (home.toml); kW given where W is meant?",
        ),
        (
            "rated_w = 2000",
            'rated_w = "2000"',
            'heaters.main.rated_w: expected a number 100–6000 W, got "2000" (home.toml); write a number without quotes',
        ),
        ("rated_w = 2000", "", "heaters.main.rated_w: expected a number 100–6000 W, got nothing (home.toml)"),
        (
            "rated_w = 2000",
            "rated_w = true",
            "heaters.main.rated_w: expected a number 100–6000 W, got true (home.toml)",
        ),
        ("rated_w = 2000", "rated_w = nan", "heaters.main.rated_w: expected a number 100–6000 W, got nan (home.toml)"),
        (
            "rated_w = 2000",
            "rated_w = 1e400",
            "heaters.main.rated_w: expected 100–6000 W, got 1e+400 (home.toml); kW given where W is meant?",
        ),
        (
            "rated_w = 2000",
            f"rated_w = 0x{'f' * 2000}",
            "heaters.main.rated_w: expected 100–6000 W, got a number of 2409 digits (home.toml); "
            "kW given where W is meant?",
        ),
        ('kind = "gate"', "", 'heaters.main.kind: expected "gate" or "modulated", got nothing (home.toml)'),
        (
            'kind = "gate"',
            'kind = "relay"',
            'heaters.main.kind: expected "gate" or "modulated", got "relay" (home.toml)',
        ),
        (
            'withhold = "0"',
            "withhold = 0",
            "heaters.main.orders.withhold: expected the payload as text in quotes, got 0 (home.toml); "
            'write it in quotes, as in "1"',
        ),
        (
            'topic = "hut/tank"',
            'topic = "hut/#"',
            'signals.tank_level_pct.topic: expected an MQTT topic without + and #, got "hut/#" (home.toml); '
            "each signal has one topic of its own; a pointer picks a part of the payload",
        ),
        (
            'currency = "EUR"',
            'currency = "euro"',
            "home.currency: expected a currency code of three capital letters (ISO 4217) "
            'such as "EUR", got "euro" (home.toml)',
        ),
        (
            'timezone = "Europe/Lisbon"',
            'timezone = "Europe/Lisboa"',
            'home.timezone: expected an IANA time zone such as Europe/Dublin, got "Europe/Lisboa" (home.toml); '
            "Europe/Lisbon is meant?",
        ),
        (
            'name = "Wren Hut"',
            'name = "Wren Hut"\ninterval_minutes = 20',
            "home.interval_minutes: expected 15, 30 or 60 minutes, got 20 (home.toml)",
        ),
        (
            "[signals.grid_w]",
            "[signals.grid_power]",
            'signals.grid_power: expected a known signal, got "grid_power" (home.toml); grid_w is meant?',
        ),
    ],
)
def test_a_wrong_value_is_named_with_what_is_expected(was: str, becomes: str, said: str) -> None:
    assert said in told(SMALL.replace(was, becomes))


@pytest.mark.parametrize(
    ("added", "said"),
    [
        (
            '[rules.full]\nstop_at_pct = "ninety"',
            'rules.full.stop_at_pct: expected a number 1–100 %, got "ninety" (home.toml)',
        ),
        (
            "[rules.full]\nstop_at_pct = 0.9",
            "rules.full.stop_at_pct: expected 1–100 %, got 0.9 (home.toml); a share given where % is meant?",
        ),
        (
            "[rules.full]\nstop_at = 90",
            'rules.full.stop_at: expected a known key, got "stop_at" (home.toml); stop_at_pct is meant?',
        ),
        (
            "[rules.worth]\nenabled = 1",
            "rules.worth.enabled: expected true or false, got 1 (home.toml)",
        ),
        ("[rules]\nfull = 3", "rules.full: expected a table, got 3 (home.toml)"),
        (
            "[rules.hygeine]\nat_c = 60",
            'rules.hygeine: expected a known key, got "hygeine" (home.toml); hygiene is meant?',
        ),
        (
            "[rules.tracking]\nreversals = 2.5",
            "rules.tracking.reversals: expected a whole number 1–100, got 2.5 (home.toml); without a decimal point",
        ),
        (
            "[rules.away]\nperiods = [{ from = 2026-08-01T12:00:00Z, to = 2026-08-03 }]",
            "rules.away.periods[2026-08-01T12:00:00+00:00].from: expected a date or a local date-time such as "
            "2026-08-01 or 2026-08-01T18:00:00, got 2026-08-01T12:00:00+00:00 "
            "(home.toml); without quotes and without offset",
        ),
        (
            '[tariffs.buy]\ndirection = "import"\n[[tariffs.buy.periods]]\nfrom = "2026-01-01"\n'
            'bands = [{ name = "night", from = "2:00", to = "05:00", price = 0.1 }, { name = "day", price = "x" }]',
            "tariffs.buy.periods[2026-01-01].bands[day].price: expected a number -10000 to 10000 money per kWh,"
            ' got "x" (home.toml)',
        ),
        (
            '[[displaces]]\nsource = "gas"\nshare = 1e-999999\nprice = 0.1',
            "displaces[gas].share: expected above 0 up to 1, got 1e-999999 (home.toml); at most nine decimal places",
        ),
        ('"quoted key" = 3', '"quoted key": expected a known key'),
        (
            '[api]\nbind = "0.0.0.0"',
            'api.bind: expected a password_file beside an address that others can reach, got "0.0.0.0" (home.toml); '
            "name a file for its hash, then: brimful password HOME.toml",
        ),
        (
            '[api]\nbind = "heat.example.org"',
            'api.bind: expected "localhost" or an IP address of this machine, such as "127.0.0.1", got "heat.ex',
        ),
        (
            '[api]\nnames = ["heat.example.org"]',
            'api.names: expected a password_file beside names that others can use, got "heat.example.org" (home',
        ),
    ],
)
def test_a_wrong_table_is_named_with_what_is_expected(added: str, said: str) -> None:
    assert any(line.startswith(said) for line in told(added + "\n" + SMALL)), told(added + "\n" + SMALL)


def test_a_secret_in_the_file_is_refused_and_not_repeated() -> None:
    broker = '[broker]\nhost = "b"\nusername = "u"\npassword = "hunter2"\n'
    series = '[timeseries]\nkind = "victoriametrics"\nurl = "http://me:hunter2@db:8428"\n'
    said = "\n".join(told(broker + series + SMALL))
    assert "hunter2" not in said
    assert "broker.password: expected a known key" in said
    assert "a secret is never written into the home file" in said
    assert "timeseries.url: expected an http or https address without user or password, got one with them" in said


def test_all_problems_come_at_once_also_those_between_tables() -> None:
    text = SMALL.replace("rated_w = 2000", "rated_w = 1").replace("Europe/Lisbon", "Nowhere/At/All") + (
        "[rules.surplus]\nstart_w = 100\nstop_w = 200\n[rules.full]\nstop_at_pct = 300\n"
        '[[displaces]]\nsource = "x"\nshare = 0.5\ntariff = "none"\n'
    )
    keys = [line.split(":")[0] for line in told(text)]
    assert keys == [
        "heaters.main.rated_w",
        "rules.full.stop_at_pct",
        "home.timezone",
        "rules.surplus.stop_w",
        "displaces[x].tariff",
        "displaces",
    ]


def test_a_reference_to_a_table_that_is_wrong_is_no_second_problem() -> None:
    wrong = '[tariffs.gas]\ndirection = "sideways"\n[[displaces]]\nsource = "b"\nshare = 1\ntariff = "gas"\n'
    assert [line.split(":")[0] for line in told(SMALL + wrong)] == ["tariffs.gas.direction"]


def test_a_list_of_wrong_items_is_not_also_called_empty() -> None:
    tariff = '[tariffs.sell]\ndirection = "export"\n[[tariffs.sell.periods]]\nfrom = 2026-01-01\n'
    assert told(SMALL + tariff + "bands = [3]\n") == [
        "tariffs.sell.periods[2026-01-01].bands[#1]: expected a table, got 3 (home.toml)"
    ]
    assert told(SMALL + tariff + "bands = []\n") == [
        "tariffs.sell.periods[2026-01-01].bands: expected at least one, got an empty list (home.toml)"
    ]


def test_a_missing_file_says_where_it_was_looked_for(tmp_path: Path) -> None:
    said = problem(tmp_path / "home.toml")
    assert said.startswith(f"home.toml: expected a home file, found none at {tmp_path}/home.toml; ")


def test_a_folder_is_no_home_file(tmp_path: Path) -> None:
    assert "expected a readable file, got is a directory" in problem(tmp_path)


def test_a_mistake_in_toml_is_given_with_line_and_column(tmp_path: Path) -> None:
    path = tmp_path / "home.toml"
    path.write_text('[home]\nname = "a\n')
    assert "line 2, column 10" in problem(path)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"[home]\nname = '\xff'\n", "expected UTF-8 text, got the byte 0xff on line 2"),
        (b"\xef\xbb\xbf[home]\n", "byte-order mark"),
        (b"x = " + b"[" * 5000, "nested too deeply"),
        (b"x = " + b"9" * 5000, "expected TOML, got a mistake"),
        (b"x = 1e99999999999999999999999", "beyond any number"),
        (b"#" * (LARGEST_BYTES + 1), "expected at most 1000 kB"),
    ],
)
def test_what_is_no_text_or_no_toml_is_refused_in_words(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "home.toml"
    path.write_bytes(content)
    assert said in problem(path)


def test_an_empty_file_lacks_what_every_home_needs() -> None:
    assert told("") == [
        "home: expected a table [home], got nothing (home.toml)",
        "signals: expected a table [signals], got nothing (home.toml)",
        "heaters: expected a table [heaters], got nothing (home.toml)",
    ]


def test_config_errors_are_errors_people_see() -> None:
    with pytest.raises(BrimfulError) as caught:
        home("x = 1")
    assert isinstance(caught.value, ConfigError)
    assert caught.value.cause == "4 problems"
    assert all(isinstance(found, BrimfulError) for found in caught.value.problems)


def test_damaged_files_never_end_in_anything_but_a_config_error() -> None:
    """Bytes changed, cut and repeated in the two whole homes: a fixed walk, beside the drawn one in tests/property."""
    dice = random.Random(814)
    for content in (EXAMPLE.read_bytes(), TWO_HEATERS.encode()):
        for _ in range(150):
            damaged = bytearray(content)
            for _ in range(dice.randint(1, 4)):
                at = dice.randrange(len(damaged))
                damaged[at : at + dice.randint(0, 3)] = dice.randbytes(dice.randint(0, 3))
            with contextlib.suppress(ConfigError):
                parse(bytes(damaged), Path("home.toml"))
