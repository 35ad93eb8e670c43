"""A simulated year of minutes, the rules on the twin, against the time csv.DictReader takes to read its readings; how
the time of many variants falls with workers; and of many homes, over workers and over dask's local cluster.

    python tests/bench/bench_study.py [--homes N] [--days N] [--no-year]
"""

import argparse
import csv
import os
import tempfile
from functools import partial
from pathlib import Path
from time import perf_counter

from measure import Row, in_turn, seconds, show

from daemon.simulation.study.comparison import settings_of, study
from daemon.simulation.study.many_homes import cluster_pool, study_homes
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


def homes_in(folder: Path, count: int, days: int) -> Path:
    """So many homes, each with other days."""
    folder.mkdir()
    for number in range(count):
        (folder / f"home{number:02}.toml").write_text(study_house.HOME)
        study_house.write(folder / f"home{number:02}.csv", study_house.rows(days, seed=number))
    return folder


def on_cluster(folder: Path, workers: int) -> tuple[float, float]:
    """Seconds until dask's local cluster is there, and seconds its work takes."""
    began = perf_counter()
    with cluster_pool("local", workers) as pool:
        there = perf_counter()
        assert not [row for row in study_homes(folder, [{}], pool=pool) if "error" in row]
        return there - began, perf_counter() - there


def many_homes(folder: Path, count: int, days: int) -> None:
    """Homes per core-hour."""
    homes_in(folder, count, days)
    alone_s, both_s = (seconds(partial(study_homes, folder, [{}], workers=workers)) for workers in (1, 2))
    begun_s, cluster_s = on_cluster(folder, 2)
    per_hour = 3600 * count * days / 365
    show(
        f"{count} homes of {days} days, on {len(os.sched_getaffinity(0))} cores; home-years in a core-hour",
        [
            Row("1 worker", alone_s, "s"),
            Row("2 workers, against 1", both_s, "s", alone_s),
            Row("dask's local cluster of 2, against 1", cluster_s, "s", alone_s),
            Row("its start", begun_s, "s"),
            Row("home-years in a core-hour, 1 worker", per_hour / alone_s, ""),
            Row("2 workers", per_hour / both_s / 2, ""),
            Row("dask's local cluster of 2", per_hour / cluster_s / 2, ""),
        ],
    )


def one_home(folder: Path) -> None:
    """A year, and variants of it."""
    home, readings, what = year_file(folder)
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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--homes", type=int, default=16)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--no-year", action="store_true")
    told = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="brimful-bench-") as name:
        if not told.no_year:
            one_home(Path(name))
        many_homes(Path(name) / "homes", told.homes, told.days)


if __name__ == "__main__":
    main()
