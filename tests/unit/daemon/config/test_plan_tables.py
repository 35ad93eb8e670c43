"""[plan]: off by default, refused where it cannot work, and with a caution where it heats."""

from pathlib import Path

import pytest

from daemon.config.build import rule_settings
from daemon.config.cautions import cautions
from daemon.config.load import ConfigError, parse
from daemon.config.model import FORECAST, Home
from daemon.config.plan_tables import Planning
from tests.support.homes import EXAMPLE, SMALL
from tests.support.planned_past import HOME

LIVE = """forecast = { live = { kind = "mqtt", topic = "sun/ahead", time = "/t", value = "/kwh", minutes = 60 } }"""


def loaded(text: str, base: str = HOME) -> Home:
    return parse(f"{base}\n{text}".encode(), Path("home.toml"))


def test_off_unless_it_is_asked_for() -> None:
    for home in (loaded("", SMALL), loaded("", HOME), parse(EXAMPLE.read_bytes(), EXAMPLE)):
        assert home.plan.mode == "off"
        assert not rule_settings(home).follows_plan
        assert not any("[plan]" in caution for caution in cautions(home))
    assert loaded("", SMALL).plan == Planning()


def test_what_is_given_is_kept() -> None:
    home = loaded(f'[plan]\nmode = "follow"\nconfidence = 0.8\nreserve_pct = 10\nlukewarm_pct = 20\n{LIVE}')
    assert (home.plan.mode, home.plan.confidence) == ("follow", 0.8)
    assert (home.plan.reserve_pct, home.plan.lukewarm_pct) == (10, 20)
    assert rule_settings(home).follows_plan
    assert list(home.fed) == [FORECAST]
    assert home.live == {}
    assert home.live_file(FORECAST).name == "brimful.plan.forecast.csv"


def test_who_has_it_followed_is_cautioned() -> None:
    (caution, blind) = (said for said in cautions(loaded('[plan]\nmode = "follow"')) if "[plan]" in said)
    for word in ("thermostat", "manual-reset cut-out", "qualified installer", "burns", "unattended"):
        assert word in caution
    assert "no signal measures a temperature" in blind
    watched = loaded('[plan]\nmode = "follow"', HOME.replace("[home]", '[home]\nmode = "watch"'))
    assert any("no heater is ordered to follow it until" in said for said in cautions(watched))
    assert not any("until [home] mode" in said for said in cautions(loaded('[plan]\nmode = "follow"')))
    advised = loaded('[plan]\nmode = "advise"')
    assert not any("[plan]" in said for said in cautions(advised))
    assert not rule_settings(advised).follows_plan


@pytest.mark.parametrize(
    ("text", "base", "said"),
    [
        ('[plan]\nmode = "advise"', SMALL, r"plan\.mode: expected a \[tank\] table beside it"),
        ('[plan]\nmode = "advise"\n[tank]\nvolume_l = 100', SMALL, r"plan\.mode: expected an import tariff"),
        ('[plan]\nmode = "follow"', HOME.replace(', heat = "2"', ""), r"plan\.mode: expected a heater that can be ord"),
        ('[plan]\nmode = "sometimes"', HOME, r"plan\.mode: expected"),
        ("[plan]\nconfidence = 1.0", HOME, r"plan\.confidence: expected 0–0\.99"),
        ("[plan]\nreserve_pct = 95", HOME, r"plan\.reserve_pct: expected 0–90"),
        ("[plan]\nlukewarm_pct = 95", HOME, r"plan\.lukewarm_pct: expected 0–90"),
        ("[plan]\nforecast = {}", HOME, r"plan\.forecast: expected one of signal, series or live, got none of them"),
        (
            '[plan]\nforecast = { signal = "forecast_pv_wh" }',
            HOME,
            r"plan\.forecast\.signal: expected a table \[signals\.forecast_pv_wh\] beside it",
        ),
        ('[plan]\nforecast = { series = "a.csv", signal = "forecast_pv_wh" }', HOME, "got signal and series"),
    ],
)
def test_what_cannot_work_is_refused(text: str, base: str, said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        loaded(text, base)
