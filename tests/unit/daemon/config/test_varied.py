"""Keys of a home file set otherwise for a study: found in tables and lists, validated, nothing written."""

from pathlib import Path

import pytest

from daemon.config.load import ConfigError
from daemon.config.varied import plain_value, varied
from tests.support.study_house import HOME


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "home.toml"
    path.write_text(HOME)
    return path


def test_a_key_in_a_table_a_list_by_number_by_name_and_the_only_item(file: Path) -> None:
    home = varied(
        file,
        {
            "tank.volume_l": "250",
            "tariffs.import.periods.0.bands.night.price": "0.11",
            "tariffs.import.periods[0].bands[1].price": "0.40",
            "tariffs.export.periods.bands.price": "0.20",
            "rules.worth.enabled": "true",
            "home.name": "Alder Bank again",
        },
    )
    assert home.tank is not None
    assert home.tank.volume_l == 250
    assert [float(band.price) for band in home.tariffs["import"].periods[0].bands] == [0.11, 0.40]
    assert float(home.tariffs["export"].periods[0].bands[0].price) == 0.20
    assert home.rules.worth.enabled
    assert home.home.name == "Alder Bank again"
    assert file.read_text() == HOME


def test_a_stop_level_below_the_resume_level_takes_it_along(file: Path) -> None:
    full = varied(file, {"rules.full.stop_at_pct": "40"}).rules.full
    assert (full.stop_at_pct, full.resume_pct) == (40, 33)
    assert varied(file, {"rules.full.stop_at_pct": "90"}).rules.full.resume_pct == 88
    with pytest.raises(ConfigError, match="resume_below_pct"):
        varied(file, {"rules.full.stop_at_pct": "40", "rules.full.resume_below_pct": "88"})


def test_a_loss_takes_the_place_of_the_label_class_and_that_of_the_loss(file: Path) -> None:
    by_loss = varied(file, {"tank.loss_w": "80"}).tank
    assert by_loss is not None
    assert (by_loss.loss_w, by_loss.label_class) == (80, None)
    file.write_text(HOME.replace('label_class = "C"', "loss_w = 80"))
    by_class = varied(file, {"tank.label_class": '"A"'}).tank
    assert by_class is not None
    assert (by_class.loss_w, by_class.label_class) == (None, "A")
    with pytest.raises(ConfigError, match="either loss_w or label_class"):
        varied(file, {"tank.loss_w": "80", "tank.label_class": '"A"'})


@pytest.mark.parametrize(
    ("key", "value", "named"),
    [
        ("rules.full.stop_at", "40", "rules.full.stop_at"),
        ("rules.full.stop_at_pct", "many", "rules.full.stop_at_pct"),
        ("tank.volume_l", "-5", "tank.volume_l"),
        ("tariffs.import.periods.0.bands.dusk.price", "0.1", "night, day"),
        ("tariffs.import.periods.7.bands.night.price", "0.1", "2020-01-01"),
        ("home.name.first", "x", "home.name.first"),
        ("home.name.first.letter", "x", "before first.letter"),
        ("", "1", "dotted key"),
        ("tank", "3", "tank"),
    ],
)
def test_what_does_not_fit_is_refused_by_name(file: Path, key: str, value: str, named: str) -> None:
    with pytest.raises(ConfigError) as refused:
        varied(file, {key: value})
    assert named in str(refused.value)
    assert "home.toml" in str(refused.value)


@pytest.mark.parametrize(
    ("text", "value"),
    [("40", 40), ("0.5", 0.5), ("true", True), ("off", "off"), ("[1, 2.5]", [1, 2.5]), ("2026-01-02", "2026-01-02")],
)
def test_values_as_plain_data(text: str, value: object) -> None:
    assert plain_value(text) == value
