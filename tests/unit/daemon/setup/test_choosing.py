"""Signals put elsewhere by choice: the file's comments and the other keys stay, and what would not load is refused."""

import tomllib
from pathlib import Path

import pytest

from daemon.config.load import ConfigError
from daemon.inputs.decode import Source
from daemon.setup.choosing import free_name, places, source_at, with_signals
from daemon.setup.survey import Topic
from rules.model.errors import BrimfulError
from tests.support.homes import EXAMPLE, SMALL

_FILE = Path("home.toml")
_HEARD = {
    "shed/battery": Topic(b'{"t": "2026-06-01T10:00:00Z", "flow": {"w": 3}}', 1, False),
    "a b/power": Topic(b"5", 1, False),
}


def test_places_are_lines_that_lead_back() -> None:
    known = places(_HEARD)
    assert [place.said for place in known] == ["a b/power", "shed/battery /flow/w"]
    source = source_at("battery_w", "shed/battery /flow/w", known, -1.0)
    assert source == Source("battery_w", "shed/battery", "/flow/w", -1.0, time_pointer="/t")
    with pytest.raises(BrimfulError, match=r"signals\.battery_w: expected a place that was heard"):
        source_at("battery_w", "shed/battery /flow/x", known, 1.0)


def test_a_signal_is_moved_and_the_rest_stays() -> None:
    moved = Source("grid_w", "cupboard/meter", "/w", -1.0)
    added = Source("car_w", "drive/charger", scale=1000.0)
    text, home = with_signals(EXAMPLE.read_bytes(), _FILE, {"grid_w": moved, "car_w": added, "tank_top_c": None})
    before, after = tomllib.loads(EXAMPLE.read_text()), tomllib.loads(text)
    assert after["signals"]["grid_w"] == {"topic": "cupboard/meter", "pointer": "/w", "scale": -1, "stale_after_s": 30}
    assert after["signals"]["car_w"] == {"topic": "drive/charger", "scale": 1000}
    assert "tank_top_c" not in home.signals
    for name in set(before["signals"]) - {"grid_w", "tank_top_c"}:
        assert after["signals"][name] == before["signals"][name]
    assert {key: after[key] for key in after if key != "signals"} == {
        key: before[key] for key in before if key != "signals"
    }
    assert "# older than this it no longer counts" in text


def test_what_would_not_load_is_refused() -> None:
    with pytest.raises(ConfigError, match="tank_level_pct"):
        with_signals(SMALL.encode(), _FILE, {"tank_level_pct": None})


def test_a_name_that_is_free(tmp_path: Path) -> None:
    file = tmp_path / "home.toml"
    assert free_name(file) == tmp_path / "home.new.toml"
    (tmp_path / "home.new.toml").touch()
    assert free_name(file) == tmp_path / "home.new-2.toml"
