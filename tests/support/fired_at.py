"""A house without a broker, fired at with payloads, and a judge who knows only what was truly delivered."""

import json
from dataclasses import dataclass
from math import inf, isfinite
from random import Random

import pydantic_core

from accounting.books.booking import Books
from accounting.ledger.tape import TapeRecorder
from accounting.model.journal import balance
from daemon.assembly.endpoints import sources
from daemon.assembly.prepared_home import PreparedHome
from daemon.control.engine import Engine
from daemon.control.signal_state import Board
from daemon.inputs.decode import Source, base_signal
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.listener import Listener
from daemon.recording.memory_codec import read, written
from daemon.timing.events import Heard, Linked
from rules.alarms import Watched, watch
from rules.model.memory import Memory, Override
from rules.model.orders import Order
from rules.model.reading import NEVER_LIVE_S, Moment, Reading
from tests.support import hostile

START_S = 1_780_315_200.0
_UNREAD = object()


class HandClock:
    """A clock moved by hand whose wall clock may step while the forward one goes on."""

    def __init__(self, utc_s: float = START_S) -> None:
        self._now = Moment(utc_s, 1000.0)

    def now(self) -> Moment:
        return self._now

    @property
    def utc_s(self) -> float:
        return self._now.utc_s

    @property
    def mono_s(self) -> float:
        return self._now.mono_s

    def wait_s(self, until_mono_s: float) -> float | None:
        return None

    def forward(self, seconds: float) -> None:
        self._now = Moment(self.utc_s + seconds, self.mono_s + seconds)

    def set_wall(self, utc_s: float) -> None:
        """Set the wall clock, as people and time servers do."""
        self._now = Moment(utc_s, self.mono_s)


@dataclass
class Known:
    """The judge's own note of a signal: its newest value, and from when its age counts."""

    value: float = 0.0
    seen_s: float = -inf


class Fired:
    """One house under fire. `shot` delivers one payload and judges all that came of it."""

    def __init__(self, made: PreparedHome, dice: Random) -> None:
        self.made, self.dice = made, dice
        self.clock = HandClock()
        self._heard: list[Reading] = []
        self.listener = Listener(BrokerAddress("127.0.0.1"), sources(made.home), self._take, self.clock)
        self._by_topic: dict[str, list[Source]] = {}
        for source in sources(made.home):
            self._by_topic.setdefault(source.topic, []).append(source)
        self.topics = tuple(self._by_topic)
        self.good = {topic: [self.well(topic) for _ in range(20)] for topic in self.topics}
        self.pool = [payload for payloads in self.good.values() for payload in payloads]
        self.engine = Engine(made.rules, Board(made.rules, made.wiring), Books(made.books), Memory())
        self.tape = TapeRecorder()
        self.watched = Watched()
        self.known = {name: Known() for name in made.home.signals}
        self.full = self.hot = False
        self.payloads = self.accepted = self.unread = self.settled = 0
        self.orders: dict[Order, int] = dict.fromkeys(Order, 0)
        self._now = self.clock.now()

    def _take(self, event: Heard | Linked) -> None:
        assert isinstance(event, Heard)
        self._heard += event.readings

    def well(self, topic: str) -> bytes:
        """A payload such as the house's devices send."""
        dice = self.dice
        members: dict[str, object] = {}
        for source in self._by_topic[topic]:
            about = base_signal(source.signal)
            wanted = {"%": dice.uniform(0, 100), "°C": dice.uniform(10, 75), "W": dice.uniform(-3000, 3000)}.get(
                about.unit, dice.uniform(0, 1e5)
            )
            told = round((wanted - source.offset) / source.scale, 2)
            if not source.path:
                return str(told).encode()
            _put(members, source.path, told)
            if source.time_path:
                _put(members, source.time_path, hostile.iso(self.clock.utc_s - dice.choice((0, 1, 5)), 60))
        return json.dumps(members).encode()

    def hostile(self, topic: str) -> bytes:
        """A payload no device should send: mutated or grown."""
        dice = self.dice
        if dice.random() < 0.5:
            return hostile.mutated(dice.choice(self.good[topic]), self.pool, dice)
        keys = sorted({source.path[0] for source in self._by_topic[topic] if source.path})
        if not keys or dice.random() < 0.1:
            return hostile.text(dice, self.clock.utc_s)
        return hostile.document([*keys, "t"], dice, self.clock.utc_s)

    def shot(self, payload: bytes, topic: str, retained: bool) -> None:
        """Deliver, decide, judge."""
        self._heard.clear()
        self.listener.hear(topic, payload, retained)
        self.payloads += 1
        now = self._now = self.clock.now()
        for reading in self._heard:
            self._judge_reading(reading, payload, topic, retained)
        if self._heard:
            self.engine.hear(tuple(self._heard), now)
            for reading in self._heard:
                if reading.seen_s != NEVER_LIVE_S:
                    self.tape.note(reading.signal, reading.at_s, reading.value)
        elif now.mono_s >= self.engine.due_s:
            self.engine.decide(now)
        if self.engine.decision is not None:
            self._judge_order(payload)

    def look(self) -> None:
        """What the daemon does now and then: alarms, explanations, books, working state."""
        now, engine = self.clock.now(), self.engine
        if engine.decision is None:
            return
        engine.decide(now)
        alarms, self.watched = watch(engine.snapshot, engine.settings, engine.memory, self.watched, now)
        assert all(alarm.sentence for alarm in alarms)
        for heater in engine.settings.heaters:
            explanation = engine.explain(now, heater.name)
            assert explanation.text
            assert all(found.sentence for found in explanation.findings if found.guard == explanation.primary.guard)
        for entry in (*engine.books.settle(now.utc_s), *engine.books.open_entries(now.utc_s)):
            balance(entry)
            assert entry.diverted_wh >= 0
            assert 0 <= entry.measured_s <= entry.interval_s
            assert 0 <= entry.estimated_wh <= entry.diverted_wh
            self.settled += 1
        engine.books.quarantined()
        engine.books.tank_entries()
        self.tape.take(now.utc_s)
        kept = json.loads(json.dumps(written(engine.memory, engine.settings, now), allow_nan=False))
        read(kept, engine.settings, now)
        # As many readings as come within `late_s`, each with the standing before it.
        assert len(json.dumps(engine.books.state(), allow_nan=False)) < 250_000

    def override(self) -> None:
        """The owner's word, whatever it is."""
        order = self.dice.choice(list(Order))
        until_s = self.clock.mono_s + self.dice.choice((1.0, 60.0, 600.0))
        self.engine.memory = Memory(
            **{
                name: getattr(self.engine.memory, name)
                for name in ("decision", "heaters", "full_since_s", "hot_since_s")
            },
            override=Override(order, until_s, self.dice.choice((None, self.made.rules.heaters[-1].name))),
        )

    def _judge_reading(self, reading: Reading, payload: bytes, topic: str, retained: bool) -> None:
        source = next(source for source in self._by_topic[topic] if source.signal == reading.signal)
        told = self.made.home.signals[reading.signal]
        about = base_signal(reading.signal)
        self.accepted += 1
        assert isfinite(reading.value), hostile.shown(payload)
        assert about.lowest <= reading.value <= about.highest, hostile.shown(payload)
        assert told.minimum is None or reading.value >= told.minimum, hostile.shown(payload)
        assert told.maximum is None or reading.value <= told.maximum, hostile.shown(payload)
        now = self._now
        assert isfinite(reading.at_s)
        assert reading.at_s <= now.utc_s
        assert reading.seen_s <= now.mono_s
        assert not (retained and source.time_path is None and reading.seen_s != NEVER_LIVE_S), hostile.shown(payload)
        other = _second_opinion(payload, source)
        if other is _UNREAD:
            self.unread += 1  # the other reader is stricter about escapes and depth
        else:
            assert other is not None, (hostile.shown(payload), reading)
            assert abs(other - reading.value) <= 1e-9 * max(1.0, abs(reading.value)), (hostile.shown(payload), reading)
        known = self.known[reading.signal]
        if reading.seen_s >= known.seen_s:
            known.value, known.seen_s = reading.value, reading.seen_s

    def _fresh(self, name: str) -> Known | None:
        known = self.known.get(name)
        if known is None or self._now.mono_s >= known.seen_s + self.made.home.stale_after_s(name):
            return None
        return known

    def _judge_order(self, payload: bytes) -> None:
        """Invariants 1 and 2 by what was delivered alone: no guard, board or memory is asked."""
        rules = self.made.rules
        decision = self.engine.decision
        assert decision is not None
        level = self._fresh("tank_level_pct")
        temperatures = [known.value for known in map(self._fresh, rules.temperatures) if known is not None]
        if level is not None:
            if level.value >= rules.full.stop_at_pct:
                self.full = True
            elif level.value < rules.full.resume_below_pct:
                self.full = False
        if temperatures:
            if max(temperatures) >= rules.limit.maximum_c:
                self.hot = True
            elif max(temperatures) < rules.limit.resume_below_c:
                self.hot = False
        for told in decision.orders:
            self.orders[told.order] += 1
            if told.order is Order.WITHHOLD:
                continue
            why = (told, hostile.shown(payload))
            assert not self.full, why
            assert not self.hot, why
            if "tank_level_pct" in self.known:
                assert level is not None, why
            else:
                assert temperatures, why
            assert not rules.temperatures or temperatures, why
            if told.order is Order.SURPLUS:
                assert self._fresh(self.made.wiring.surplus[0]) is not None, why
            rated_w = next(heater.rated_w for heater in rules.heaters if heater.name == told.heater)
            assert told.watts is None or 0 <= told.watts <= rated_w, why


def _put(members: dict[str, object], path: tuple[str, ...], value: object) -> None:
    for token in path[:-1]:
        members = members.setdefault(token, {})  # type: ignore[assignment]
    members[path[-1]] = value


_FACTORS = {
    "W": {"w": 1, "kw": 1e3, "watt": 1, "watts": 1},
    "Wh": {"wh": 1, "kwh": 1e3},
    "%": {"%": 1, "pct": 1, "percent": 1},
    "°C": {"c": 1, "°c": 1, "celsius": 1, "degc": 1},
    "L": {"l": 1, "m3": 1e3, "m³": 1e3},
}


def _as_written(word: str, unit: str) -> float | None:
    """A number with a decimal comma or its unit behind it: the longest start of the text that Python takes for one."""
    for cut in range(len(word), 0, -1):
        number, behind = word[:cut], word[cut:].strip()
        if not number.isascii() or number.count(",") + number.count(".") > 1:
            continue
        try:
            value = float(number.replace(",", "."))
        except ValueError:
            continue
        return value * _FACTORS[unit][behind] if behind in _FACTORS.get(unit, {}) else None if behind else value
    return None


def _second_opinion(payload: bytes, source: Source) -> object:
    """The value by another JSON reader and Python's own numbers; None: there is none; _UNREAD: it cannot read it."""
    text = payload.decode().strip()
    found: object = text
    if source.path or source.time_path is not None or text.startswith('"'):
        try:
            found = pydantic_core.from_json(text, allow_inf_nan=True, cache_strings="none")
        except ValueError:
            return _UNREAD
        for token in source.path:
            if isinstance(found, list) and token.isdecimal():
                found = found[int(token)]
            elif isinstance(found, dict) and token in found:
                found = found[token]
            else:
                return None
    if isinstance(found, bool):
        found = str(found)
    if isinstance(found, str):
        word = found.strip().casefold()
        words = {name.casefold(): number for name, number in source.words.items()}
        if base_signal(source.signal).unit == "W":
            words = {"on": 1.0, "off": 0.0, "true": 1.0, "false": 0.0, **words}
        if word in words:
            found = words[word]
        elif "_" in word:
            return None
        else:
            found = _as_written(word, base_signal(source.signal).unit)
    try:
        return float(found) * source.scale + source.offset  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        return None
