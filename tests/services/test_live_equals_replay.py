"""A day through the real loop and a real broker gives the decisions and the ledger that its replay gives."""

import json
from dataclasses import astuple
from datetime import UTC, datetime
from pathlib import Path

import pytest

from accounting.ledger import Ledger
from daemon.broker import EmbeddedBroker
from daemon.clock import SteppedClock
from daemon.config.load import load
from daemon.demo.runner import Arrivals
from daemon.events import Tick
from daemon.mqtt.connection import Connection
from daemon.mqtt.listener import LINK
from daemon.plan import plan
from daemon.readings import open_readings
from daemon.replay import Replay
from daemon.service import Service, facts

pytestmark = pytest.mark.services

START_S = 1_780_272_000  # 2026-06-01T00:00:00Z
SIGNALS = ("grid_w", "tank_level_pct", "diverted_w", "diverted_wh")
HOME = """
[home]
name = "Heron House"
timezone = "Europe/Dublin"
currency = "EUR"
{signals}
[heaters.main]
kind = "gate"
rated_w = 2800
topic = "heron/permit"
orders = {{ withhold = "no", surplus = "yes" }}
[rules.full]
stop_at_pct = 90
resume_below_pct = 80
[rules.rest]
minimum_on_s = 300
minimum_off_s = 300
[tariffs.sold]
direction = "export"
[[tariffs.sold.periods]]
from = 2026-01-01
bands = [{{ name = "peak", from = "17:00", to = "19:00", price = 0.30 }}, {{ name = "other", price = 0.05 }}]
[rules.worth]
enabled = true
[[displaces]]
source = "boiler"
share = 1
price = 0.11
[ledger]
path = "{ledger}"
"""
SIGNAL = """[signals.{name}]
topic = "heron/all"
pointer = "/{name}"
time_pointer = "/t"
stale_after_s = 200
"""


def home_file(folder: Path, ledger: str) -> Path:
    path = folder / f"{ledger}.toml"
    signals = "".join(SIGNAL.format(name=name) for name in SIGNALS)
    path.write_text(HOME.format(signals=signals, ledger=ledger))
    return path


def day() -> list[dict[str, float]]:
    """A made-up day of minutes: sun with clouds, a tank that fills, is drawn from and fills again, an hour silent."""
    rows: list[dict[str, float]] = []
    level, counter = 55.0, 4000.0
    for minute in range(1440):
        sun_w = max(0.0, 2600 - abs(minute - 760) * 8) * (0.15 if minute % 47 < 6 else 1.0)
        taking_w = min(sun_w, 2000) if sun_w > 300 and level < 90 else 0.0
        level = min(99.0, level + taking_w / 9000) - (0.9 if minute in range(1000, 1030) else 0.0)
        counter += taking_w / 60
        if not 600 <= minute < 660:
            rows.append(
                {
                    "t": START_S + 60 * minute,
                    "grid_w": round(350 + taking_w - sun_w),
                    "tank_level_pct": round(level, 1),
                    "diverted_w": round(taking_w),
                    "diverted_wh": round(counter),
                }
            )
    return rows


def test_a_day_live_is_the_day_replayed(tmp_path: Path) -> None:
    rows = day()
    file = tmp_path / "day.csv"
    lines = [",".join(("time", *SIGNALS))]
    for row in rows:
        stamp = datetime.fromtimestamp(row["t"], UTC).isoformat()
        lines.append(",".join((stamp, *(str(row[name]) for name in SIGNALS))))
    file.write_text("\n".join(lines))

    home = load(home_file(tmp_path, "replayed.sqlite"))
    with (
        open_readings(file, home.heater_names) as readings,
        Ledger.open_writer(tmp_path / "replayed.sqlite", facts(home)) as ledger,
    ):
        replayed = Replay(plan(home), readings, ledger)
        replayed.run()
        entries = [astuple(entry) for entry in (*ledger.entries(0, 2**40), *ledger.open_entries())]

    live_home = load(home_file(tmp_path, "live.sqlite"))
    live_home = live_home.model_copy(update={"api": live_home.api.model_copy(update={"port": 0})})
    clock, arrivals = SteppedClock(START_S), Arrivals()
    with EmbeddedBroker(kind="mosquitto") as broker:
        service = Service(plan(live_home), broker.address, clock, stepped_from_s=START_S, tap=arrivals.note)
        meter = Connection(broker.address, "meter")
        meter.start()
        service.start()
        try:
            assert meter.wait_up(10)
            assert arrivals.wait_up({LINK, "main"})
            engine = service.loop.engine
            for count, row in enumerate(rows, 1):
                # A machine's clock does not jump: what falls due in between is done at its own instant.
                while engine.due_s < row["t"]:
                    clock.move_to(engine.due_s)
                    tick(service)
                clock.move_to(row["t"])
                assert meter.publish("heron/all", json.dumps(row).encode(), 1)
                assert arrivals.wait_heard(count)
                tick(service)
        finally:
            service.stop()
            assert service.join(20)
            meter.close()
    with Ledger.open_reader(tmp_path / "live.sqlite") as ledger:
        live_entries = [astuple(entry) for entry in (*ledger.entries(0, 2**40), *ledger.open_entries())]
        decisions = [(row.order.value, row.guard) for row in ledger.decisions(0, 2**40)]

    assert live_entries == entries
    assert sum(row[3] for row in entries) == rows[-1]["diverted_wh"] - rows[0]["diverted_wh"]
    # Before the first message the daemon has decided once, on nothing; a replay begins with its first row.
    live, told = service.loop.engine.tally, replayed.engine.tally
    assert live.changes == told.changes > 2
    assert live.by_order == told.by_order
    assert live.by_guard == told.by_guard
    assert {order for order, _ in decisions} == {"withhold", "surplus"}
    assert {"full", "fresh", "worth", "surplus"} <= {guard for _, guard in decisions}


def tick(service: Service) -> None:
    done = Tick()
    service.loop.put(done)
    done.done.result(10)
