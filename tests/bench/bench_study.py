"""A simulated year of minutes, the rules on the twin, against the time csv.DictReader takes to read its readings; and
how the time of many variants falls with workers."""

import csv
import os
import tempfile
from functools import partial
from pathlib import Path

from measure import Row, in_turn, seconds, show

from daemon.simulation.study.comparison import settings_of, study
from tests.support import recorded_study, study_house

ROUNDS = 3
MINUTES = 525_600
VARIANTS = "rules.full.stop_at_pct=60,70,80"


def year_file(folder: Path) -> tuple[Path, Path, str]:
    """A home, a year of its readings, and what it is: the recorded one where its data packages are installed."""
    try:
        readings = recorded_study.write(folder / "year.csv")
        return recorded_study.home_as_it_was(folder / "home.toml"), readings, "the recorded year"
    except LookupError as missing:
        (folder / "home.toml").write_text(study_house.HOME)
        readings = study_house.write(folder / "year.csv", study_house.rows(365))
        return folder / "home.toml", readings, f"a generated year ({missing})"


def read_dicts(readings: Path) -> None:
    with readings.open(encoding="utf-8", newline="") as file:
        for _ in csv.DictReader(file):
            pass


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="brimful-bench-") as name:
        home, readings, what = year_file(Path(name))
        one = partial(study, home, readings, [{}])
        dicts_s, year_s = in_turn(ROUNDS, [partial(seconds, partial(read_dicts, readings)), partial(seconds, one)])
        many = settings_of([VARIANTS])
        alone_s, both_s = (seconds(partial(study, home, readings, many, workers=count)) for count in (1, 2))
    show(
        f"study of {what}: {MINUTES:,} minutes, {year_s / MINUTES * 1e6:.1f} µs each, reading included",
        [Row("a simulated year against csv.DictReader", year_s, "s", dicts_s, 20)],
    )
    per_year_s = (alone_s - year_s) / (len(many) - 1)
    show(
        f"{len(many)} variants of one recording, on {len(os.sched_getaffinity(0))} cores",
        [
            Row("1 worker", alone_s, "s"),
            Row("2 workers, against 1", both_s, "s", alone_s),
            Row("variants of a year in a core-hour", 3600 / per_year_s, ""),
        ],
    )


if __name__ == "__main__":
    main()
