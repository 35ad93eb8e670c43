"""Days of the demo's house in seconds: the daemon's own parts without a network, faults drawn by seed, and a judge.

What is stood in for is the broker alone: payloads go in where the listener takes them from it, and orders come out
where the heater's line would hand them to it. The judge knows what was delivered and asks no rule.
"""

import json

from accounting.ledger import Ledger
from accounting.model.journal import balance
from rules.model.orders import Order
from tests.support.fired_at import Known
from tests.support.soak_faults import AGES, FAR, HOT_S, TEMPERATURES, SecondCounter
from tests.support.soak_life import SoakedHouse
from tests.support.soak_parts import (
    DISTURBING,
    DIVERTER,
    FAULTS,
    METER,
    ODD_CLOCK_S,
    OF_TOPICS,
    PRICES,
    START_S,
    STEP_S,
    TANK,
    TOPICS,
    UNTIMED,
    WILD,
    WILDER,
    WORDS,
    readable,
)


class Soak(SoakedHouse):
    """One house through its days. Call `step` for each STEP_S, then `finish`.

    lives: whether the daemon is stopped and killed now and then; each life is a process of its own elsewhere, so memory
    is measured over one long life. kind: "counter"; "power": the heater is metered by its power alone; "hygiene": the
    whole tank is heated each night, and stops are high.
    """

    # Time

    def step(self) -> None:
        """Draw faults, live STEP_S, deliver, and judge."""
        self.clock.forward(STEP_S)
        self.house.advance(STEP_S)
        self.figures.steps += 1
        self._end_faults()
        if not self.quiet and self.dice.random() < 0.02:
            self._begin_fault()
        if self.service is None:
            if self.house.now_s >= self._up_at_s:
                self._live()
            else:
                self._late.clear()
                return
        for topic, payload in self._spoken():
            self._deliver(topic, payload)
        self._tick()
        self.prices.now_s = self.clock.utc_s
        self.service.parts.feeds.work()
        self._judge()
        self._pass_orders()
        if self.figures.steps % 240 == 0:
            self._look()

    def _spoken(self) -> list[tuple[str, bytes]]:
        """What the house's devices say now, as far as their faults let them."""
        now_s, until = self.house.now_s, self.until_s
        said: list[tuple[str, bytes]] = [(topic, payload) for at, topic, payload in self._late if at <= now_s]
        self._late = [item for item in self._late if item[0] > now_s]
        for topic, payload in self.house.readings().items():
            told = json.loads(payload)
            if topic == DIVERTER:
                told["wh"] -= self._base_wh
            if topic == TANK and "frozen" in until:
                self._frozen = told["level"] = self._frozen or told["level"]
            if topic == TANK and "hot" in until:
                hot = now_s <= self._hot_from_s + HOT_S
                told = told | {self._hot_key: 75.0} if hot else {k: v for k, v in told.items() if k != self._hot_key}
            if f"far time {topic}" in until:
                told["t"] = self.dice.choice(FAR if topic == DIVERTER else (*FAR, *AGES))
            if f"wild {topic}" in until:
                wilder = {name: self.dice.choice(WILD if name == "wh" else WILDER) for name in told}
                told = wilder | {"t": told["t"]}
            payload = json.dumps(told).encode()
            if f"words {topic}" in until:
                payload = self.dice.choice(WORDS)
            if f"silent {topic}" in until:
                continue
            if f"late {topic}" in until:
                self._late.append((now_s + self.dice.choice((0, 30, 60, 90)), topic, payload))
                continue
            said += [(topic, payload)] * (2 if f"twice {topic}" in until else 1)
            if topic == TANK and "two levels" in until:
                other = {"level": (told["level"] + 35.0) % 100 if isinstance(told["level"], float) else 20.0}
                said.insert(len(said) - self.dice.randrange(2), (topic, json.dumps(other | {"t": told["t"]}).encode()))
            if topic == DIVERTER and "two counters" in until and self._second is not None:
                said.insert(len(said) - self._second.goes_first, (topic, json.dumps(self._second.said(told)).encode()))
            if f"spike {topic}" in until:
                del until[f"spike {topic}"]
                key = {TANK: "level", DIVERTER: "wh"}.get(topic, "w")
                value = {TANK: self.dice.uniform(0, 100), DIVERTER: 900_000}.get(topic, 8000)
                said.insert(len(said) - 1, (topic, json.dumps(told | {key: value}).encode()))
        return said

    def _deliver(self, topic: str, payload: bytes, retained: bool = False) -> None:
        if not self._link or self.service is None:
            return
        dated = self._dated()
        self.service.parts.connections.listener.hear(topic, payload, retained)
        self._note(topic, payload, dated)
        if f"far time {topic}" not in self.until_s:
            self._last[topic] = payload

    def _dated(self) -> bool:
        """Whether the daemon believes its clock, so that readings are dated."""
        assert self.service is not None
        return bool(self.service.parts.connections.listener._dated())

    def _note(self, topic: str, payload: bytes, dated: bool) -> None:
        """Keep for the judge what a careful reader would take from the payload."""
        age_s, taken = readable(topic, payload, self.clock.utc_s, dated)
        seen_s = self.clock.mono_s - age_s
        if self.power is not None:
            taken.pop("diverted_wh", None)
            if topic == DIVERTER:
                self.power.hear(self.house.now_s, json.loads(payload)["w"])
        for name, value in taken.items():
            known = self._known[name]
            if seen_s >= known.seen_s:
                known.value, known.seen_s = value, seen_s
        if "diverted_wh" in taken:
            true_wh = int(taken["diverted_wh"]) + self._base_wh
            if self._told.first_wh is None:
                self._told.first_wh = true_wh
            if true_wh <= self.house.totals.diverted_wh:
                self._told.last_wh = max(self._told.last_wh, true_wh)

    # Faults

    def _begin_fault(self) -> None:
        dice, now_s = self.dice, self.house.now_s
        kind = dice.choice(FAULTS)
        topic = dice.choice((*TOPICS, TANK, METER, DIVERTER))
        lasts_s = dice.choice((60.0, 300.0, 1800.0, 7200.0))
        name = f"{kind} {topic}" if kind in OF_TOPICS else kind
        if name in self.until_s:
            return
        if (topic == DIVERTER or kind == "two counters") and kind in DISTURBING and now_s < self._no_reset_s:
            return
        if (
            self.power is not None
            and kind in UNTIMED
            and (kind in ("clock", "disk", "two counters", "reset") or topic == DIVERTER)
        ):
            return
        if kind == "retained" and ("clock" in self.until_s or self.service is None or not self._dated()):
            return
        self.figures.faults[kind] += 1
        match kind:
            case "prices":
                self.until_s[name] = now_s + lasts_s
                self.prices.kind = dice.choice(PRICES)
            case "hot":
                self.until_s[name] = now_s + lasts_s
                self._hot_key, self._hot_from_s = dice.choice(list(TEMPERATURES.values())), now_s
            case "two levels":
                self.until_s[name] = now_s + lasts_s
            case "two counters":
                if not self.until_s and self._told.first_wh is not None:
                    self.until_s[name] = now_s + lasts_s
                    self._no_reset_s = now_s + lasts_s + 300.0
                    self._second = SecondCounter(dice)
                    self.figures.faults["two counters heard"] += 1
            case "silent" | "words" | "wild" | "late" | "twice" | "spike" | "far time":
                self.until_s[name] = now_s + lasts_s
                if topic == DIVERTER:
                    self._no_reset_s = now_s + lasts_s + 300.0
            case "frozen" | "series":
                self._frozen = None
                self.until_s[name] = now_s + lasts_s
                self.server.up = self.server.up and kind != "series"
            case "link":
                self.until_s[name] = now_s + lasts_s
                self._set_link(False)
            case "disk":
                self.until_s[name] = now_s + 4 * lasts_s
                self._disk(True)
                self._kept_override_s = None
            case "clock":
                self.until_s[name] = now_s + lasts_s
                self.clock.set_wall(self.house.now_s + dice.choice((-7200.0, -3600.0, -90.0, 90.0, 3600.0, 7200.0)))
                self._kept_override_s = None
            case "reset":
                self._reset_counter()
            case "retained":
                if topic in self._last and self.service is not None:
                    self._deliver(topic, self._last[topic], True)
            case "restart" | "kill":
                if self.service is not None and self._lives:
                    self._kept_override_s = None if "clock" in self.until_s else self._kept_override_s
                    self._end(killed=kind == "kill")
                    self._up_at_s = now_s + dice.choice((0.0, 60.0, 600.0, 3600.0))
            case "override" | "rule" | "file":
                if self.service is not None:
                    self._wish(kind)

    def _reset_counter(self) -> None:
        """The counter restarts from 0, just after a reading that was taken."""
        well = self._link and self.service is not None and self.house.now_s >= self._no_reset_s
        now_wh = int(self.house.totals.diverted_wh)
        if well and not self.until_s and self._told.last_wh == now_wh and now_wh - self._base_wh > 2000:
            self._base_wh = now_wh
            self._no_reset_s = self.house.now_s + 600.0
            self.figures.faults["reset done"] += 1

    def _wish(self, kind: str) -> None:
        dice = self.dice
        if kind == "override":
            if dice.random() < 0.3:
                self._ask("override", clear=True)
                self._kept_override_s = None
                return
            for_s = dice.choice((60, 1800, 7200))
            answer = self._ask("override", order=dice.choice(("surplus", "withhold")), for_s=for_s)
            assert answer["until"]
            sound = answer["kept"] and "disk" not in self.until_s and "clock" not in self.until_s
            self._kept_override_s = self.clock.mono_s + for_s if sound else None
            return
        stop = dice.choice((85, 95) if self.kind == "hygiene" else (40, 50, 60))
        if kind == "rule":
            self._ask("rule", rule="full", set={"stop_at_pct": stop, "resume_below_pct": stop - dice.choice((3, 7))})
        else:
            text = self.file.read_text()
            self.file.write_text(text + "\n[rules.nonsense]\nx = 1\n")  # somebody edits, and errs
            self._tick()
            self.file.write_text(text)

    def _end_faults(self) -> None:
        now_s = self.house.now_s
        for name in [name for name, until_s in self.until_s.items() if self.quiet or until_s <= now_s]:
            del self.until_s[name]
            match name:
                case "link":
                    self._set_link(True)
                case "disk":
                    self._disk(False)
                case "series":
                    self.server.up = True
                case "prices":
                    self.prices.kind = ""
                case "clock":
                    self.clock.set_wall(self.house.now_s)
                    self._kept_override_s = None

    def settle(self) -> None:
        """Let every fault end and what waits be written, so that memory can be compared."""
        self.quiet = True
        for _ in range(40):
            self.step()
        self.quiet = False

    # The judge

    def _fresh(self, name: str) -> Known | None:
        assert self.service is not None
        known = self._known[name]
        limit_s = self.service.home.stale_after_s(name)
        return known if self.clock.mono_s < known.seen_s + limit_s else None

    def _judge(self) -> None:
        """What always holds, 1 to 3, by what was delivered alone."""
        service, told = self.service, self.line.told
        assert service is not None
        full, limit = service.home.rules.full, service.home.rules.limit
        level, surplus = self._fresh("tank_level_pct"), self._fresh("grid_w")
        temps = {name: self._fresh(name) for name in TEMPERATURES}
        temps_c = [known.value for known in temps.values() if known is not None]
        if full != self._judged_by:  # by other levels the tank is judged anew
            self._full, self._judged_by = False, full
        if level is not None:
            self._full = level.value >= full.stop_at_pct or (self._full and level.value >= full.resume_pct)
        all_cool = None not in temps.values() and max(temps_c) < limit.resume_c
        self._hot = max(temps_c, default=0.0) >= limit.maximum_c or (self._hot and not all_cool)
        self.figures.orders[told] += 1
        why = (self.figures.steps, dict(self.until_s), level, temps, surplus)
        if told is not Order.WITHHOLD:
            assert level is not None, why
            assert surplus is not None or told is Order.HEAT, why
            assert None not in temps.values(), why
            assert max(temps_c) < limit.maximum_c, why
            assert not self._full, why
            assert level.value < full.stop_at_pct, why
            assert not self._hot, why
        override = service.controller.engine.memory.override
        assert override is None or override.until_s <= self.clock.mono_s + 7 * 86_400, why
        refresh_s = min(heater.refresh_s for heater in service.home.heaters.values())
        assert self.clock.mono_s - self.line.told_s <= refresh_s + STEP_S, ("orders are told again", why)
        self.figures.unwritten += bool(service.keeper.fault)
        self.figures.permits += self.house.diverter.permitted(self.house.now_s)

    def _look(self) -> None:
        """What the books show from outside at any time: balanced entries, each interval once, no more than was told."""
        self.figures.checks += 1
        # One long life is looked at as far as two days back: all its entries at once would be most of its memory.
        from_s = 0.0 if self._lives else self.clock.utc_s - 2 * 86_400
        with Ledger.open_reader(self.ledger) as ledger:
            entries = ledger.entries(from_s, 1e11)
            of_tank = list(ledger.tank_entries(from_s, 1e11))
            for entry in entries:
                balance(entry)
                assert 0 <= entry.estimated_wh <= entry.diverted_wh
                assert 0 <= entry.measured_s <= entry.interval_s
            assert len({(entry.start_s, entry.heater) for entry in entries}) == len(entries)
            in_progress = ledger.open_entries()
        dates = [entry.start_s for entry in (*entries, *in_progress, *of_tank)]
        assert not dates or min(dates) >= START_S - ODD_CLOCK_S, "nothing is booked before the story"
        assert not dates or max(dates) <= self.house.now_s + ODD_CLOCK_S, "nor after it"
        booked_wh = sum(entry.diverted_wh for entry in (*entries, *in_progress))
        if self.power is not None:
            held_wh, unwritten_wh = self.power.wh, self.power.unwritten_wh
            assert held_wh - unwritten_wh - 2 <= booked_wh <= held_wh + 2 + 2800 * STEP_S / 3600, (
                booked_wh,
                held_wh,
                unwritten_wh,
            )
            return
        told = self._told
        assert told.first_wh is None or booked_wh <= told.last_wh - told.first_wh, (booked_wh, told, self.until_s)

    def finish(self) -> tuple[int, int, int]:
        """A quiet half hour, an orderly end, and the account: Wh told, Wh booked, Wh in quarantine."""
        self.quiet = True
        self._up_at_s = 0.0
        for _ in range(120):
            self.step()
        self._end(killed=False)
        with Ledger.open_reader(self.ledger) as ledger:
            entries = ledger.entries(0, 1e11)
            open_wh = sum(entry.diverted_wh for entry in ledger.open_entries())
            aside = [event for event in ledger.events(0, 1e11) if event.kind == "quarantine"]
            assert ledger.integrity() == []
            assert ledger.outbox_depth() == 0, "the time-series database is up again and has all of it"
        self._look()
        self.prices.close()
        self.figures.prices = self.prices.judge(self._series)
        assert self.server.points == {(entry.start_s, entry.heater): entry.diverted_wh for entry in entries}
        if self.power is not None:
            booked_wh = sum(entry.diverted_wh for entry in entries) + open_wh
            return round(self.power.wh), booked_wh, round(self.power.unwritten_wh)
        assert self._told.first_wh is not None
        told_wh = self._told.last_wh - self._told.first_wh
        booked_wh = sum(entry.diverted_wh for entry in entries) + open_wh
        return told_wh, booked_wh, sum(int(event.figures["wh"]) for event in aside if event.figures["heater"] == "main")
