"""The alarms of the recorded year: none of a sensor that is not broken, but the silences that are in the recording."""

import gzip
from collections import Counter
from pathlib import Path

import pytest

from accounting.ledger import LedgerWriter
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.inputs.readings_file import open_readings
from daemon.simulation.replay import Replay
from rules.alarms import Watched, watch
from rules.model.orders import Decision
from rules.model.reading import Moment
from tests.support import recorded_year

pytestmark = pytest.mark.recorded
HOME = Path(__file__).parent / "recorded_home.toml"


def alarms_of(readings: Path, folder: Path) -> Counter[str]:
    """How often each alarm began."""
    made = prepare(load(HOME))
    began: Counter[str] = Counter()
    with (
        open_readings(readings, made.home.heater_names) as file,
        LedgerWriter.open(folder / "books.sqlite", facts(made.home)) as ledger,
    ):
        run = Replay(made, file, ledger)
        engine = run.engine
        decide = engine.decide
        watched = Watched()

        def watching(now: Moment) -> Decision:
            nonlocal watched
            decision = decide(now)
            before = {alarm.name for alarm in watched.alarms}
            alarms, watched = watch(engine.snapshot, engine.settings, engine.memory, watched, now)
            began.update(alarm.name for alarm in alarms if alarm.name not in before)
            return decision

        engine.decide = watching  # type: ignore[method-assign]
        run.run()
    assert engine.memory.frozen is None
    assert engine.snapshot.level_jumps == ()
    return began


def test_a_month_in_which_no_sensor_is_broken(tmp_path: Path) -> None:
    """May 2008: two days of its meter are missing, and the recorded diverter knew nothing of our orders."""
    month = tmp_path / "month.csv"
    with gzip.open(recorded_year.build(), "rt", encoding="ascii") as year, month.open("w", encoding="ascii") as file:
        file.writelines(line for number, line in enumerate(year) if number == 0 or line.startswith("2008-05"))
    assert set(alarms_of(month, tmp_path)) == {"surplus silent", "withheld but drawing"}


@pytest.mark.long
def test_a_year_in_which_no_sensor_is_broken(tmp_path: Path) -> None:
    """43,837 minutes of the meter are missing (tests/recorded), so that it falls silent; the rest is whole."""
    began = alarms_of(recorded_year.build(), tmp_path)
    assert set(began) == {"level silent", "surplus silent", "withheld but drawing"}
