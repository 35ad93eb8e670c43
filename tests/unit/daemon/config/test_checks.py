"""Keys that must agree with each other, and names that must exist."""

import pytest

from daemon.config.cautions import cautions, of_override
from daemon.config.state_topics import slug
from tests.support.homes import EXAMPLE, SMALL, TWO_HEATERS, home, told

SELL = '[tariffs.sell]\ndirection = "export"\n'
DAY = '{ name = "all", price = 0.1 }'


def keys(text: str) -> list[str]:
    return [line.split(": expected")[0] for line in told(text)]


def test_the_homes_the_tests_start_from_are_right() -> None:
    assert told(SMALL) == told(TWO_HEATERS) == told(EXAMPLE.read_text()) == []


@pytest.mark.parametrize(
    ("added", "said"),
    [
        (
            "[rules.full]\nstop_at_pct = 90\nresume_below_pct = 90",
            "rules.full.resume_below_pct: expected less than stop_at_pct 90 %, got 90 (home.toml); "
            "there must be room to resume",
        ),
        (
            "[rules.limit]\nmaximum_c = 60\nresume_below_c = 61",
            "rules.limit.resume_below_c: expected less than maximum_c 60 °C, got 61 (home.toml)",
        ),
        (
            "[rules.surplus]\nstart_w = 100\nstop_w = 100",
            "rules.surplus.stop_w: expected less than start_w 100 W, got 100 (home.toml)",
        ),
        (
            '[rules.heaters]\nprefer = ["mian"]',
            'rules.heaters.prefer: expected names of heaters, got "mian" (home.toml); main is meant?',
        ),
        (
            '[rules.heaters]\nprefer = ["main", "main"]',
            'rules.heaters.prefer: expected each heater once, got "main" twice (home.toml)',
        ),
        (
            '[rules.yield]\nsignal = "car_w"\nabove_w = 100',
            "rules.yield.signal: expected a signal of the table [signals.car_w], got no such table (home.toml); "
            "known here: grid_w",
        ),
        (
            '[rules.yield]\nsignal = "tank_level_pct"\nabove_w = 100',
            'rules.yield.signal: expected a signal that measures a power, in W, got "tank_level_pct" (home.toml)',
        ),
        (
            "[rules.away]\nperiods = [{ from = 2026-08-03, to = 2026-08-03T00:00:00 }]",
            "rules.away.periods[#1].to: expected later than from 2026-08-03, got 2026-08-03T00:00:00 (home.toml)",
        ),
        (
            '[broker]\nhost = "b"\nca_file = "ca.pem"',
            "broker.ca_file: expected tls = true beside it, got tls = false (home.toml); "
            "the link would not be encrypted",
        ),
        (
            '[broker]\nhost = "b"\npassword_file = "p"',
            "broker.password_file: expected a username beside it, got none (home.toml)",
        ),
        (
            '[timeseries]\nkind = "victoriametrics"\nurl = "http://db:8428"\npassword_file = "p"',
            "timeseries.password_file: expected a username beside it, got none (home.toml)",
        ),
        (
            '[timeseries]\nkind = "victoriametrics"\nurl = "http://db:8428"\nusername = "u"\ntoken_file = "t"',
            "timeseries.token_file: expected a token or a username with its password, got both (home.toml)",
        ),
        (
            "[tank]\nvolume_l = 200\ncold_c = 40\nhot_c = 40",
            "tank.hot_c: expected more than cold_c 40 °C, got 40 (home.toml)",
        ),
        (
            '[tank]\nvolume_l = 200\nloss_w = 60\nlabel_class = "B"',
            "tank.label_class: expected either loss_w or label_class, got both (home.toml)",
        ),
        (
            '[outputs.pump]\ntopic = "hut/permit"\nfollows = "surplus"\non = "1"\noff = "1"',
            'outputs.pump.topic: expected another topic than heaters.main, got "hut/permit" (home.toml)',
        ),
        (
            '[outputs.pump]\ntopic = "hut/pump"\nfollows = "surplus"\non = "1"\noff = "1"',
            'outputs.pump.off: expected another payload than on, got "1" (home.toml)',
        ),
        (
            '[[displaces]]\nsource = "gas"\nshare = 0.4\nprice = 0.1',
            "displaces: expected shares that add up to 1, got a sum of 0.4 (home.toml)",
        ),
        (
            '[[displaces]]\nsource = "gas"\nshare = 1',
            "displaces[gas]: expected either tariff or price, got neither (home.toml)",
        ),
        (
            '[[displaces]]\nsource = "gas"\nshare = 1\nprice = 0.1\nwhen = "next night"',
            "displaces[gas].when: expected a tariff beside it, whose band it names, got none (home.toml)",
        ),
        (
            '[[displaces]]\nsource = "gas"\nshare = 1\nprice = 0.1\ncarbon = "gas"',
            'displaces[gas].carbon: expected a factor of the table [carbon], got "gas" (home.toml)',
        ),
        (
            '[carbon.grid]\nbasis = "average"\nsource = "x"\nyear = 2026',
            "carbon.grid: expected one of kg_per_kwh, series, signal, live, got none of them (home.toml)",
        ),
        (
            "[books]\nattribute = false\nexport_limit_w = 3600",
            "books.export_limit_w: expected attribute = true and a signal grid_w beside it, got attribute = false "
            "(home.toml)",
        ),
        (
            SELL,
            "tariffs.sell: expected one of periods, series, signal, live, got none of them (home.toml)",
        ),
        (
            f'{SELL}series = "a.csv"\n[tariffs.feed]\ndirection = "export"\nseries = "b.csv"',
            "tariffs.feed.direction: expected one tariff of direction export, got also sell (home.toml); "
            "a change of supplier is another period of the same tariff",
        ),
    ],
)
def test_what_disagrees_is_said(added: str, said: str) -> None:
    assert told(SMALL + added)[0] == said


@pytest.mark.parametrize(
    ("was", "becomes", "said"),
    [
        (
            "minimum_w = 300",
            "minimum_w = 4000",
            "heaters.lower.minimum_w: expected at most rated_w 3600 W, got 4000 (home.toml)",
        ),
        (
            "[600, 1200, 3600]",
            "[1200, 600]",
            "heaters.lower.steps_w: expected ascending steps, above 1200 W, got 600 (home.toml)",
        ),
        (
            "[600, 1200, 3600]",
            "[200, 600]",
            "heaters.lower.steps_w: expected steps from minimum_w to rated_w, 300–3600 W, got 200 (home.toml)",
        ),
        (
            'surplus = "on"',
            'surplus = "grid"',
            'heaters.upper.orders.surplus: expected another payload than heat, got "grid" (home.toml); '
            "each order needs a payload of its own",
        ),
        (
            'topic = "barn/upper/order"',
            'topic = "barn/top"',
            'heaters.upper.topic: expected another topic than signals.tank_top_c, got "barn/top" (home.toml); '
            "brimful would hear its own orders as readings",
        ),
        (
            "[signals.diverted_wh_lower]",
            "[signals.diverted_wh]",
            "signals: expected diverted_wh_lower or diverted_w_lower, got none of them (home.toml); "
            "the books need the energy heater lower takes",
        ),
        ("[tank]\nvolume_l = 315\nloss_w = 74.5\n", "", None),
        (
            "scale = -1.0",
            "scale = 0",
            "signals.surplus_w.scale: expected a number other than 0, got 0 (home.toml); "
            "every reading would be the same",
        ),
        (
            "scale = -1.0",
            "minimum = 5\nmaximum = 5",
            "signals.surplus_w.minimum: expected less than maximum 5, got 5 (home.toml)",
        ),
        (
            "[signals.surplus_w]",
            "[signals.pv_w]",
            "signals: expected surplus_w or grid_w, got neither (home.toml); without it no surplus is ever known",
        ),
    ],
)
def test_what_disagrees_in_a_home_of_two_heaters_is_said(was: str, becomes: str, said: str | None) -> None:
    assert was in TWO_HEATERS
    wanted = said or (
        "tank: expected a table [tank] with cold_c and hot_c, got none (home.toml); "
        "a level from temperatures needs them"
    )
    assert wanted in told(TWO_HEATERS.replace(was, becomes))


def test_a_home_without_any_level_is_refused() -> None:
    assert told(SMALL.replace("tank_level_pct", "pv_w")) == [
        "signals: expected tank_level_pct, or temperatures that give a level (tank_top_c, tank_mid_c, tank_bottom_c), "
        "got none of them (home.toml); without a level the tank is never known to have room"
    ]


def test_a_home_without_heaters_is_refused() -> None:
    assert told(SMALL[: SMALL.index("[heaters.main]")] + "[heaters]\n") == [
        "heaters: expected at least one heater, got none (home.toml)"
    ]


def test_factors_of_two_bases_are_not_added_up() -> None:
    text = EXAMPLE.read_text().replace('basis = "average"', 'basis = "marginal"').replace('"both"', '"average"')
    assert told(text) == [
        "carbon.gas.basis: expected the basis of [carbon.grid], marginal, got average (home.toml); "
        "average and marginal factors do not add up"
    ]


@pytest.mark.parametrize(
    ("periods", "wrong"),
    [
        ("from = 2026-01-01\nto = 2026-01-01\nbands = [DAY]", ["periods[2026-01-01].to"]),
        (
            "from = 2026-01-01\nbands = [DAY]\n[[tariffs.sell.periods]]\nfrom = 2026-06-01\nbands = [DAY]",
            ["periods[2026-01-01].to"],
        ),
        (
            "from = 2026-06-01\nbands = [DAY]\n[[tariffs.sell.periods]]\n"
            "from = 2026-01-01\nto = 2026-06-02\nbands = [DAY]",
            ["periods[2026-01-01].to"],
        ),
        (
            "from = 2026-06-01\nbands = [DAY]\n[[tariffs.sell.periods]]\n"
            "from = 2026-01-01\nto = 2026-06-01\nbands = [DAY]",
            [],
        ),
        (
            'from = 2026-01-01\nbands = [{ name = "a", from = "01:00", to = "02:00", price = 1 }]',
            ["periods[2026-01-01].bands"],
        ),
        (
            'from = 2026-01-01\nbands = [{ name = "a", from = "23:00", to = "05:00", price = 1 }, '
            '{ name = "b", from = "05:00", to = "23:00", price = 2 }]',
            [],
        ),
        (
            'from = 2026-01-01\nbands = [{ name = "a", from = "23:00", to = "05:01", price = 1 }, '
            '{ name = "b", from = "05:00", to = "23:00", price = 2 }]',
            ["periods[2026-01-01].bands[b]"],
        ),
        (
            'from = 2026-01-01\nbands = [{ name = "a", price = 1 }, { name = "b", price = 2 }]',
            ["periods[2026-01-01].bands[b]"],
        ),
        (
            'from = 2026-01-01\nbands = [{ name = "a", from = "01:00", price = 1 }, { name = "b", price = 2 }]',
            ["periods[2026-01-01].bands[a].to"],
        ),
        (
            'from = 2026-01-01\nbands = [{ name = "a", days = ["sat", "sun"], price = 1 }, '
            '{ name = "b", days = ["mon", "tue", "wed", "thu", "fri"], price = 2 }]',
            [],
        ),
        (
            'from = 2026-01-01\nbands = [{ name = "a", days = ["sat"], price = 1 }, '
            '{ name = "b", days = ["mon", "tue", "wed", "thu", "fri"], price = 2 }]',
            ["periods[2026-01-01].bands"],
        ),
        (
            'from = 2026-01-01\nbands = [{ name = "a", days = ["sun"], from = "22:00", to = "06:00", price = 1 }, '
            '{ name = "b", days = ["mon"], from = "05:00", to = "07:00", price = 3 }, { name = "c", price = 2 }]',
            ["periods[2026-01-01].bands[b]"],
        ),
        ('from = 2026-01-01\nbands = [{ name = "a", from = "03:00", to = "03:00", price = 1 }]', []),
    ],
)
def test_a_tariff_gives_each_moment_one_price(periods: str, wrong: list[str]) -> None:
    text = f"{SMALL}{SELL}[[tariffs.sell.periods]]\n{periods.replace('DAY', DAY)}\n"
    assert keys(text) == [f"tariffs.sell.{key}" for key in wrong]


def test_a_gap_in_the_day_is_told_by_day_and_time() -> None:
    bands = '{ name = "a", from = "00:00", to = "23:30", price = 1 }'
    assert told(f"{SMALL}{SELL}[[tariffs.sell.periods]]\nfrom = 2026-01-01\nbands = [{bands}]\n") == [
        "tariffs.sell.periods[2026-01-01].bands: expected bands that cover every day, got none on mon 23:30 "
        "(home.toml); a band without times is the rest of the day"
    ]


def test_a_band_named_by_a_displaced_source_must_be_one_of_its_tariff() -> None:
    text = EXAMPLE.read_text()
    assert told(text.replace('when = "next night"', 'when = "next nigth"')) == [
        'displaces[night electricity].when: expected a band of tariff buy, got "next nigth" (home.toml); '
        "night is meant?"
    ]
    assert keys(text.replace('tariff = "buy"', 'tariff = "sell"')) == [
        "displaces[night electricity].tariff",
        "displaces[night electricity].when",
    ]


def test_a_band_that_is_always_in_force_never_starts_next() -> None:
    text = EXAMPLE.read_text()
    assert told(text.replace('tariff = "gas"', 'tariff = "gas"\nwhen = "next all"')) == [
        'displaces[gas boiler].when: expected a band that ends and starts again, got "all", the only one, always in '
        "force (home.toml); without `when` the price of the moment counts"
    ]


def test_raising_a_limit_asks_for_caution_and_ranks_the_software_last() -> None:
    text = EXAMPLE.read_text()
    for raised in (
        text.replace("maximum_c = 68", "maximum_c = 75"),
        text.replace("stop_at_pct = 94", "stop_at_pct = 98"),
        text.replace("hot_c = 60", "hot_c = 70"),
    ):
        (said,) = set(cautions(home(raised))) - set(cautions(home(text)))
        assert "burns in about 3 seconds" in said
        assert "ranks below the tank's thermostat and its manual-reset cut-out and replaces neither" in said


@pytest.mark.parametrize(
    ("was", "becomes", "said"),
    [
        ("[signals.tank_top_c]", "[signals.pv_w]", "No signal measures a temperature in the tank"),
        ("[signals.battery_w]", "[signals.house_w]", "there is no signal battery_w"),
        ("price = 0.2763", "price = 27.63", "tariffs.buy has a band day at 27.63 GBP per kWh: is a hundredth"),
        (
            'follows = "surplus"',
            'follows = "heat"',
            "outputs.stirrer follows heat, but no heater can be ordered to heat",
        ),
        (
            "tls = true",
            "tls = false",
            "The password for the broker broker.tern.example crosses the network unencrypted",
        ),
    ],
)
def test_what_cannot_do_what_it_says_asks_for_caution(was: str, becomes: str, said: str) -> None:
    text = EXAMPLE.read_text()
    assert was in text
    assert any(said in sentence for sentence in cautions(home(text.replace(was, becomes))))


def test_a_rule_of_worth_that_cannot_compare_asks_for_caution() -> None:
    said = cautions(home(SMALL + "[rules.worth]\nenabled = true\n"))
    assert any("without an export tariff it cannot compare" in sentence for sentence in said)


def test_a_tank_that_is_not_described_asks_for_caution() -> None:
    said = "There is no [tank] table with the volume"
    assert any(said in sentence for sentence in cautions(home(SMALL)))
    assert not any(said in sentence for sentence in cautions(home(SMALL + "[tank]\nvolume_l = 150\n")))


def test_two_heaters_at_once_ask_for_caution() -> None:
    said = cautions(home(TWO_HEATERS.replace('prefer = ["upper"]', "together = true")))
    assert any("allows 4800 W at once" in sentence for sentence in said)


def test_attribution_needs_a_signal_that_tells_who_gave_the_energy() -> None:
    text = SMALL.replace("grid_w", "surplus_w") + "[books]\nattribute = true\n"
    (said,) = told(text)
    assert said.startswith("books.attribute: expected a signal grid_w or battery_w beside it, got neither")
    assert not told(SMALL + "[books]\nattribute = true\n")


BOILER = """
[signals.boiler_wh]
topic = "hut/boiler"

[tank]
volume_l = 200
"""


def test_a_boilers_table_is_checked_and_a_counter_without_one_cautioned() -> None:
    assert any("boiler_wh is heard, but no [tank.boiler]" in said for said in cautions(home(SMALL + BOILER)))
    table = '[tank.boiler]\ncounts = "fuel"\nefficiency = 0.8\n'
    assert not any("boiler_wh" in said for said in cautions(home(SMALL + BOILER + table)))
    wrong = SMALL + "[tank]\nvolume_l = 200\n" + table + 'tariff = "gas"\nprice = 0.1\ncarbon = "gas"\n'
    assert [said.split(":")[0] for said in told(wrong)] == [
        "tank.boiler",
        "tank.boiler.price",
        "tank.boiler.tariff",
        "tank.boiler.carbon",
    ]


def test_a_comparison_ends_within_the_calendar() -> None:
    late = "rules.alternate.from: expected a day of 2100 or before, got 9999-12-30"
    assert any(said.startswith(late) for said in told(SMALL + "[rules.alternate]\nfrom = 9999-12-30\n"))


@pytest.mark.parametrize(
    ("rules", "said"),
    [
        ("[rules.limit]\nmaximum_c = 55\n", "cannot heat the tank to the 60 °C that are advised against Legionella"),
        ("[rules.full]\nstop_at_pct = 50\n", "the lower part of the tank then stays lukewarm"),
        ("[rules.away]\nperiods = [{from = 2026-08-01, to = 2026-08-15}]\n", "heat the whole tank to 60 °C"),
        (
            "[rules.alternate]\nfrom = 2026-08-01\n",
            "withholds diversion for 4 days at a time, or twice as many in a row",
        ),
        ("[rules.alternate]\nfrom = 2026-08-01\n", "no [rules.hygiene] table sees to it"),
        ("[rules.surplus]\nstart_w = 0\nstop_w = -10000\n", "goes on while the house buys up to 10000 W"),
    ],
)
def test_hygiene_and_what_acts_on_too_little_ask_for_caution(rules: str, said: str) -> None:
    assert any(said in sentence for sentence in cautions(home(SMALL + rules)))
    assert not any(said in sentence for sentence in cautions(home(SMALL)))


def test_a_level_that_counts_for_a_day_asks_for_caution() -> None:
    text = EXAMPLE.read_text().replace("[signals.tank_top_c]", "[signals.tank_top_c]\nstale_after_s = 86400", 1)
    assert any("counts a reading as fresh for 24 hours" in sentence for sentence in cautions(home(text)))


def test_an_override_to_heat_asks_for_caution_and_more_without_a_temperature() -> None:
    assert of_override(home(SMALL), "surplus") == of_override(home(SMALL), "withhold") == []
    bought, unwatched = of_override(home(SMALL), "heat")
    assert "from the grid" in bought
    assert "only the thermostat and the manual-reset cut-out" in unwatched
    assert of_override(home(EXAMPLE.read_text()), "heat") == [bought]


def test_an_order_topic_among_our_own_state_is_refused() -> None:
    text = EXAMPLE.read_text()
    own = f"brimful/{slug(home(text).home.name)}/state"
    heater = next(iter(home(text).heaters.values())).topic
    assert any("a topic outside brimful/" in line for line in told(text.replace(f'"{heater}"', f'"{own}"', 1)))


def test_a_house_that_others_may_set_is_cautioned_and_grid_heat_only_where_a_heater_obeys_it() -> None:
    settable = "[homie]\nsettable = true\n"
    (said,) = set(cautions(home(SMALL + settable))) - set(cautions(home(SMALL)))
    assert "can raise the stop level, unattended" in said
    (said,) = set(cautions(home(TWO_HEATERS + settable))) - set(cautions(home(TWO_HEATERS)))
    assert "can raise the stop level and order heat from the grid, unattended" in said
    assert cautions(home(SMALL + "[homie]\n")) == cautions(home(SMALL))
