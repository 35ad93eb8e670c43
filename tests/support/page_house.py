"""The demo's house with the page on it: real daemon, real broker, the house's devices; its clock is moved by the test.

The days before the story begin are in the ledger already, invented, so that the rooms have something to show.
"""

import math
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any, Self
from zoneinfo import ZoneInfo

from accounting.ledger import Batch, EventRow, Ledger, LedgerWriter
from accounting.model.entry import Entry, Posting
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.demo.runner import STEP_S, DemoRun
from daemon.mqtt.embedded_broker import EmbeddedBroker
from daemon.timing.events import Ask
from daemon.web.server.password_hash import hashed
from tests.support.broker import free_port

PASSWORD = "otter at the weir"
START = datetime(2026, 6, 10, 8, 0, tzinfo=ZoneInfo("Europe/Dublin"))
STEP_OF_S = 1800
WITHIN_S = 30.0


class PageHouse:
    """Use it in a `with`; `live` goes on, and between two calls the clock stands. page: the page's address."""

    def __init__(self, folder: Path, days_before: int = 40, start: datetime = START) -> None:
        self.file = folder / "home.toml"
        self.start_s = start.timestamp()
        port = free_port()
        self.page = f"http://127.0.0.1:{port}"
        (folder / "page-password").touch(0o600)
        (folder / "page-password").write_text(f"{hashed(PASSWORD)}\n")
        text = files("daemon.demo").joinpath("home.toml").read_text(encoding="utf-8")
        self.file.write_text(f'{text}\n[api]\nport = {port}\npassword_file = "page-password"\n', encoding="utf-8")
        self._days_before = days_before
        self._stack = ExitStack()

    def __enter__(self) -> Self:
        home = load(self.file)
        with LedgerWriter.open(home.path_of(home.ledger.path), facts(home)) as ledger:
            rows = tuple(_before(self.start_s, self._days_before))
            alarm = EventRow(
                self.start_s - 90_000, "heater.main.idle", "alarm", "heater main took nothing though permitted"
            )
            ledger.commit(Batch(self.start_s - STEP_OF_S, entries=rows, events=(alarm,)))
        broker = self._stack.enter_context(EmbeddedBroker())
        self.address = broker.address
        self.story = DemoRun(prepare(home), broker.address, seed=2, start_utc_s=self.start_s)
        self._steps = self.story.steps(10**9)
        self._stack.callback(self._steps.close)
        self.live(1)
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def live(self, steps: int) -> None:
        """Live so many steps of STEP_S."""
        for _ in range(steps):
            next(self._steps)

    def live_until(self, order: str, guard: str = "") -> None:
        """Live until the heater is told this order, by this guard if one is named; a day at most."""
        for _ in range(int(86_400 / STEP_S)):
            decision = self.story.service.controller.engine.decision
            assert decision is not None
            if decision.lead.order == order and guard in ("", decision.lead.guard):
                return
            self.live(1)
        raise AssertionError(f"a whole day without {order} {guard}")

    @property
    def level_pct(self) -> float:
        """What the tank tells."""
        level = self.story.service.controller.engine.snapshot.level
        assert level is not None
        return level.value

    def silence(self, topic: str) -> None:
        """From now on the house says nothing there."""
        house, speak = self.story.house, self.story.house.readings
        house.readings = lambda: {name: told for name, told in speak().items() if name != topic}  # type: ignore[method-assign]

    def ask(self, name: str, **arguments: Any) -> dict[str, Any]:
        """Ask the loop, as the command line does."""
        question = Ask(name, arguments)
        self.story.service.loop.put(question)
        answer: dict[str, Any] = question.answer.result(WITHIN_S)
        return answer

    def events(self) -> list[EventRow]:
        """All that the ledger holds."""
        home = load(self.file)
        with Ledger.open_reader(home.path_of(home.ledger.path)) as ledger:
            return ledger.events(0, float("inf"))

    def live_hours(self, hours: float) -> None:
        """Live so long, by the story's clock."""
        self.live(int(hours * 3600 / STEP_S))


def _before(end_s: float, days: int) -> Iterator[Entry]:
    """Invented half hours: more at noon and on some days, at prices that pay on most and lose on a few."""
    first = int(end_s // STEP_OF_S) * STEP_OF_S - days * 86_400
    for start_s in range(first, int(end_s) - STEP_OF_S + 1, STEP_OF_S):
        hour = start_s % 86_400 / 3600
        day = start_s // 86_400
        wh = (
            max(0, round(900 * math.sin((hour - 7) / 10 * math.pi) * (0.3 + 0.7 * abs(math.sin(day)))))
            if 7 < hour < 17
            else 0
        )
        export = 190_000 if day % 9 == 0 else 65_000
        yield Entry(
            start_s,
            STEP_OF_S,
            "main",
            diverted_wh=wh,
            measured_s=1500 if day % 7 == 0 else 1800,
            given_up_micro=wh * export // 1000,
            avoided_micro=wh * 112_700 // 1000,
            given_up_mg=wh * 240,
            avoided_mg=wh * 236,
            export_price_micro=export,
            import_price_micro=326_000,
            heat_value_micro=112_700,
            postings=(Posting("sun", -wh), Posting("tank", wh)) if wh else (),
        )
