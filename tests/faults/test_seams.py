"""Killed at each step between a reading and an acknowledged point, once: the books, the server and the heater agree."""

import multiprocessing
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from accounting.ledger import Ledger
from tests.support.broker import Client, Mosquitto
from tests.support.seams import STEPS, SURPLUS, TOPIC, WITHHOLD, Life, counter_wh, live
from tests.support.servers import Server, influx_rows, influxdb1

pytestmark = pytest.mark.services

DIES_BY_S = 2400
BACK_AT_S = 3600
"""The counter goes on for longer than `gap_s` while nobody is there."""
END_S = 4700
END = f"{TOPIC}/end"
"""Where the test says that a life is over."""
SENT = "SELECT diverted_wh FROM diverted WHERE home = '{}'"

processes = multiprocessing.get_context("forkserver")  # no thread of the test's is in a process made so
processes.set_forkserver_preload(["tests.support.seams"])


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with influxdb1(tmp_path_factory.mktemp("server")) as running:
        yield running


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path_factory.mktemp("broker")) as running:
        yield running


def end_of(life: Life) -> int | None:
    """Live the life in a process of its own; how that ended."""
    process = processes.Process(target=live, args=(life,))
    process.start()
    process.join(60)
    try:
        return process.exitcode
    finally:
        process.kill()
        process.join()
        process.close()


@pytest.mark.parametrize("step", STEPS)
def test_killed_at_a_step(step: str, tmp_path: Path, broker: Mosquitto, server: Server) -> None:
    first = Life(str(tmp_path), broker.port, server.url, step, 0, DIES_BY_S, dies_at=step)
    with Client(broker.address(), TOPIC, END) as heater:

        def told() -> list[bytes]:
            messages: list[Any] = heater.inbox.items
            return [bytes(message.payload) for message in messages if message.topic == TOPIC]

        assert end_of(first) == -signal.SIGKILL, f"it lived through {step}: {STEPS[step]}"
        heater.inbox.wait(lambda _: SURPLUS in told() and told()[-1] == WITHHOLD)
        with Ledger.open_reader(first.ledger) as found:
            assert found.integrity() == []
            waiting = {item.key.start_s for item in found.outbox_peek(100)}
            has = {row["time"] for row in influx_rows(server, SENT.format(step))}
            assert {entry.start_s for entry in found.entries(0, 2**40)} <= waiting | has

        then = Life(str(tmp_path), broker.port, server.url, step, BACK_AT_S, END_S)
        assert end_of(then) == 0
        heater.publish(END, b"")  # the broker delivers in the order of arrival: what the life sent comes before this
        heater.hears(END, b"")
        assert told()[-1] == WITHHOLD

    with Ledger.open_reader(first.ledger) as books:
        settled, in_progress = books.entries(0, 2**40), books.open_entries()
        assert books.integrity() == []
        assert books.outbox_depth() == 0
        known_until_s = books.known_until_s()
    assert known_until_s is not None
    told_wh = sum(entry.diverted_wh for entry in (*settled, *in_progress))
    assert told_wh == counter_wh(known_until_s - int(settled[0].start_s)) - counter_wh(0)
    starts = [entry.start_s for entry in (*settled, *in_progress)]
    assert starts == list(range(starts[0], starts[-1] + 1, 900)), "every interval once"
    assert any(entry.estimated_wh for entry in settled), "what the counter took while nobody was there is estimated"
    rows = influx_rows(server, SENT.format(step))
    assert {row["time"]: row["diverted_wh"] for row in rows} == {one.start_s: one.diverted_wh for one in settled}
