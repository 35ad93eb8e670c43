"""Days of a house with faults drawn at random: what always holds is checked at every step, and nothing grows."""

import gc
import logging
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from rules.model.orders import Order
from tests.support.hostile import Held
from tests.support.soak import Soak
from tests.support.soak_parts import STEP_S, handles

STEPS_A_DAY = int(86_400 / STEP_S)
MOST_BLOCKS = 5_000
MOST_GROWTH_BYTES = 1_000_000


@pytest.fixture(autouse=True)
def _no_log() -> Iterator[None]:
    """The log that the test run keeps would grow with every fault."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


@pytest.mark.parametrize(
    ("days", "seed", "kind"),
    [
        (2, 33, "counter"),
        (1, 34, "power"),
        (1, 37, "hygiene"),
        pytest.param(30, 12, "counter", marks=pytest.mark.long),
        pytest.param(30, 13, "power", marks=pytest.mark.long),
        pytest.param(30, 14, "hygiene", marks=pytest.mark.long),
    ],
)
def test_a_house_lives_through_every_fault(tmp_path: Path, days: int, seed: int, kind: str) -> None:
    gc.collect()  # what other tests have left lying
    threads, files = set(threading.enumerate()), handles()
    began = time.perf_counter()
    soak = Soak(tmp_path, seed, kind=kind)
    for _ in range(STEPS_A_DAY * days):
        soak.step()
    told_wh, booked_wh, aside_wh = soak.finish()
    figures = soak.figures
    drawn = ", ".join(f"{many} {kind}" for kind, many in sorted(figures.faults.items()))
    print(
        f"\n{days} days by {kind} (seed {seed}) in {time.perf_counter() - began:.0f} s, {figures.steps:,} steps judged;"
        f"\n{sum(figures.faults.values())} faults: {drawn}; {figures.unwritten:,} steps with a full disk;"
        f"\non in {figures.orders[Order.SURPLUS]:,} steps, {told_wh:,} Wh told, {booked_wh:,} Wh booked,"
        f" {aside_wh:,} Wh {'unwritten at kills at most' if kind == 'power' else 'set aside by name'},"
        f" {told_wh - booked_wh} Wh of all that not booked; {figures.prices:,} prices kept,"
        f" {soak.prices.refused} drips and redirects refused; heated in {figures.orders[Order.HEAT]:,} steps"
    )
    assert figures.orders[Order.SURPLUS] > figures.steps // 50, "some orders could have been wrong"
    assert figures.unwritten or kind == "power"
    assert figures.orders[Order.HEAT] or kind != "hygiene"
    assert told_wh > 1000 * days
    assert figures.prices >= 48
    if kind == "power":
        assert told_wh - aside_wh - 2 <= booked_wh <= told_wh + 2
    else:
        assert booked_wh + aside_wh == told_wh
    gc.collect()
    assert set(threading.enumerate()) <= threads, "no thread is left"
    assert handles() <= files, "no file handle is left"


@pytest.mark.parametrize(("days", "seed"), [(1, 34), pytest.param(30, 35, marks=pytest.mark.long)])
def test_one_long_life_does_not_grow(tmp_path: Path, days: int, seed: int) -> None:
    soak = Soak(tmp_path, seed, lives=False)
    for _ in range(STEPS_A_DAY):
        soak.step()
    soak.settle()
    first_day, points = Held(), len(soak.server.points)
    for _ in range(STEPS_A_DAY * (days - 1)):
        soak.step()
    soak.settle()
    last_day = Held()
    kept = 6 * (len(soak.server.points) - points)  # Python objects that the test's own server keeps of each interval
    blocks, grown = last_day.blocks - first_day.blocks - kept, last_day.resident_bytes - first_day.resident_bytes
    print(f"\n{days} days in one life: after the first {blocks:+,} Python blocks, {grown / 1000:+,.0f} kB")
    assert blocks < MOST_BLOCKS
    assert days < 30 or grown < MOST_GROWTH_BYTES, "over few days the first use of each part shows"
    told_wh, booked_wh, aside_wh = soak.finish()
    assert booked_wh + aside_wh == told_wh
