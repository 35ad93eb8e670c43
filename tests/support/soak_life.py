"""A soaked house: what it is made of, and the lives of its daemon."""

import sqlite3
import threading
from pathlib import Path
from random import Random
from typing import Any

import daemon.demo
from accounting.ledger.opening import connect
from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.listener import LINK
from daemon.runtime.registry import Job
from daemon.runtime.service import Service
from daemon.simulation.house.simulated import DemoHouse
from daemon.timing.events import Ask, Due, Linked, Stop, Tick
from rules.model.orders import Order
from rules.model.reading import Moment
from tests.support.fired_at import HandClock, Known
from tests.support.soak_faults import HeatingDiverter, HeldPower, SecondCounter
from tests.support.soak_parts import (
    BUSIER,
    BY_POWER,
    EXPORT,
    FULL_DISK,
    HYGIENE,
    ROOMY,
    START_S,
    WITHIN_S,
    Figures,
    Killed,
    Line,
    Server,
    Told,
    shipping_at_once,
)
from tests.support.soak_prices import LIVE, MadPrices


class SoakedHouse:
    """The house and its daemon. See `Soak`, which lives through the days and judges."""

    def __init__(self, folder: Path, seed: int, *, lives: bool = True, kind: str = "counter") -> None:
        self._lives = lives
        self.kind = kind
        self.dice = Random(seed)
        self.file = folder / "home.toml"
        text = Path(daemon.demo.__file__).with_name("home.toml").read_text()
        for was, becomes in (HYGIENE if kind == "hygiene" else BUSIER).items():
            assert was in text
            text = text.replace(was, becomes)
        if kind == "power":
            text, cut = BY_POWER.subn("", text)
            assert cut == 1
        text, cut = EXPORT.subn(LIVE, text)
        assert cut == 1
        self.file.write_text(text)
        self.ledger = folder / "larch.sqlite"
        self.house = DemoHouse(seed, START_S)
        self.house.diverter = HeatingDiverter(self.house.diverter.spec, self.house.diverter.rated_w)
        self.prices = MadPrices(self.dice)
        self.power: HeldPower | None = None
        self._hot_key, self._hot_from_s = "", 0.0
        self._second: SecondCounter | None = None
        self.clock = HandClock(START_S)
        self.server = Server()
        self.figures = Figures()
        self.quiet = False
        self.until_s: dict[str, float] = {}
        self._late: list[tuple[float, str, bytes]] = []
        self._last: dict[str, bytes] = {}
        self._base_wh = 0
        self._no_reset_s = 0.0
        self._told = Told()
        self._frozen: object = None
        self._up_at_s = 0.0
        self._link = True
        self._known: dict[str, Known] = {}
        self._full = self._hot = False
        self._judged_by: object = None
        self._db: sqlite3.Connection | None = None
        self.service: Service | None = None
        self._kept_override_s: float | None = None
        self._live()

    # The daemon's lives

    def _making(self, address: str) -> sqlite3.Connection:
        self._db = connect(address)
        self._db.execute("PRAGMA cache_size = 50")  # it fills with the ledger up to 2 MB, which is no leak
        return self._db

    def _live(self) -> None:
        home = load(self.file)
        (self._series,) = [home.live_file(key) for key in home.live]
        home = home.model_copy(update={"api": home.api.model_copy(update={"port": 0})})
        home._file = self.file
        now = self.clock.now()
        service = self.service = Service(
            prepare(home),
            BrokerAddress("127.0.0.1"),
            self.clock,
            stepped_from_s=now.utc_s,
            making=self._making,
            shipping=lambda home, put: shipping_at_once(self.server, home, put),
        )
        self.line = Line(self.clock)
        service.controller._lines = {"main": self.line}
        self.prices.take_over(service.parts.feeds)
        if self.kind == "power" and self.power is None:
            self.power = HeldPower(home.stale_after_s("diverted_w"), home.ledger.flush_s + 60.0)
        service.loop.jobs.add(Job("kill", self._kill))
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run, args=(service,), name="loop", daemon=True)
        self._known = {name: Known() for name in home.signals}
        memory, self._judged_by = service.controller.engine.memory, home.rules.full
        self._full, self._hot = memory.full_since_s is not None, memory.hot_since_s is not None
        if self._kept_override_s is not None and self._kept_override_s > now.mono_s:
            assert memory.override is not None, "an override survives a restart"
            assert memory.override.until_s <= self._kept_override_s + 1e-3, "and does not grow by it"
        self._disk("disk" in self.until_s)
        self._thread.start()
        self._tick()
        self._set_link(self._link)

    def _run(self, service: Service) -> None:
        try:
            service.loop.run()
        except BaseException as failure:
            self._failure = failure

    def _kill(self, now: Moment) -> None:
        raise Killed

    def _end(self, killed: bool) -> None:
        service = self.service
        assert service is not None
        service.loop.put(Due("kill") if killed else Stop())
        self._thread.join(WITHIN_S)
        assert not self._thread.is_alive()
        assert isinstance(self._failure, Killed) if killed else self._failure is None, self._failure
        assert self.line.told is Order.WITHHOLD, "the last order"
        for line in service.parts.connections.lines:
            line.close(timeout_s=0.0)
        service.parts.connections.listener.close(timeout_s=0.0)
        service.api.stop()
        service.keeper.close()
        self._pass_orders()
        if self.power is not None:
            self.power.ends(self.house.now_s, killed)
        self.service = self._db = None

    def _tick(self) -> None:
        assert self.service is not None
        tick = Tick()
        self.service.loop.put(tick)
        self._wait(tick.done)

    def _ask(self, name: str, **arguments: Any) -> Any:
        assert self.service is not None
        ask = Ask(name, arguments)
        self.service.loop.put(ask)
        return self._wait(ask.answer)

    def _wait(self, future: Any) -> Any:
        while True:
            try:
                return future.result(0.5)
            except TimeoutError:
                if not self._thread.is_alive():
                    raise AssertionError("the loop has ended") from self._failure

    def _pass_orders(self) -> None:
        orders, self.line.out = self.line.out, []
        if self._link:
            for order in orders:
                assert self.house.obey(order)

    def _set_link(self, up: bool) -> None:
        if self._link and not up:
            self.house.obey(b"no")  # the last will
        self._link = up
        if self.service is not None:
            for name in (LINK, "main"):
                self.service.loop.put(Linked(name, up, "" if up else "the link broke"))
            self._tick()
            if up:
                self.line.refresh()
                self._pass_orders()

    def _disk(self, is_full: bool) -> None:
        if self._db is not None:
            self._db.execute(f"PRAGMA max_page_count = {FULL_DISK if is_full else ROOMY}")
