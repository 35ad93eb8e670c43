"""The fair comparison on houses whose every day is known with diversion and without: the truth lies in its range.

On the recorded year the house at its meters alone is compared, with the boiler's fuel: whatever else the house does
scatters it. On the demo's house the tank's heat is, and the meters beside it.
"""

from datetime import date, datetime, timedelta
from pathlib import Path

import pytest

from accounting.ledger import Ledger
from accounting.model.periods import local_day
from accounting.reports.days_paid import DaysPaid, Paid
from accounting.reports.study_figures import Figures
from accounting.reports.written_comparison import binding, news, written_of
from accounting.verdict.fair_comparison import FairComparison, Measured, fair_comparison, half_width
from daemon.config.build import comparison_blocks
from daemon.config.load import load
from daemon.documents.verdict_comparison import compared_days
from daemon.inputs.readings_file import open_readings
from daemon.simulation.study.closed_loop import simulate
from daemon.simulation.study.hot_water import Wanted
from daemon.simulation.study.recording import Recording, read
from daemon.simulation.study.studied_home import StudiedHome, studied
from tests.support import recorded_study
from tests.support.comparison_demo import compared_demo

PAIRS, DAYS = 40, 4


def by_day(home: StudiedHome, recording: Recording, first: date) -> dict[date, float]:
    """What the house cost on each day from the first on."""
    found: Figures = simulate(home, recording, lambda at_s: max(0, (local_day(at_s, home.zone) - first).days + 1))
    assert found.micro is not None
    return {first + timedelta(days=place - 1): micro / 1e6 for place, micro in enumerate(found.micro) if place}


@pytest.mark.recorded
@pytest.mark.long
def test_on_the_recorded_year(tmp_path: Path) -> None:
    path = recorded_study.home_as_it_was(tmp_path / "home.toml")
    always = studied(load(path))
    with open_readings(recorded_study.write(tmp_path / "readings.csv"), ["main"]) as file:
        recording = read(file, Wanted(2.0, always.zone, 50.0))
    first = local_day(recording.from_s, always.zone) + timedelta(days=7)
    text = path.read_text()
    path.write_text(f"{text}\n[rules.alternate]\nfrom = {first}\npairs = {PAIRS}\nseed = 5\n")
    turns = load(path)
    order = comparison_blocks(turns)
    event = news([], order, 1, always.zone, datetime.combine(first, datetime.min.time(), always.zone).timestamp() - 60)
    assert event is not None
    bound = binding(written_of([event]), always.zone, float(recording.to_s))
    costs = by_day(studied(turns), recording, first)
    paid = {day: Paid(cost, 0.0) for day, cost in costs.items()}
    found = fair_comparison(bound, DaysPaid("not asked", paid, {}))
    assert isinstance(found, FairComparison)
    on, off = by_day(always, recording, first), by_day(studied(load(path), diverter=False), recording, first)
    days = [day for pair in bound.pairs for day in (*pair.on, *pair.off)]
    truth = sum(off[day] - on[day] for day in days) / len(days)
    saved = found.main.saved.per_day
    print(f"\ntruth {truth:.4f} a day, found {saved.value:.4f} ({saved.low:.4f} to {saved.high:.4f})")
    assert saved.value == pytest.approx(truth, abs=half_width(found.main.saved.sd, found.main.pairs, 0.99))


@pytest.mark.long
def test_on_the_demo_s_house(tmp_path: Path) -> None:
    path, truth = compared_demo(tmp_path, pairs=6)
    with Ledger.open_reader(tmp_path / "larch.sqlite") as ledger:
        found = compared_days(load(path), ledger)
    assert isinstance(found, FairComparison)
    assert isinstance(found.beside, Measured)
    for way in (found.main, found.beside):
        saved = way.saved.per_day
        print(f"\n{way.what}: truth {truth:.4f} a day, found {saved.value:.4f} ({saved.low:.4f} to {saved.high:.4f})")
        assert saved.value == pytest.approx(truth, abs=half_width(way.saved.sd, way.pairs, 0.99))
