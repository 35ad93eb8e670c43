"""Days of a house with faults drawn at random: what always holds is checked at every step, and nothing grows."""

import logging
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from rules.orders import Order
from tests.support.hostile import Held
from tests.support.soak import STEP_S, Soak, handles

STEPS_A_DAY = int(86_400 / STEP_S)
MOST_BLOCKS = 10_000
MOST_GROWTH_BYTES = 1_000_000


@pytest.fixture(autouse=True)
def _no_log() -> Iterator[None]:
    """The log that the test run keeps would grow with every fault."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


@pytest.mark.parametrize(("days", "seed"), [(3, 33), pytest.param(30, 12, marks=pytest.mark.long)])
def test_a_house_lives_through_every_fault(tmp_path: Path, days: int, seed: int) -> None:
    threads, files = threading.active_count(), handles()
    began = time.perf_counter()
    soak = Soak(tmp_path, seed)
    for _ in range(STEPS_A_DAY):
        soak.step()
    first_day = Held()
    for _ in range(STEPS_A_DAY * (days - 1)):
        soak.step()
    last_day = Held()
    told_wh, booked_wh, aside_wh = soak.finish()
    figures = soak.figures
    blocks, grown = last_day.blocks - first_day.blocks, last_day.resident_bytes - first_day.resident_bytes
    drawn = ", ".join(f"{many} {kind}" for kind, many in sorted(figures.faults.items()))
    print(
        f"\n{days} days (seed {seed}) in {time.perf_counter() - began:.0f} s, {figures.steps:,} steps judged;"
        f"\n{sum(figures.faults.values())} faults: {drawn}; {figures.unwritten:,} steps with a full disk;"
        f"\non in {figures.orders[Order.SURPLUS]:,} steps, {told_wh:,} Wh told, {booked_wh:,} Wh booked,"
        f" {aside_wh:,} Wh set aside by name, {told_wh - booked_wh - aside_wh} Wh lost;"
        f"\nafter the first day {blocks:+,} Python blocks, {grown / 1000:+,.0f} kB"
    )
    assert figures.orders[Order.SURPLUS] > figures.steps // 50, "some orders could have been wrong"
    assert figures.unwritten
    assert told_wh > 1000 * days
    assert booked_wh + aside_wh == told_wh
    assert blocks < MOST_BLOCKS
    assert days < 30 or grown < MOST_GROWTH_BYTES, "over few days the first use of each part shows"
    assert (threading.active_count(), handles()) == (threads, files), "no thread and no file handle is left"
