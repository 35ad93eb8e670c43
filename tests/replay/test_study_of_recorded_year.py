"""The study of the recorded year, with the settings as they were, beside the replay of the same year.

The recorded year's tank is another model (hot water over cold with a sharp border, a boiler that heats it from 20 to
35 %), so what the study finds differs by what the twin misses of it.
"""

import json
from pathlib import Path
from typing import NamedTuple

import pytest

from accounting.reports.study_figures import MWS_PER_WH, Figures
from daemon.inputs.readings_file import open_readings
from daemon.simulation.study.closed_loop import simulate
from daemon.simulation.study.comparison import Cuts, blocks, home_of
from daemon.simulation.study.hot_water import Wanted
from daemon.simulation.study.recording import Recording, read
from daemon.simulation.study.studied_home import StudiedHome
from tests.support import recorded_study

pytestmark = pytest.mark.recorded
GOLDEN = Path(__file__).parent / "golden" / "recorded_year.json"


class Year(NamedTuple):
    """The recorded year made ready, and what its study found."""

    home: StudiedHome
    recording: Recording
    cuts: Cuts
    found: Figures


def kwh(mws: int) -> float:
    return mws / MWS_PER_WH / 1000


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Year:
    folder = tmp_path_factory.mktemp("year")
    home = home_of(recorded_study.home_as_it_was(folder / "home.toml"), {})
    with open_readings(recorded_study.write(folder / "readings.csv"), ["main"]) as file:
        recording = read(file, Wanted(2.0, home.zone, 50.0))
    cuts, _ = blocks(recording, home.zone)
    return Year(home, recording, cuts, simulate(home, recording, cuts))


def test_the_sun_s_heat_is_that_of_the_replay_within_two_percent(year: Year) -> None:
    found = year.found
    replayed = json.loads(GOLDEN.read_text())["value"]["total"]["diverted_kwh"]
    assert kwh(found.heat["sun"]) == pytest.approx(replayed, rel=0.02)
    assert kwh(found.drawn) == pytest.approx(2852.3, rel=0.001)
    assert found.short == 0


@pytest.mark.long
def test_half_hours_show_four_percent_less_of_it(year: Year) -> None:
    fine, coarse = year.found, simulate(year.home, recorded_study.coarser(year.recording, 30), year.cuts)
    assert 1 - coarse.heat["sun"] / fine.heat["sun"] == pytest.approx(0.038, abs=0.01)
    assert fine.cost_micro is not None
    assert coarse.cost_micro is not None
    assert 1 - coarse.cost_micro / fine.cost_micro == pytest.approx(0.013, abs=0.005)


@pytest.mark.long
def test_a_half_hourly_meter_s_export_is_enough_for_one_percent(year: Year, tmp_path: Path) -> None:
    file = recorded_study.write_meter(tmp_path / "meter.csv", year.recording)
    with open_readings(file, ["main"]) as opened:
        recording = read(opened, Wanted(2.0, year.home.zone, 50.0))
    found = simulate(year.home, recording, year.cuts)
    assert found.heat["sun"] == pytest.approx(year.found.heat["sun"], rel=0.01)
    assert found.cost_micro is not None
    assert year.found.cost_micro is not None
    assert found.cost_micro == pytest.approx(year.found.cost_micro, rel=0.002)
