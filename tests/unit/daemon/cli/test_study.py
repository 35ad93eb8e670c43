"""`brimful study` from end to end: its JSON contract, its statement, its refusals."""

import json
from pathlib import Path
from typing import Any

import pytest

from daemon.cli.main import main
from daemon.simulation.study.comparison import settings_of
from rules.model.errors import BrimfulError
from tests.support import study_house

VARIANT = {
    "set", "cost", "kg", "imported_kwh", "exported_kwh", "heat_kwh", "drawn_kwh", "lost_kwh", "stock_change_kwh",
    "unserved_kwh", "cold_minutes", "switchings", "against_first",
}  # fmt: skip


@pytest.fixture
def house(tmp_path: Path) -> Path:
    (tmp_path / "home.toml").write_text(study_house.HOME)
    study_house.write(tmp_path / "readings.csv", study_house.rows(9.0))
    return tmp_path


def said(capsys: pytest.CaptureFixture[str], house: Path, *arguments: str, code: int = 0) -> str:
    given = ["study", str(house / "home.toml"), str(house / "readings.csv"), *arguments]
    if code:
        with pytest.raises(SystemExit) as ended:
            main(given)
        assert ended.value.code == code
        return capsys.readouterr().err
    main(given)
    return capsys.readouterr().out


def answered(capsys: pytest.CaptureFixture[str], house: Path, *arguments: str) -> dict[str, Any]:
    answer: dict[str, Any] = json.loads(said(capsys, house, *arguments, "--json"))
    return answer


def test_the_answer(capsys: pytest.CaptureFixture[str], house: Path) -> None:
    answer = answered(capsys, house, "--vary", "rules.full.stop_at_pct=40", "--vary", "diverter=off", "--workers", "1")
    assert answer["schema"] == "brimful.study/1"
    assert (answer["from"], answer["to"], answer["step_s"]) == ("2025-04-28T00:00:00Z", "2025-05-07T00:00:00Z", 60)
    sets = [variant["set"] for variant in answer["variants"]]
    assert sets == [{}, {"diverter": "off"}, {"rules.full.stop_at_pct": 40}]
    for variant in answer["variants"]:
        assert set(variant) >= VARIANT
        assert set(variant["heat_kwh"]) >= {"sun", "battery", "boiler"}
    first, off, low = answer["variants"]
    assert first["against_first"] == {"cost": 0.0, "kg": 0.0, "low": 0.0, "high": 0.0}
    for other in (off, low):
        against = other["against_first"]
        assert against["cost"] == pytest.approx(other["cost"] - first["cost"])
        assert 0 < against["low"] < against["cost"] < against["high"]  # both are shown bad, with their range
    assert answer["blocks"] == "day"
    estimate = answer["monthly_estimate"]
    sun_kwh = first["heat_kwh"]["sun"]
    assert estimate["sun_kwh"] + estimate["study_less_estimate_kwh"] == pytest.approx(sun_kwh, abs=0.01)
    assert 0.5 < estimate["sun_kwh"] / sun_kwh < 2  # the same order


def test_over_two_workers_it_is_the_same(capsys: pytest.CaptureFixture[str], house: Path) -> None:
    arguments = ("tank.volume_l=120,250", "diverter=off")
    assert answered(capsys, house, *arguments, "--workers", "2") == answered(
        capsys, house, *arguments, "--workers", "1"
    )


def test_a_few_days_have_no_range_and_say_so(capsys: pytest.CaptureFixture[str], house: Path) -> None:
    study_house.write(house / "readings.csv", study_house.rows(1.0))
    answer = answered(capsys, house, "diverter=off")
    assert answer["variants"][1]["against_first"]["low"] is None
    assert any("too few for a range" in note for note in answer["notes"])


def test_the_statement(capsys: pytest.CaptureFixture[str], house: Path) -> None:
    shown = said(capsys, house, "diverter=off")
    assert "Alder Bank: a study of 2025-04-28 01:00 to 2025-05-07 01:00" in shown
    assert "90 % range" in shown
    assert "diverter=off" in shown
    assert "without standing charges and hardware" in shown


@pytest.mark.parametrize(
    ("vary", "cause"),
    [
        ("rules.full.stop_at_pct", "expected KEY=VALUE or KEY=V1,V2"),
        ("rules.full.stop_at_pct=", "expected KEY=VALUE or KEY=V1,V2"),
        ("diverter=maybe", "expected on or off"),
        ("tank.volume=90", "tank.volume"),
        ("tank.volume_l=2", "tank.volume_l"),
    ],
)
def test_what_is_refused(capsys: pytest.CaptureFixture[str], house: Path, vary: str, cause: str) -> None:
    assert cause in said(capsys, house, "--vary", vary, code=2)


def test_a_home_without_a_tank_is_refused(capsys: pytest.CaptureFixture[str], house: Path) -> None:
    text = study_house.HOME
    (house / "home.toml").write_text(text[: text.index("[tank]")] + text[text.index("[rules.full]") :])
    assert "tank: expected a table [tank] in home.toml" in said(capsys, house, code=2)


def test_variants_are_every_combination_but_rules_of_no_diverter() -> None:
    assert settings_of(["a.b=1,2", "c=[1,2],x"]) == [
        {}, {"c": "[1,2]"}, {"c": "x"}, {"a.b": "1"}, {"a.b": "1", "c": "[1,2]"}, {"a.b": "1", "c": "x"},
        {"a.b": "2"}, {"a.b": "2", "c": "[1,2]"}, {"a.b": "2", "c": "x"},
    ]  # fmt: skip
    assert settings_of(["rules.x.y=1", "diverter=off"]) == [{}, {"diverter": "off"}, {"rules.x.y": "1"}]
    with pytest.raises(BrimfulError, match="at most 500 variants"):
        settings_of([f"{key}={','.join(map(str, range(30)))}" for key in "abc"])


def test_many_homes_as_rows_and_one_that_failed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    homes = tmp_path / "homes"
    homes.mkdir()
    (homes / "one.toml").write_text(study_house.HOME)
    study_house.write(homes / "one.csv", study_house.rows(1.2))
    (homes / "two.toml").write_text("[home]")
    with pytest.raises(SystemExit) as ended:
        main(["study", "--homes", str(homes), "diverter=off", "--workers", "1"])
    shown = capsys.readouterr()
    assert ended.value.code == 1
    assert "1 homes studied, 1 failed" in shown.out
    assert "diverter=off" in shown.out
    assert "two: " in shown.err
    assert "two.toml" in shown.err


@pytest.mark.parametrize(
    ("arguments", "cause"),
    [([], "expected HOME.toml and READINGS"), (["a.toml", "b.csv", "--into", "c"], "--into needs --homes")],
)
def test_what_is_missing_is_named(capsys: pytest.CaptureFixture[str], arguments: list[str], cause: str) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["study", *arguments])
    assert ended.value.code == 2
    assert cause in capsys.readouterr().err
