"""[rules.hygiene] and rules.away.hot_on_return: what they become, what of them cannot be, and what is said of them."""

import pytest

from daemon.config.build import rule_settings
from daemon.config.cautions import cautions
from daemon.config.edit import rules_shown
from rules.model.settings import Away, Hygiene
from tests.support.homes import SMALL, TWO_HEATERS, home, told

BOTTOM = '\n[signals.tank_bottom_c]\ntopic = "hut/bottom"\n'
TANK = "\n[tank]\nvolume_l = 150\nhot_c = 65\n"
HEATS = SMALL.replace('surplus = "1" }', 'surplus = "1", heat = "2" }')
WHOLE = HEATS + BOTTOM + TANK
RULE = "\n[rules.hygiene]\n"


def test_the_table_alone_asks_for_the_usual_programme() -> None:
    rule = rule_settings(home(WHOLE + RULE)).hygiene
    assert rule is not None
    assert (rule.heater, rule.at_c, rule.hold_s, rule.every_s) == ("main", 60.0, 1920.0, 604_800.0)
    assert (rule.measured, rule.why_not) == (True, "")
    # 150 L by 50 K is 8.72 kWh: 4.36 h at 2 kW, a quarter more as margin, the loss, and the hold.
    assert 5.45 * 3600 + 1920 < rule.need_s < 5.8 * 3600 + 1920


def test_without_the_table_nothing_is_asked() -> None:
    assert rule_settings(home(WHOLE)).hygiene is None
    shown = rules_shown(home(WHOLE))["hygiene"]
    assert {key: one.value for key, one in shown.items()} == dict.fromkeys(shown)
    assert list(shown) == ["at_c", "hold_minutes", "every_days", "heat", "heater", "thermostat_on_c"]


def test_the_return_is_prepared_where_it_is_asked_for() -> None:
    away = "\n[rules.away]\nperiods = [{ from = 2026-08-01, to = 2026-08-15 }]\n"
    assert rule_settings(home(WHOLE + away)).away.heater == ""
    asked = rule_settings(home(WHOLE + away + "hot_on_return = true\n")).away
    assert asked.heater == "main"
    longer = rule_settings(home(WHOLE + away + "hot_on_return = true\n" + RULE)).away
    assert longer.need_s == pytest.approx(asked.need_s + 1920.0), "hygiene first: with its hold"
    assert Away(asked.periods) == rule_settings(home(WHOLE + away)).away


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (WHOLE + RULE + "at_c = 70\n", "rules.hygiene.at_c: expected less than rules.limit.maximum_c 70 °C, got 70"),
        (WHOLE + RULE + "at_c = 50\n", "rules.hygiene.at_c: expected 55–70 °C, got 50"),
        (WHOLE + RULE + 'heater = "mian"\n', 'rules.hygiene.heater: expected the name of a heater, got "mian"'),
        (
            WHOLE + RULE + "hold_minutes = 1440\nevery_days = 1\n",
            "rules.hygiene.hold_minutes: expected less than every_days, 1 days, which are 1440 minutes, got 1440 min",
        ),
        (
            SMALL + BOTTOM + TANK + RULE,
            "rules.hygiene.heat: expected a heater that obeys `heat` (heaters.main.orders.heat), got none",
        ),
        (HEATS + BOTTOM + RULE, "rules.hygiene.heat: expected a table [tank] with its volume beside it, got none"),
        (
            WHOLE + RULE + "thermostat_on_c = 60\n",
            "rules.hygiene.thermostat_on_c: expected no signal tank_bottom_c beside it, got both",
        ),
        (
            TWO_HEATERS + RULE,
            "rules.hygiene.heater: expected the heater at the bottom of the tank, one of lower, upper, got none",
        ),
        (
            SMALL + TANK + "\n[rules.away]\nhot_on_return = true\n",
            "rules.away.hot_on_return: expected a heater that obeys `heat` (heaters.main.orders.heat), got none",
        ),
        (
            HEATS + "\n[rules.away]\nhot_on_return = true\n",
            "rules.away.hot_on_return: expected a table [tank] with its volume beside it, got none",
        ),
    ],
)
def test_what_cannot_be_is_refused(text: str, said: str) -> None:
    assert any(line.startswith(said) for line in told(text)), told(text)


def test_counting_alone_needs_neither_tank_nor_order() -> None:
    rule = rule_settings(home(SMALL + BOTTOM + RULE + "heat = false\n")).hygiene
    assert rule == Hygiene(
        "main", need_s=1920.0, why_not="rules.hygiene.heat is false, so brimful does not heat for it"
    )


def test_without_a_sensor_at_the_bottom_it_cannot_be_known_and_is_not_heated_for() -> None:
    rule = rule_settings(home(HEATS + TANK + RULE)).hygiene
    assert rule is not None
    assert not rule.can_be_known
    assert rule.why_not.startswith("no signal reads tank_bottom_c, so whether the whole tank is hot cannot be known")
    inferred = rule_settings(home(HEATS + TANK + RULE + "thermostat_on_c = 60\n")).hygiene
    assert inferred is not None
    assert (inferred.can_be_known, inferred.why_not) == (True, "")
    low = rule_settings(home(HEATS + TANK + RULE + "thermostat_on_c = 58\n")).hygiene
    assert low is not None
    assert not low.can_be_known


DERIVED = (HEATS + BOTTOM).replace('[signals.tank_level_pct]\ntopic = "hut/tank"\n', "")


@pytest.mark.parametrize(("hot_c", "possible"), [(60, False), (65, True)])
def test_a_level_from_temperatures_shows_whether_the_stop_level_allows_it(hot_c: int, possible: bool) -> None:
    """At 61 °C throughout, of 10 to 60 °C it reads 102 %, of 10 to 65 °C 93 %; heating stops at 95 %."""
    text = DERIVED + TANK.replace("65", str(hot_c)) + RULE
    rule = rule_settings(home(text)).hygiene
    assert rule is not None
    assert (rule.why_not == "") is possible
    if not possible:
        assert "the level reads 102 %, and heating stops at 95 %" in rule.why_not
        assert any(rule.why_not in said for said in cautions(home(text)))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (WHOLE + RULE, "Water at 60 °C burns in about 3 seconds"),
        (WHOLE + RULE, "replaces no thermostat, no device against Legionella and no duty that is prescribed"),
        (WHOLE + RULE, "what lies below that sensor, or below the heater, may stay colder"),
        (WHOLE + RULE, "smokers and those with weak lungs or a weak immune system are most at risk"),
        (WHOLE + RULE, "Nothing heats at or above rules.full.stop_at_pct, 95 %, for hygiene neither"),
        (WHOLE.replace("65", "60") + RULE, "the thermostat may end the heating before the whole tank is hot"),
        (WHOLE.replace("65", "60") + RULE, "By its heat the tank would show 102 %"),
        (WHOLE + "\n[rules.limit]\nmaximum_c = 63\n" + RULE, "the limit stops the heating before the bottom is hot"),
        (HEATS + TANK + RULE + "thermostat_on_c = 60\n", "that the tank is hot is inferred, not measured"),
        (HEATS + TANK + RULE, "cannot be known, and brimful does not heat for it. Make sure that something else"),
        (WHOLE + "\n[rules.away]\nhot_on_return = true\n", "before you are back the tank is heated"),
        (WHOLE + "\n[rules.away]\nhot_on_return = true\n", "holds nothing: there is no [rules.hygiene] table"),
    ],
)
def test_what_the_owner_should_know(text: str, said: str) -> None:
    assert any(said in sentence for sentence in cautions(home(text))), cautions(home(text))
    assert not any(said in sentence for sentence in cautions(home(WHOLE)))
