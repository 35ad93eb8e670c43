"""kill −9 at random instants, in a real house on a fast clock: no Wh is lost, none counts twice, the heater is off."""

import json
import multiprocessing
import random
import signal
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from accounting.ledger import Ledger, LedgerError
from daemon.recording.unit_of_work import METER
from tests.support.broker import Client, Mosquitto, free_port
from tests.support.fast_house import FastClock, live
from tests.support.servers import influx_rows, influxdb1

pytestmark = pytest.mark.services

START_S = 1_780_315_200  # 2026-06-01T12:00:00Z
TIMES = 900.0
INTERVAL_S, GAP_S, POWER_W = 900, 300, 2000.0
WITHIN_S = 30.0
HOUSE, PERMIT = "wren/house", "wren/permit"
HOME = """
[home]
name = "Wren House"
timezone = "Europe/Dublin"
currency = "EUR"
interval_minutes = 15
[broker]
host = "127.0.0.1"
port = {broker}
[signals.grid_w]
topic = "wren/house"
pointer = "/w"
time_pointer = "/t"
stale_after_s = 600
[signals.tank_level_pct]
topic = "wren/house"
pointer = "/level"
time_pointer = "/t"
stale_after_s = 600
[signals.diverted_wh]
topic = "wren/house"
pointer = "/wh"
time_pointer = "/t"
stale_after_s = 600
resolution = 1
gap_s = 300
[heaters.main]
kind = "gate"
rated_w = 3000
topic = "wren/permit"
orders = {{ withhold = "no", surplus = "yes" }}
[api]
port = {api}
[timeseries]
kind = "influxdb1"
url = "{server}"
database = "brimful"
[ledger]
path = "wren.sqlite"
"""

processes = multiprocessing.get_context("forkserver")  # no thread of the test's is in a process made so
processes.set_forkserver_preload(["tests.support.fast_house"])


class Meter(threading.Thread):
    """The house's devices: every 10 s of the fast clock they tell of themselves, whoever listens. The counter stands
    until `runs`, and goes on without a break from then on."""

    def __init__(self, wire: Client, clock: FastClock) -> None:
        super().__init__(name="meter")
        self.first_wh = 1000
        self.last_wh = 0
        self._wire = wire
        self._clock = clock
        self._from_s = float("inf")
        self._ended = threading.Event()

    def runs(self) -> None:
        self._from_s = self._clock.now().utc_s

    def run(self) -> None:
        while not self._ended.wait(10 / TIMES):
            self._tell()

    def end(self) -> None:
        """Stop counting; what was told last was told."""
        self._ended.set()
        self.join()

    def _tell(self) -> None:
        at_s = round(self._clock.now().utc_s, 3)
        self.last_wh = self.first_wh + int(max(0.0, at_s - self._from_s) * POWER_W / 3600)
        full = at_s // 600 % 4 == 3
        at = datetime.fromtimestamp(at_s, UTC).isoformat()
        told = {"t": at, "w": -1500, "level": 97 if full else 50, "wh": self.last_wh}
        self._wire.publish(HOUSE, json.dumps(told))


def until(holds: Callable[[], bool], what: str) -> None:
    """Wait until it holds; asked often, for it is a file that is looked at."""
    give_up_s = time.monotonic() + WITHIN_S
    while not holds():
        assert time.monotonic() < give_up_s, f"waited in vain until {what}"
        time.sleep(0.01)


def ledger_wh(path: Path) -> int:
    with Ledger.open_reader(path) as ledger, ledger.still():
        return sum(one.diverted_wh for one in (*ledger.entries(0, 2**40), *ledger.open_entries()))


def has_begun(path: Path) -> bool:
    """Whether the counter's first reading is written down."""
    try:
        with Ledger.open_reader(path) as ledger:
            state = ledger.state(METER)
    except LedgerError:
        return False
    return state is not None and state["main"]["meter"]["standing"] is not None


def depth(path: Path) -> int:
    with Ledger.open_reader(path) as ledger:
        return ledger.outbox_depth()


@pytest.mark.parametrize("kills", [12, pytest.param(300, marks=pytest.mark.long)])
def test_killed_at_random_instants(
    kills: int,
    tmp_path: Path,
    record_testsuite_property: Callable[[str, object], None],
    capsys: pytest.CaptureFixture[str],
) -> None:
    seed = kills
    dice = random.Random(seed)
    path = tmp_path / "wren.sqlite"
    while_permitted = while_starting = 0
    away_wh = 0.0  # what the counter took in deaths longer than gap_s
    with (
        Mosquitto(tmp_path) as broker,
        influxdb1(tmp_path) as server,
        Client(broker.address(), PERMIT) as heater,
        Client(broker.address()) as wire,
    ):
        file = tmp_path / "home.toml"
        file.write_text(HOME.format(broker=broker.port, api=free_port(), server=server.url))
        clock = FastClock.from_now(START_S, TIMES)

        told = heater.inbox.items

        def last() -> bytes:
            return bytes(told[-1].payload) if told else b""  # type: ignore[attr-defined]

        def start() -> "multiprocessing.process.BaseProcess":
            process = processes.Process(target=live, args=(file, clock))
            process.start()
            return process

        meter = Meter(wire, clock)
        meter.start()
        process = start()
        try:
            until(lambda: has_begun(path), "the first reading is written down")
            meter.runs()
            for number in range(kills):
                if dice.random() < 0.25:
                    while_starting += number > 0
                    time.sleep(dice.uniform(0, 0.2))
                else:
                    mark = len(told)
                    until(lambda mark=mark: len(told) > mark, "the heater is told something")
                    time.sleep(dice.uniform(0, 0.8))  # the instant is meant to be random
                while_permitted += last() == b"yes"
                process.kill()
                process.join(WITHIN_S)
                assert process.exitcode == -signal.SIGKILL
                died_s = clock.now().utc_s
                until(lambda: last() == b"no", "the heater is told to stop")
                time.sleep(dice.uniform(0, 0.6))
                away_s = clock.now().utc_s - died_s
                away_wh += away_s * POWER_W / 3600 - 1 if away_s > GAP_S else 0
                process = start()
            mark = len(told)
            until(lambda: len(told) > mark and last() == b"yes", "the heater has the surplus")
            meter.end()
            until(lambda: ledger_wh(path) == meter.last_wh - meter.first_wh, "the ledger has all the counter shows")
            until(lambda: depth(path) == 0, "the server has every settled interval")
            process.terminate()
            process.join(WITHIN_S)
            assert process.exitcode == 0
        finally:
            meter.end()
            process.kill()
            process.join()
        rows = influx_rows(server, "SELECT diverted_wh FROM diverted")
    with Ledger.open_reader(path) as books:
        assert books.integrity() == []
        settled, in_progress = books.entries(0, 2**40), books.open_entries()
    counted_wh = meter.last_wh - meter.first_wh
    lost_wh = counted_wh - sum(one.diverted_wh for one in (*settled, *in_progress))
    figures = (
        f"kills survived: {kills} (seed {seed}; {while_permitted} while the heater was permitted, {while_starting} "
        f"while starting), intervals settled: {len(settled)}, Wh counted: {counted_wh}, Wh lost: {lost_wh}"
    )
    record_testsuite_property("kills", figures)
    with capsys.disabled():
        print(f"\n{figures}")
    assert lost_wh == 0
    starts = [one.start_s for one in (*settled, *in_progress)]
    assert starts == list(range(starts[0], starts[-1] + 1, INTERVAL_S)), "every interval once"
    # A constant power: each interval has its share, wherever the kills fell; the parts of a Wh go to either side.
    for one in settled[2:]:
        assert one.diverted_wh == pytest.approx(INTERVAL_S * POWER_W / 3600, abs=2), one
    estimated_wh = sum(one.estimated_wh for one in (*settled, *in_progress))
    assert 0 < away_wh <= estimated_wh <= counted_wh
    assert {row["time"]: row["diverted_wh"] for row in rows} == {one.start_s: one.diverted_wh for one in settled}
    assert len(rows) == len(settled)
    assert while_permitted > 0
