"""A study's readings off a ledger's tape: the meter, the sun and the heater's counter as they were heard."""

from pathlib import Path

import pytest

from accounting.ledger import Batch, LedgerWriter
from accounting.ledger.tape import pack
from daemon.assembly.endpoints import facts
from daemon.config.load import load
from daemon.simulation.study.comparison import study
from rules.model.errors import BrimfulError
from tests.support import study_house


def _ledger(home: Path, path: Path, rows: list[tuple[int, dict[str, float]]]) -> Path:
    with LedgerWriter.open(path, facts(load(home))) as books:
        for first in range(0, len(rows), 500):  # as the daemon records: in chunks
            books.commit(Batch(float(rows[first][0]), tape=pack(rows[first : first + 500])))
    return path


def test_a_tape_studies_as_the_readings_it_was_made_of(tmp_path: Path) -> None:
    home = tmp_path / "home.toml"
    home.write_text(study_house.HOME)
    rows = []
    for number, row in enumerate(study_house.rows(1.5)):
        surplus_w = row["pv_w"] - row["house_w"]
        taken_w = 600.0 if surplus_w > 900 else 0.0
        told = {"grid_w": taken_w - surplus_w, "pv_w": row["pv_w"], "drawn_wh": row["drawn_wh"]}
        told |= {"diverted_w": taken_w}
        if number % 5:
            del told["pv_w"]  # told every five minutes only
        rows.append((int(row["at_s"]), told))
    every_five = [row["pv_w"] for row in study_house.rows(1.5)][::5]
    found = study(home, _ledger(home, tmp_path / "books.sqlite", rows), [{}])
    assert found.recording.pv_mws / 3.6e9 == pytest.approx(sum(every_five) / 12_000, rel=1e-6)
    assert any("house_w worked out: grid_w + pv_w - diverted_w" in note for note in found.notes)
    plain = study(home, study_house.write(tmp_path / "readings.csv", study_house.rows(1.5)), [{}])
    # Grid and sun were recorded apart, the sun coarsely; what there is for the heater is the meter's all the same.
    assert found.figures[0].heat["sun"] == pytest.approx(plain.figures[0].heat["sun"], rel=0.02)


def test_the_meter_and_a_counter_are_enough(tmp_path: Path) -> None:
    home = tmp_path / "home.toml"
    home.write_text(study_house.HOME)
    rows, counter_wh = [], 0.0
    for row in study_house.rows(1.5):
        surplus_w = row["pv_w"] - row["house_w"]
        taken_w = 600.0 if surplus_w > 900 else 0.0
        # A counter shows at a minute's end what it has counted in it; the power, what holds from then on.
        rows.append(
            (int(row["at_s"]), {"grid_w": taken_w - surplus_w, "diverted_wh": counter_wh // 10 * 10, "drawn_wh": 0.0})
        )
        counter_wh += taken_w / 60
    found = study(home, _ledger(home, tmp_path / "books.sqlite", rows), [{"diverter": "off"}])
    net_wh = sum((row["house_w"] - row["pv_w"]) / 60 for row in study_house.rows(1.5))
    first = found.figures[0]
    assert (first.house - first.pv) / 3.6e6 == pytest.approx(net_wh, abs=25)
    assert any("no column pv_w" in note for note in found.notes)


def test_a_ledger_without_minutes(tmp_path: Path) -> None:
    home = tmp_path / "home.toml"
    home.write_text(study_house.HOME)
    with pytest.raises(BrimfulError, match="a ledger without any"):
        study(home, _ledger(home, tmp_path / "books.sqlite", []), [{}])
