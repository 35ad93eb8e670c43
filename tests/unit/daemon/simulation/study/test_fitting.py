"""A study of the fitted tank: what the fit sets, says, and how it does on days that it has not seen."""

from importlib.resources import files
from pathlib import Path

import pytest

from accounting.ledger.tape import as_csv
from daemon.documents.fit_document import fit_answer, fit_sentences
from daemon.simulation.study.comparison import study
from rules.model.errors import BrimfulError
from tests.support.demo_tape import record

DAYS = 14


def home_file(folder: Path) -> Path:
    """The demo's home, with another tank on its plate."""
    text = files("daemon.demo").joinpath("home.toml").read_text(encoding="utf-8")
    file = folder / "home.toml"
    file.write_text(text.replace("volume_l = 180", 'volume_l = 210\nlevel_shows = "usable"'))
    return file


def test_the_fitted_tank_is_studied_and_tried_on_later_days(tmp_path: Path) -> None:
    readings = tmp_path / "tape.csv"
    readings.write_text(as_csv(record(5, DAYS).rows))
    found = study(home_file(tmp_path), readings, [{}, {"tank.volume_l": "100"}], fit=True)
    fitted = found.fitted
    assert fitted is not None
    assert float(fitted.set["tank.volume_l"]) == pytest.approx(180, rel=0.02)
    assert set(fitted.set) == {"tank.volume_l", "tank.hot_c", "tank.loss_w"}
    assert fitted.forecast is not None
    assert fitted.forecast.days >= 3
    assert fitted.forecast.rms_pct < fitted.forecast.yesterday_pct
    # A variant's own value goes before the fitted one, and the fitted draws are what is wanted at the taps.
    assert found.figures[0].lost_seen > found.figures[1].lost_seen
    assert fitted.fit.drawn_kwh is not None
    wanted_kwh = sum(found.recording.need_wh) / 1000
    assert wanted_kwh == pytest.approx(DAYS * fitted.fit.drawn_kwh.value, rel=0.01)
    answer, said = fit_answer(fitted), " ".join(fit_sentences(fitted))
    assert answer["volume_l"]["low"] < 180 < answer["volume_l"]["high"]
    assert answer["held_out"]["days"] == fitted.forecast.days
    assert "(home file: 210)" in said
    assert "root mean square" in said


def test_readings_that_show_nothing_of_the_tank_are_refused(tmp_path: Path) -> None:
    readings = tmp_path / "bare.csv"
    readings.write_text("time,house_w,pv_w\n2026-06-01T00:00:00Z,200,0\n2026-06-01T00:01:00Z,200,0\n")
    with pytest.raises(BrimfulError, match="shows the tank's figures"):
        study(home_file(tmp_path), readings, [{}], fit=True)
