"""A day through the real loop and a real broker gives the decisions and the ledger that its replay gives."""

import csv
import gzip
import json
from contextlib import nullcontext
from dataclasses import astuple, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from accounting.ledger import Ledger, LedgerWriter
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.config.model import Home
from daemon.control.engine import OrderTally
from daemon.demo.runner import Arrivals
from daemon.inputs.readings_file import ReadingsFile, open_readings
from daemon.mqtt.connection import Connection
from daemon.mqtt.embedded_broker import EmbeddedBroker
from daemon.mqtt.listener import LINK
from daemon.runtime.service import Service
from daemon.simulation.replay import Replay
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Tick
from rules.alarms import Announced as AlarmsTold
from rules.alarms import Watched, news, watch
from rules.model.orders import Decision
from rules.model.reading import Moment
from tests.support import recorded_year

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
from = {year}-01-01
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


def home_file(folder: Path, ledger: str, from_year: int = 2026) -> Path:
    path = folder / f"{ledger}.toml"
    signals = "".join(SIGNAL.format(name=name) for name in SIGNALS)
    path.write_text(HOME.format(signals=signals, ledger=ledger, year=from_year))
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


@dataclass
class Told:
    """What came of a day: changes of order or guard with their instants, the ledger's entries, the tally, alarms."""

    changes: list[tuple[float, str, str]] = field(default_factory=list)
    entries: list[tuple[Any, ...]] = field(default_factory=list)
    tally: OrderTally = field(default_factory=OrderTally)
    alarms: list[tuple[str, str, float]] = field(default_factory=list)

    def take(self, ledger: Ledger) -> None:
        """The entries, all but when they were booked."""
        self.entries = [astuple(entry) for entry in (*ledger.entries(0, 2**40), *ledger.open_entries())]


def replayed(home: Home, file: Path, as_it_came: bool = False, row_by_row: bool = False) -> Told:
    """The day as `brimful replay` takes it: its rows by time, or, to compare with what came late, as they came.

    row_by_row: none is kept back, so that the alarms, which a replay does not look at, can be looked at after each.
    """
    told = Told()
    lines = file.read_text().splitlines(keepends=True)
    opened = nullcontext(ReadingsFile(file.name, lines, home.heater_names)) if as_it_came else None
    with (
        opened or open_readings(file, home.heater_names) as readings,
        LedgerWriter.open(home.path_of("replayed.sqlite"), facts(home)) as ledger,
    ):
        run = Replay(prepare(home), readings, ledger)
        run.keeps_back = not row_by_row
        decide = run.engine.decide
        seen = SimpleNamespace(watched=Watched(), told=AlarmsTold())

        def noted(now: Moment) -> Decision:
            decision = decide(now)
            found = (decision.lead.order.value, decision.lead.guard)
            if not told.changes or told.changes[-1][1:] != found:
                told.changes.append((now.utc_s, *found))
            alarms, seen.watched = watch(run.engine.snapshot, run.engine.settings, run.engine.memory, seen.watched, now)
            events, seen.told = news(alarms, seen.told, now)
            told.alarms += [(event.kind, event.name, now.utc_s) for event in events]
            return decision

        run.engine.decide = noted  # type: ignore[method-assign]
        run.run()
        told.take(ledger)
        assert run.raised == {}
    told.tally = run.engine.tally
    return told


def lived(home: Home, rows: list[dict[str, float]]) -> Told:
    """The day as the daemon hears it: a message for each row, over a broker, on a clock that is moved along."""
    told = Told()
    home = home.model_copy(update={"api": home.api.model_copy(update={"port": 0})})
    start_s = rows[0]["t"]
    clock, arrivals = SteppedClock(start_s), Arrivals()
    with EmbeddedBroker(kind="mosquitto") as broker:
        service = Service(prepare(home), broker.address, clock, stepped_from_s=start_s, tap=arrivals.note)
        meter = Connection(broker.address, "meter")
        meter.start()
        service.start()
        try:
            assert meter.wait_up(10)
            assert arrivals.wait_up({LINK, "main"})
            engine = service.controller.engine
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
    with Ledger.open_reader(home.path_of(home.ledger.path)) as ledger:
        told.take(ledger)
        told.changes = [(row.at_s, row.order.value, row.guard) for row in ledger.decisions(0, 2**40)]
        told.alarms = [
            (row.kind, row.name, row.at_s) for row in ledger.events(0, 2**40) if row.kind in ("alarm", "recovered")
        ]
    told.tally = service.controller.engine.tally
    return told


def tick(service: Service) -> None:
    done = Tick()
    service.loop.put(done)
    done.done.result(10)


def readings_file(folder: Path, rows: list[dict[str, float]]) -> Path:
    file = folder / "day.csv"
    lines = [",".join(("time", *SIGNALS))]
    for row in rows:
        stamp = datetime.fromtimestamp(row["t"], UTC).isoformat()
        lines.append(",".join((stamp, *(str(row.get(name, "")) for name in SIGNALS))))
    file.write_text("\n".join(lines))
    return file


def assert_one_story(live: Told, replay: Told) -> None:
    assert live.entries == replay.entries
    # Before the first message the daemon has decided once, on nothing; a replay begins with its first row.
    assert live.changes[0][1:] == ("withhold", "fresh")
    assert live.changes[1:] == replay.changes
    assert live.tally.changes == replay.tally.changes > 2
    assert live.tally.by_order == replay.tally.by_order
    assert {guard: s for guard, s in live.tally.by_guard.items() if s} == replay.tally.by_guard


def test_a_day_live_is_the_day_replayed(tmp_path: Path) -> None:
    rows = day()
    home = load(home_file(tmp_path, "live.sqlite"))
    live, replay = lived(home, rows), replayed(home, readings_file(tmp_path, rows))
    assert_one_story(live, replay)
    assert sum(entry[3] for entry in live.entries) == rows[-1]["diverted_wh"] - rows[0]["diverted_wh"]
    assert {order for _, order, _ in live.changes} == {"withhold", "surplus"}
    assert {"full", "fresh", "worth", "surplus"} <= {guard for _, _, guard in live.changes}


def test_late_doubled_and_false_readings_live_are_those_replayed(tmp_path: Path) -> None:
    """An hour in which messages overtake each other, come twice, and a counter shows nonsense."""
    hour = range(START_S + 9 * 3600, START_S + 10 * 3600)
    rows = [{**row, "tank_level_pct": 60.0} for row in day() if row["t"] in hour]
    rows[11], rows[12] = rows[12], rows[11]
    rows[30], rows[31] = rows[31], rows[30]  # the end of a settlement interval among them
    full = {**rows[43], "tank_level_pct": 95.0}
    for row in rows[42:45]:
        del row["tank_level_pct"]
    rows.insert(45, full)  # late, and yet the newest level: it counts from now on, not from its own minute
    rows.insert(20, rows[19])
    rows.insert(40, {**rows[39], "t": rows[39]["t"] + 20, "diverted_wh": 3})
    rows.insert(50, {**rows[49], "t": rows[49]["t"] + 20, "diverted_wh": 10**9})
    home = load(home_file(tmp_path, "live.sqlite"))
    live, replay = lived(home, rows), replayed(home, readings_file(tmp_path, rows), as_it_came=True)
    assert live.entries == replay.entries
    assert live.changes[1:] == replay.changes
    assert live.tally.by_order == replay.tally.by_order
    assert sum(entry[3] for entry in live.entries) == rows[-1]["diverted_wh"] - rows[0]["diverted_wh"]
    assert (START_S + 9 * 3600 + 44 * 60, "withhold", "full") in live.changes


def test_a_level_that_lies_live_does_so_replayed(tmp_path: Path) -> None:
    """A tank of 20 L, whose level stands still from nine to one while the heater fills it, then jumps about."""
    rows = day()
    for row in rows:
        minute = (row["t"] - START_S) // 60
        if 540 <= minute < 780:
            row["tank_level_pct"] = 61.3
        elif 900 <= minute < 930:
            row["tank_level_pct"] = 100.0 if minute % 9 == 0 else 55.0
        elif minute >= 780:
            row["tank_level_pct"] = 55.5
    file = home_file(tmp_path, "live.sqlite")
    file.write_text(file.read_text() + "[tank]\nvolume_l = 20\n")
    home = load(file)
    live, replay = lived(home, rows), replayed(home, readings_file(tmp_path, rows), row_by_row=True)
    assert_one_story(live, replay)
    assert live.alarms == replay.alarms
    names = [(kind, name) for kind, name, _ in live.alarms if name.startswith("level ")]
    assert ("alarm", "level frozen") in names
    assert ("recovered", "level frozen") in names
    assert ("alarm", "level jumping") in names
    assert ("recovered", "level jumping") in names


@pytest.mark.recorded
def test_a_recorded_day_live_is_the_day_replayed(tmp_path: Path) -> None:
    """20 June 2008 of the recorded year (tests/recorded): sunny, with a tank that fills."""
    rows: list[dict[str, float]] = []
    with gzip.open(recorded_year.build(), "rt", encoding="ascii", newline="") as file:
        for row in csv.DictReader(file):
            if row["time"].startswith("2008-06-20"):
                told = {name: float(row[name]) for name in SIGNALS if row[name]}
                rows.append({"t": datetime.fromisoformat(row["time"]).timestamp(), **told})
    assert len(rows) == 1440
    home = load(home_file(tmp_path, "live.sqlite", from_year=2008))
    live, replay = lived(home, rows), replayed(home, readings_file(tmp_path, rows))
    assert_one_story(live, replay)
    assert sum(entry[3] for entry in live.entries) == rows[-1]["diverted_wh"] - rows[0]["diverted_wh"] > 10_000
    assert {"full", "surplus"} <= {guard for _, _, guard in live.changes}
