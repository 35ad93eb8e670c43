"""Hostile readings, series, working state and requests: refused in words, or taken; never a traceback, never a hang."""

import gzip
import time
from collections import Counter
from collections.abc import Callable
from math import isfinite
from pathlib import Path
from random import Random

import pytest

from accounting.series import read_series
from daemon.readings import open_readings
from rules.errors import BrimfulError
from tests.support import hostile

SLOWEST_S = 5.0
READINGS = b"""time,grid_w,tank_level_pct,diverted_wh_main
2026-06-01T12:00:00Z,-900,50.5,1000
2026-06-01T12:01:00Z,-950,,1015
2026-06-01T13:02:00+01:00,1200.25,50.6,1030
"""
SERIES = b"time,value\n2026-01-01T00:00Z,0.30\n2026-01-01T00:30:00+00:00,\n2026-01-01T02:00+01:00,-1.25\n"
CELLS = (
    *hostile.NASTY_NUMBERS,
    *hostile.TIMES,
    *hostile.WORDS,
    '"',
    '"a\nb"',
    "x" * 200_000,
    "1e999999999",
    "1/3",
    "1e-999999",
)


def torn(text: bytes, dice: Random) -> bytes:
    """A CSV text with bytes or whole cells changed."""
    if dice.random() < 0.5:
        return hostile.mutated(text, [text], dice)
    rows = [row.split(",") for row in text.decode().splitlines()]
    for _ in range(dice.choice((1, 1, 2, 3))):
        row = dice.choice(rows)
        match dice.randrange(6):
            case 0 if len(rows) > 1:
                rows.remove(row)
            case 1:
                rows.append(list(row))
            case 2:
                row.append(dice.choice(CELLS))
            case _ if row:
                row[dice.randrange(len(row))] = dice.choice(CELLS)
    return "\n".join(",".join(row) for row in rows).encode("utf-8", "surrogatepass")


def try_files(count: int, path: Path, text: bytes, read: Callable[[Path], None]) -> Counter[str]:
    """Read `count` torn files; each is refused by its name in words, or read."""
    dice = Random(count)
    outcomes: Counter[str] = Counter()
    for _ in range(count):
        content = torn(text, dice)
        if path.suffix == ".gz":
            packed = gzip.compress(content, 1)
            content = hostile.mutated(packed, [packed], dice) if dice.random() < 0.7 else packed
        path.write_bytes(content)
        began = time.perf_counter()
        try:
            read(path)
            outcomes["read"] += 1
        except BrimfulError as refused:
            said = path.name in refused.subject and bool(refused.cause) and len(str(refused)) < 1000
            outcomes["refused" if said else f"refused badly: {refused}"] += 1
        assert time.perf_counter() - began < SLOWEST_S, content[:300]
    print(f"\n{count:,} files like {path.name} tried: {dict(outcomes)}")
    assert set(outcomes) == {"read", "refused"}
    return outcomes


def _read_readings(path: Path) -> None:
    with open_readings(path, ["main"]) as file:
        for instant_s, readings in file.rows(file.signals):
            assert isfinite(instant_s)
            assert all(isfinite(reading.value) for reading in readings)


def _read_series(path: Path) -> None:
    series = read_series(path)
    series.mean_price(1_767_225_600, 1_767_232_800)
    series.next_change(1_767_225_600.0)


@pytest.mark.parametrize("name", ["readings.csv", "readings.csv.gz"])
@pytest.mark.parametrize("count", [1_000, pytest.param(50_000, marks=pytest.mark.long)])
def test_torn_readings(tmp_path: Path, name: str, count: int) -> None:
    try_files(count, tmp_path / name, READINGS, _read_readings)


@pytest.mark.parametrize("count", [2_000, pytest.param(100_000, marks=pytest.mark.long)])
def test_a_torn_series(tmp_path: Path, count: int) -> None:
    try_files(count, tmp_path / "prices.csv", SERIES, _read_series)
