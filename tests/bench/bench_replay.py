"""A year of minute readings through the rules and into the books, against the time the csv module takes to read it."""

import csv
import gzip
import shutil
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import count
from math import exp, pi, sin
from pathlib import Path
from random import Random

from measure import Row, in_turn, seconds, show

from accounting.ledger import Ledger, LedgerWriter
from accounting.reports.value import value_report
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import PreparedHome, prepare
from daemon.config.load import load
from daemon.inputs.readings_file import open_readings
from daemon.simulation.replay import Replay
from tests.support.recorded_year import COLUMNS, Tank, build, diverted_power_w

MINUTES = 525_600
ROUNDS = 5
HOME = Path(__file__).with_name("home.toml")


def year_file(folder: Path) -> tuple[Path, str]:
    """A year as plain CSV, and what it is: the recorded one where its data packages are installed."""
    path = folder / "year.csv"
    try:
        packed = build()
    except LookupError as missing:
        with path.open("w", encoding="ascii") as file:
            file.writelines(generated_year())
        return path, f"a generated year ({missing})"
    with gzip.open(packed) as source, path.open("wb") as target:
        shutil.copyfileobj(source, target)
    return path, "the recorded year"


def generated_year() -> Iterator[str]:
    """A plausible year in the recorded one's columns: sun with clouds, a load that wanders, draws of hot water."""
    chance = Random(1)
    tank = Tank()
    start = datetime(2008, 1, 1, tzinfo=UTC)
    clear, load_w, counter_wh = 1.0, 400.0, 0.0
    yield ",".join(COLUMNS) + "\n"
    for minute in range(MINUTES):
        day, hour = minute / 1440, minute % 1440 / 60
        clear = min(max(clear + chance.gauss(0, 0.05), 0.1), 1.0)
        load_w = min(max(load_w + chance.gauss(0, 40), 150.0), 6000.0)
        half_day_h = 6 + 2 * sin(2 * pi * (day - 80) / 365)
        sun_w = max(0.0, 3600 * clear * (1 - ((hour - 12) / half_day_h) ** 2))
        drawn_w = 6000.0 if chance.random() < 0.03 * exp(-((hour - 8) ** 2) / 4) + 0.005 else 0.0
        element_w = diverted_power_w(sun_w - load_w) if tank.accepts() else 0.0
        tank.pass_minute(element_w, drawn_w)
        counter_wh += element_w / 60
        time = (start + timedelta(minutes=minute + 1)).strftime("%Y-%m-%dT%H:%M:%SZ")
        yield (
            f"{time},{load_w + element_w - sun_w:.0f},{sun_w:.0f},{load_w:.0f},"
            f"{tank.level_pct:.1f},{element_w:.0f},{int(counter_wh)}\n"
        )


def replay(made: PreparedHome, readings: Path, ledger: Path) -> Replay:
    """All that `brimful replay` does between reading the home file and printing."""
    with open_readings(readings, made.home.heater_names) as file:
        with LedgerWriter.open(ledger, facts(made.home)) as books:
            run = Replay(made, file, books)
            run.run()
            value_report(books, "month", timezone=made.home.home.timezone)
        assert not file.refusals.count
    return run


def read_rows(readings: Path) -> None:
    with readings.open(encoding="utf-8", newline="") as file:
        for _ in csv.reader(file):
            pass


def read_dicts(readings: Path) -> None:
    with readings.open(encoding="utf-8", newline="") as file:
        for _ in csv.DictReader(file):
            pass


def main() -> None:
    made = prepare(load(HOME))
    with tempfile.TemporaryDirectory(prefix="brimful-bench-") as name:
        folder = Path(name)
        readings, what = year_file(folder)
        ledgers = (folder / f"books-{number}.sqlite" for number in count())
        works = (partial(read_rows, readings), partial(read_dicts, readings))
        rows_s, dicts_s, replay_s = in_turn(
            ROUNDS,
            [
                *(partial(seconds, work) for work in works),
                lambda: seconds(lambda: replay(made, readings, next(ledgers))),
            ],
        )
        run = replay(made, readings, folder / "books.sqlite")
        with Ledger.open_reader(folder / "books.sqlite") as books:
            total = value_report(books, "year").total
        assert run.rows == MINUTES
    per_row_us = replay_s / MINUTES * 1e6
    show(
        f"replay of {what}: {MINUTES:,} rows of {len(COLUMNS) - 1} columns, {per_row_us:.2f} µs a row; "
        f"{run.engine.tally.changes} changes of order, {total.diverted_wh / 1000:.0f} kWh booked",
        [
            Row("against csv.reader", replay_s, "s", rows_s, 10),
            Row("against csv.DictReader", replay_s, "s", dicts_s, 10),
        ],
    )


if __name__ == "__main__":
    main()
