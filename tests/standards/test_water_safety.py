"""The hygiene rule's usual figures against published ones (sources: rules/tank/water_safety.py)."""

import pytest

from daemon.config.cautions import cautions
from daemon.config.rule_tables import Hygiene as HygieneTable
from rules.model.settings import Hygiene
from rules.tank.water_safety import BURN_S, STORE_C, WANTED_REDUCTIONS, reductions
from tests.support.homes import SMALL, home


@pytest.mark.parametrize(
    ("at_c", "minutes", "powers"),
    [
        (50.0, 380.0, 1.0),  # Sanden and others, 1989
        (55.0, 13.93, 1.0),  # the same
        (55.0, 69.65, 5.0),
        (60.0, 10.0, 5.0),  # cautious reading, 2 min to a power of ten
        (65.0, 10.0, 5.0),
    ],
)
def test_how_many_die(at_c: float, minutes: float, powers: float) -> None:
    assert reductions(at_c, minutes * 60) == pytest.approx(powers)


def test_between_the_tables_temperatures_it_is_between_and_below_it_is_refused() -> None:
    assert 60 / 13.93 < reductions(57.5, 3600.0) < 60 / 2
    with pytest.raises(ValueError, match="50"):
        reductions(49.9, 3600.0)


def test_the_usual_programme_is_that_of_the_standard_and_more_than_enough() -> None:
    """AS/NZS 3498 clause 7.1(j): 60 °C for 32 minutes within 7 days."""
    for rule in (HygieneTable(), Hygiene("main")):
        assert (rule.at_c, rule.hold_s, rule.every_s) == (60.0, 32 * 60, 7 * 86_400)
        assert rule.at_c >= STORE_C
        assert reductions(rule.at_c, rule.hold_s) > WANTED_REDUCTIONS


@pytest.mark.parametrize(
    ("at_c", "minutes", "short"), [(55, 32, True), (55, 70, False), (60, 5, True), (60, 32, False)]
)
def test_a_hold_that_is_too_short_for_its_temperature_is_said(at_c: float, minutes: float, short: bool) -> None:
    bottom = '[signals.tank_bottom_c]\ntopic = "hut/bottom"\n'
    text = f"{SMALL}{bottom}[rules.hygiene]\nheat = false\nat_c = {at_c}\nhold_minutes = {minutes}\n"
    said = [one for one in cautions(home(text)) if "too short" in one]
    assert bool(said) is short
    if at_c == 55 and short:
        assert "2.3 powers of ten of Legionella die" in said[0]
        assert "70 minutes" in said[0]


def test_the_burns_that_are_warned_of_are_the_tables() -> None:
    assert BURN_S[60.0] == 3.0
    text = f'{SMALL}[signals.tank_bottom_c]\ntopic = "hut/bottom"\n[rules.hygiene]\nheat = false\n'
    assert any("burns in about 3 seconds" in one for one in cautions(home(text)))
